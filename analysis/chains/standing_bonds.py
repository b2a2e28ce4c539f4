"""How long the bonds last that stand at an instant, whether they part for a moment or not.

A theory of escape by diffusion counts a bond as broken when the pair is gone for good, so this is
the life to lay beside it; bonds that flicker are few among those that stand.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.common.arrays import Floats, Integers
from analysis.common.averages.student import ONE_SIGMA, student_factor
from analysis.uncertainty.estimate import NOTHING, Estimate
from analysis.uncertainty.number_text import with_unit

FEWEST_BREAKS = 5

WIDEST = 0.4
"""A life whose logarithm is uncertain by more than this is withheld."""

BATCHES = 16
"""Batches of pairs, left out in turn for the errors of the standing bonds."""

MOST_STARTS = 24
"""Instants from which the standing bonds are followed."""


@dataclass(frozen=True)
class Standing:
    """Bonds that stand at an instant: share that stands again later, and what follows from it.

    Attributes
    ----------
    time_s, share, error : (n,) arrays
        Lag in s, share of the bonds that stand again, its standard error.
    life : Estimate
        Time in s in which the share falls to 1/e, by -lag/ln(share) at the longest lag with more
        than 1/e left; beyond the frames where all lags leave more.
    """

    time_s: Floats
    share: Floats
    error: Floats
    life: Estimate


def standing(bonds: list[Integers], times: Floats, count: int) -> Standing:
    """Return how the bonds that stand at an instant last, whether they parted in between or not.

    Parameters
    ----------
    bonds, times, count : list, (frames,) array, int
        As in ``spells``. Lags reach half the span, from as many instants as the frames allow.

    Notes
    -----
    Errors by leaving out each of ``BATCHES`` batches of pairs in turn, widened by Student's factor.
    """
    keys = [b[:, 0] * count + b[:, 1] for b in bonds]
    frames = len(keys)
    rows, spans = [], []
    for lag in np.unique(np.geomspace(1, max(1, frames // 2), 16).round().astype(int)):
        starts = np.unique(np.linspace(0, frames - 1 - lag, MOST_STARTS).round().astype(int))
        row = np.zeros((2, BATCHES))
        for start in starts:
            batch = (keys[start] * 2654435761 >> 16) % BATCHES
            again = np.isin(keys[start], keys[start + lag], assume_unique=True)
            row += [np.bincount(batch, again, BATCHES), np.bincount(batch, minlength=BATCHES)]
        rows.append(row)
        spans.append(float(np.mean(times[starts + lag] - times[starts])))
    kept, all_of = np.array(rows).transpose(1, 0, 2)
    total = all_of.sum(axis=1)
    some = total > 0
    kept, all_of, total, time = kept[some], all_of[some], total[some], np.array(spans)[some]
    share = kept.sum(axis=1) / total
    without = np.maximum(total[:, None] - all_of, 1.0)
    left = (kept.sum(axis=1)[:, None] - kept) / without
    freedom = BATCHES - 1.0
    error = np.sqrt(freedom * left.var(axis=1)) * student_factor(ONE_SIGMA, freedom)
    return Standing(
        time, share, error, _standing_life(time, share, error, total - kept.sum(axis=1))
    )


def _standing_life(time: Floats, share: Floats, error: Floats, gone: Floats) -> Estimate:
    """Return the time to 1/e; nothing where fewer than ``FEWEST_BREAKS`` bonds are gone."""
    usable = np.flatnonzero((share > 0) & (gone >= FEWEST_BREAKS))
    if len(usable) == 0:
        return NOTHING
    over = usable[share[usable] > math.exp(-1)]
    k = int(over[-1]) if len(over) else int(usable[0])
    fall = -math.log(share[k])
    life = float(time[k]) / fall
    wide = life * float(error[k] / share[k]) / fall
    if wide > WIDEST * life:
        return NOTHING
    return Estimate(life, wide, int(gone[k]), BATCHES - 1.0)


def warn_of_standing(seen: Standing, warnings: list[str]) -> None:
    """Say where the life of standing bonds is missing or lies beyond the frames."""
    life = seen.life.value
    if life is None:
        warnings.append(
            "chains.bond_life_standing_s: too few of the bonds that stand at an instant are gone "
            "after half the averaged time"
        )
    elif life > seen.time_s[-1]:
        warnings.append(
            f"chains.bond_life_standing_s: {100 * seen.share[-1]:.3g} % of the bonds still stand "
            f"after {with_unit(float(seen.time_s[-1]), 's')}, the longest time compared; the "
            "life is continued from there by an exponential"
        )
