"""How long bonds last, and how chains exchange particles, from frames at intervals.

What happens between two frames is not seen. Two lives are told apart: that of a bond from its birth
until it parts, corrected for partings that no frame saw, and that of the bonds that stand at an
instant until they are gone for good. Bonds that flicker are born often and die young: they rule the
first and hardly touch the second, which is what theories of escape by diffusion speak of.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from analysis.chains.rejoining import Gaps, fit_rates
from analysis.chains.standing_bonds import (
    BATCHES,
    FEWEST_BREAKS,
    WIDEST,
    standing,
    warn_of_standing,
)
from analysis.common.arrays import Floats, Integers
from analysis.files.curve import Curve
from analysis.uncertainty.estimate import NOTHING, Estimate, estimate
from analysis.uncertainty.number_text import with_unit

FEWEST_BIRTHS = 30
"""Bonds seen to form, from which on they alone make the survival curve."""

DIFFERS = 3.0
"""Every second frame must give the same life within so many joint errors."""

AT_LEAST = 0.1
"""A difference under this share of the life does not count."""


@dataclass(frozen=True)
class BondSurvival(Curve):
    """Share of bonds that last longer than a time in s, and its error.

    From birth (or the first frame) until they part, and of those that stand at an instant until
    they are gone for good.
    """

    NAME: ClassVar = "bond_survival"
    time_s: Floats
    share: Floats
    error: Floats
    standing_time_s: Floats
    standing_share: Floats
    standing_error: Floats


@dataclass(frozen=True)
class Survival:
    """Share of bonds that last longer than a time, and where the clock starts.

    Attributes
    ----------
    time_s, share, error : ndarray
        Times in s, Kaplan-Meier survival and its standard error, (n,).
    start : str
        "birth": bonds seen to form; "first frame": bonds of unknown age, followed from there.
    median_s, median_error_s : float or None
        Time at which half have broken, between two frames by an exponential, with its standard
        error; None where fewer have.
    """

    time_s: Floats
    share: Floats
    error: Floats
    start: str
    median_s: float | None
    median_error_s: float | None = None


def spells(
    bonds: list[Integers], times: Floats, count: int
) -> tuple[Floats, NDArray[np.bool_], NDArray[np.bool_]]:
    """Return the unbroken spells of bonds.

    Parameters
    ----------
    bonds : list of (B, 2) arrays
        Bonded pairs i < j of each frame.
    times : (frames,) array
        Times in s.
    count : int
        Number of particles.

    Returns
    -------
    length_s, broke, born : (n,) arrays
        Duration in s from the first frame that shows it to the first that does not, else to the
        last; whether it was seen to break, and to form. So counted, the survival of bonds that
        break at random is exact at the frame interval and its multiples.
    """
    keys = [np.sort(b[:, 0] * count + b[:, 1]) for b in bonds]
    alive, since = keys[0], np.zeros(len(keys[0]), np.int64)
    lengths, broke, born = [], [], []
    for frame in range(1, len(keys)):
        stays = np.isin(alive, keys[frame], assume_unique=True)
        ended = since[~stays]
        lengths.append(times[frame] - times[ended])
        broke.append(np.ones(len(ended), bool))
        born.append(ended > 0)
        fresh = np.setdiff1d(keys[frame], alive, assume_unique=True)
        alive = np.concatenate([alive[stays], fresh])
        since = np.concatenate([since[stays], np.full(len(fresh), frame)])
    lengths.append(times[-1] - times[since])
    broke.append(np.zeros(len(since), bool))
    born.append(since > 0)
    # Equal spells must be equal to the bit, or ties between breaks and ends fall apart.
    grain = 1e-9 * float(times[-1] - times[0]) or 1.0
    return (
        np.round(np.concatenate(lengths) / grain) * grain,
        np.concatenate(broke),
        np.concatenate(born),
    )


def survival(length_s: Floats, broke: NDArray[np.bool_], born: NDArray[np.bool_]) -> Survival:
    """Return the survival of bonds, those still whole at the end taken into account.

    Parameters
    ----------
    length_s, broke, born : (n,) arrays
        From ``spells``.

    Notes
    -----
    Product-limit estimate: Kaplan, Meier, J. Am. Stat. Assoc. 53, 457 (1958); error by Greenwood
    (1926), from memory.
    """
    chosen = born if born.sum() >= FEWEST_BIRTHS else ~born
    start = "birth" if born.sum() >= FEWEST_BIRTHS else "first frame"
    length, ended = length_s[chosen], broke[chosen]
    time, inverse = np.unique(length, return_inverse=True)
    breaks = np.bincount(inverse, ended, len(time))
    everything = np.bincount(inverse, minlength=len(time))
    at_risk = len(length) - np.concatenate([[0], np.cumsum(everything)[:-1]])
    share = np.cumprod(1 - breaks / np.maximum(at_risk, 1))
    left = np.maximum(at_risk - breaks, 1)
    error = share * np.sqrt(np.cumsum(breaks / (at_risk * left)))
    seen = breaks > 0
    time, share, error = time[seen], share[seen], error[seen]
    return Survival(time, share, error, start, *_median(time, share, error))


def _median(time: Floats, share: Floats, error: Floats) -> tuple[float | None, float | None]:
    """Return the time at which half are left and its error, None where more are left."""
    below = np.flatnonzero(share <= 0.5)
    if len(below) == 0:
        return None, None
    after = int(below[0])
    start = 0.0 if after == 0 else float(time[after - 1])
    before = 1.0 if after == 0 else float(share[after - 1])
    span = float(time[after]) - start
    fall = math.log(before / max(float(share[after]), 1e-3))
    # d(median) = d(share) over the slope of the curve there, share/span times the fall.
    middle = start + span * math.log(before / 0.5) / fall
    return middle, float(error[after]) * span / (0.5 * fall)


def sharp(found: Estimate) -> Estimate:
    """Return a life that is known well enough to be given, else nothing."""
    if found.value is None or found.error is None or found.error > WIDEST * found.value:
        return NOTHING
    return found


def rejoining_life(bonds: list[Integers], times: Floats, count: int) -> Estimate:
    """Return the mean life of a bond in s, however uncertain; nothing where too few bonds broke.

    ``samples`` is the number of partings seen. Where no pair is seen to rejoin this is the
    exponential law with interval and right censoring, so that the frame interval makes no bias
    (Lawless, Statistical Models and Methods for Lifetime Data, section 3.3, from memory).
    """
    later = np.append(True, np.diff(times) > 0)
    bonds, times = [b for b, use in zip(bonds, later, strict=True) if use], times[later]
    if len(bonds) < 2:
        return NOTHING
    gaps = Gaps.of(bonds, times, count)
    if gaps.partings < FEWEST_BREAKS or gaps.seen[:, 0].sum() == 0:
        return NOTHING
    rates = fit_rates(gaps)
    return Estimate(rates.life, rates.life * rates.log_error, gaps.partings)


def sees_other_life(
    life: Estimate, bonds: list[Integers], times: Floats, count: int
) -> tuple[float, float] | None:
    """Return the life by every second frame and its error where it contradicts that by all.

    Notes
    -----
    The second estimate is made of a part of what the first is made of, so the variance of their
    difference is the difference of their variances (J. A. Hausman, Econometrica 46, 1251 (1978)).
    """
    other = rejoining_life(bonds[::2], times[::2], count)
    if life.value is None or life.error is None or other.value is None or other.error is None:
        return None
    if not math.isfinite(life.error) or not math.isfinite(other.error):
        return None
    joint = math.sqrt(max(other.error**2 - life.error**2, (0.25 * other.error) ** 2))
    away = abs(other.value - life.value)
    if away > max(DIFFERS * joint, AT_LEAST * life.value):
        return other.value, other.error
    return None


def exchange_rate(groups: list[Integers], times: Floats) -> Estimate:
    """Return the share of chained particles that find wholly other companions, per second.

    Parameters
    ----------
    groups : list of (N,) arrays
        Group of each particle in each frame.
    times : (frames,) array
        Times in s.

    Returns
    -------
    Estimate
        Mean over the intervals between frames. A particle is exchanged where it is in a chain in
        both frames and shares it with none of its former companions.
    """
    rates = []
    for (before, after), span in zip(pairwise(groups), np.diff(times), strict=True):
        if span <= 0:
            continue
        pair = before * (int(after.max()) + 1) + after
        _, inverse, together = np.unique(pair, return_inverse=True, return_counts=True)
        chained = (np.bincount(before)[before] > 1) & (np.bincount(after)[after] > 1)
        if chained.any():
            moved = chained & (together[inverse] == 1)
            rates.append(float(moved.sum() / chained.sum() / span))
    return estimate(rates)


def life_numbers(
    bonds: list[Integers], groups: list[Integers], times: Floats, warnings: list[str]
) -> tuple[dict[str, Any], BondSurvival]:
    """Return the numbers about lives of bonds and the survival curve.

    Parameters
    ----------
    bonds, groups : lists of (B, 2) and (N,) arrays
        Bonded pairs and group of each particle in each averaged frame.
    times : (frames,) array
        Times in s.
    warnings : list of str
        Is given the reasons for what could not be measured.
    """
    out: dict[str, Any] = {
        "bond_life_s": NOTHING.as_dict(),
        "bond_life_median_s": None,
        "bond_life_median_error_s": None,
        "bond_life_from": None,
        "bond_life_standing_s": NOTHING.as_dict(),
        "bond_standing_share": NOTHING.as_dict(),
        "bond_standing_after_s": None,
        "exchange_rate_per_s": NOTHING.as_dict(),
    }
    if len(bonds) < 2 or not any(len(b) for b in bonds):
        return out, BondSurvival.empty()
    count = len(groups[0])
    life, reliable = _born_life(bonds, times, count, warnings)
    law = survival(*spells(bonds, times, count))
    out["bond_life_s"], out["bond_life_from"] = life.as_dict(), law.start
    if reliable:
        out["bond_life_median_s"] = law.median_s
        out["bond_life_median_error_s"] = law.median_error_s
    seen = standing(bonds, times, count)
    out["bond_life_standing_s"] = seen.life.as_dict()
    if len(seen.time_s):
        last = Estimate(float(seen.share[-1]), float(seen.error[-1]), BATCHES, BATCHES - 1.0)
        out["bond_standing_share"] = last.as_dict()
        out["bond_standing_after_s"] = float(seen.time_s[-1])
    warn_of_standing(seen, warnings)
    out["exchange_rate_per_s"] = exchange_rate(groups, times).as_dict()
    return out, BondSurvival(law.time_s, law.share, law.error, seen.time_s, seen.share, seen.error)


def _born_life(
    bonds: list[Integers], times: Floats, count: int, warnings: list[str]
) -> tuple[Estimate, bool]:
    """Return the life from birth, and whether the frames miss so few partings that spells hold."""
    span = float(times[-1] - times[0])
    step = span / (len(bonds) - 1)
    raw = rejoining_life(bonds, times, count)
    life = sharp(raw)
    if raw.value is None:
        warnings.append(
            f"chains.bond_life_s: fewer than {FEWEST_BREAKS} bonds broke in the averaged "
            f"{with_unit(span, 's')}"
        )
        return NOTHING, True
    other = sees_other_life(raw, bonds, times, count)
    if life.value is None or other is not None:
        why = (
            "frames are too far apart to tell it from how often parted pairs rejoin"
            if life.value is None or other is None
            else f"every second frame gives {with_unit(other[0], 's')} and all give "
            f"{with_unit(raw.value, 's')}, so bonds part and rejoin between frames in more "
            "ways than one"
        )
        warnings.append(
            f"chains.bond_life_s: {why}; the life of standing bonds (chains.bond_life_standing_s) "
            "does not depend on that"
        )
        return NOTHING, False
    if life.value < 2 * step:
        warnings.append(
            "chains.bond_life_s: frames are more than half a bond life apart; bonds that broke "
            "and formed again between two frames are accounted for by a model of rejoining pairs"
        )
    missed = Gaps.of(bonds, times, count).rejoined > AT_LEAST * (life.samples or 1)
    return life, not missed
