"""How long bonds last, and how chains exchange particles, from frames at intervals.

What happens between two frames is not seen: a bond counts as unbroken if it is there at both.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.uncertainty import NOTHING, Estimate, estimate

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

FEWEST_BIRTHS = 30
"""Bonds seen to form, from which on they alone make the survival curve."""

FEWEST_BREAKS = 5


@dataclass(frozen=True)
class Survival:
    """Share of bonds that last longer than a time, and where the clock starts.

    Attributes
    ----------
    time_s, share, error : ndarray
        Times in s, Kaplan-Meier survival and its standard error, (n,).
    start : str
        "birth": bonds seen to form; "first frame": bonds of unknown age, followed from there.
    median_s : float or None
        Time at which half have broken, None where fewer have.
    """

    time_s: Floats
    share: Floats
    error: Floats
    start: str
    median_s: float | None


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
    below = np.flatnonzero(share <= 0.5)
    seen = breaks > 0
    return Survival(
        time[seen],
        share[seen],
        error[seen],
        start,
        float(time[below[0]]) if len(below) else None,
    )


def bond_life(bonds: list[Integers], times: Floats, count: int) -> Estimate:
    """Return the mean life of a bond in s, for bonds that break at random.

    Parameters
    ----------
    bonds, times, count : list, (frames,) array, int
        As in ``spells``.

    Returns
    -------
    Estimate
        ``samples`` is the number of breaks seen; nothing below ``FEWEST_BREAKS``.

    Notes
    -----
    Largest likelihood of whether each bond of a frame is whole at the next, exp(-dt/life): the
    exponential law with interval and right censoring, so that the frame interval makes no bias
    (Lawless, Statistical Models and Methods for Lifetime Data, section 3.3, from memory). The
    error is that of the likelihood.
    """
    from scipy.optimize import brentq

    keys = [b[:, 0] * count + b[:, 1] for b in bonds]
    span = np.diff(times)
    whole = np.array([len(np.intersect1d(a, b)) for a, b in pairwise(keys)])
    broken = np.array([len(a) for a in keys[:-1]]) - whole
    use = span > 0
    span, whole, broken = span[use], whole[use], broken[use]
    if broken.sum() < FEWEST_BREAKS or whole.sum() == 0:
        return NOTHING

    def slope(log_rate: float) -> float:
        x = np.minimum(np.exp(log_rate) * span, 600.0)  # e^600 is still a number
        return float(np.sum(broken * x / np.expm1(x) - whole * x))

    middle = math.log(broken.sum() / float((span * (whole + broken)).sum()))
    log_rate = brentq(slope, middle - 10, middle + 10)
    x = math.exp(log_rate) * span
    information = np.sum((whole + broken) * x**2 / np.expm1(x))
    life = math.exp(-log_rate)
    return Estimate(life, life / math.sqrt(float(information)), int(broken.sum()))


def exchange_rate(groups: list[Integers], times: Floats) -> Estimate:
    """Return the share of chained particles a second that find wholly other companions.

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
        _, inverse, together = np.unique(
            np.stack([before, after], axis=1), axis=0, return_inverse=True, return_counts=True
        )
        chained = (np.bincount(before)[before] > 1) & (np.bincount(after)[after] > 1)
        if chained.any():
            moved = chained & (together[inverse.ravel()] == 1)
            rates.append(float(moved.sum() / chained.sum() / span))
    return estimate(rates)


def life_numbers(
    bonds: list[Integers], groups: list[Integers], times: Floats, warnings: list[str]
) -> tuple[dict[str, Any], dict[str, Any]]:
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
    empty: dict[str, Any] = {
        "bond_life_s": NOTHING.as_dict(),
        "bond_life_median_s": None,
        "bond_life_from": None,
        "exchange_rate_per_s": NOTHING.as_dict(),
    }
    curve: dict[str, Any] = {"time_s": np.zeros(0), "share": np.zeros(0), "error": np.zeros(0)}
    if len(bonds) < 2 or not any(len(b) for b in bonds):
        return empty, curve
    count = len(groups[0])
    life = bond_life(bonds, times, count)
    law = survival(*spells(bonds, times, count))
    span = float(times[-1] - times[0])
    if life.value is None:
        warnings.append(
            f"chains.bond_life_s: fewer than {FEWEST_BREAKS} bonds broke in the averaged "
            f"{span:.3g} s"
        )
    elif life.value < 2 * span / (len(bonds) - 1):
        warnings.append(
            "chains.bond_life_s: frames are more than half a bond life apart, so bonds that broke "
            "and formed again between two frames count as whole"
        )
    curve |= {"time_s": law.time_s, "share": law.share, "error": law.error}
    return {
        "bond_life_s": life.as_dict(),
        "bond_life_median_s": law.median_s,
        "bond_life_from": law.start,
        "exchange_rate_per_s": exchange_rate(groups, times).as_dict(),
    }, curve
