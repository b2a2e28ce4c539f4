"""Growth of chains after switch-on, and the moment of switch-off."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.arrays import Floats
from analysis.response.growth_laws import SINGLE, Crossover, crossover
from analysis.uncertainty.estimate import NOTHING, Estimate

GROWTH_FROM = 0.4
"""Growth is fitted from this many diffusion times t0 after switch-on."""

DECADE = 9.99
"""Ratio of the last time to the earliest allowed one that counts as a decade."""

SEEN_AT_LEAST = 6.0
"""Ratio of the last to the first frame in it, since frames do not fall on its start."""

SPANNING_LIMIT = 0.01
GROWN = 1.5
OFF_SHARE = 0.01
"""A field under this share of the largest is off."""


@dataclass(frozen=True)
class Growth:
    """Exponent of the growth of a mean length, the times it was fitted over, and why not if not.

    ``crossover`` holds two exponents where a single one does not serve.
    """

    exponent: Estimate
    from_s: float | None
    to_s: float | None
    reason: str | None
    crossover: Crossover = SINGLE


def growth(
    times: Floats, length: Floats, error: Floats, spanning: Floats, unit_time: float | None
) -> Growth:
    """Return the exponent z of length ~ t^z.

    Parameters
    ----------
    times : (n,) array
        Times since switch-on in s, as long as the field stayed on.
    length, error, spanning : (n,) arrays
        Mean length, its error from the scatter between chains, and spanning share, of each frame.
    unit_time : float or None
        Diffusion time t0 = d0^2/D0 in s.

    Returns
    -------
    Growth
        The exponent is None unless the fit spans a decade beyond 0.4 t0 with a spanning share
        under 1 %. Frames are first averaged over equal steps of ln t, so that late times, where
        frames are dense, do not outweigh the early ones. The error is the largest of that of the
        straight-line fit, half the difference of the slopes of its two halves, and what the
        scatter between the chains of the first and last frames makes of the slope.
    """
    if unit_time is None or not unit_time > 0:
        return Growth(NOTHING, None, None, "the diffusion time of the particles is not recorded")
    first = GROWTH_FROM * unit_time
    past = np.flatnonzero(spanning >= SPANNING_LIMIT)
    use = np.arange(len(times)) < (past[0] if len(past) else len(times))
    use &= (times >= first * (1 - 1e-9)) & np.isfinite(length) & (length > 0)
    t, s = times[use], length[use]
    reason = _no_growth(t, s, first)
    if reason is not None:
        seen = (float(t[0]), float(t[-1])) if len(t) else (None, None)
        return Growth(NOTHING, seen[0], seen[1], reason)
    x, y = _log_bins(t, s)
    slope, spread = _slope(x, y)
    middle = len(x) // 2
    halves = [_slope(x[: middle + 1], y[: middle + 1])[0], _slope(x[middle:], y[middle:])[0]]
    # The same chains are seen in all frames, so their scatter does not average out over them.
    ends = float(np.hypot(*(error / length)[use][[0, -1]]))  # NaN where one is not known
    spread = max(spread, 0.5 * abs(halves[1] - halves[0]), ends / (x[-1] - x[0]))
    bins = _bins(np.log(t))
    two = crossover(t, s, 1.0 / np.bincount(bins)[bins], ends / math.sqrt(2))
    found = Estimate(slope, None if math.isnan(ends) else spread, len(x))
    return Growth(found, float(t[0]), float(t[-1]), None, two)


def growth_stages(found: Growth) -> dict[str, Any]:
    """Return the entries of ``relaxation`` on the stages of growth; exponents only for two."""
    out: dict[str, Any] = {"growth_law": found.crossover.law if found.reason is None else None}
    if found.reason is None and found.crossover.law != SINGLE.law:
        out["growth_early_exponent"] = found.crossover.early.as_dict()
        out["growth_late_exponent"] = found.crossover.late.as_dict()
        out["growth_crossover_s"] = found.crossover.time.as_dict()
    return out


def _no_growth(times: Floats, length: Floats, first: float) -> str | None:
    """Return why no exponent can be told from these frames, None where it can."""
    if len(times) < 4:
        return f"fewer than 4 frames lie beyond {first:.3g} s with a spanning share under 1 %"
    seen = float(times[-1] / times[0])
    if times[-1] / first < DECADE:
        return (
            f"growth is seen over a factor {seen:.2g} in time; a decade beyond {first:.3g} s is "
            "needed"
        )
    if seen < SEEN_AT_LEAST or len(_log_bins(times, length)[0]) < 4:
        return "frames are too sparse at early times to fit a decade"
    if length.max() < GROWN:
        return f"no chains grow: the mean length stays under {GROWN}"
    return None


def _bins(log_time: Floats, per_decade: int = 8) -> NDArray[np.int64]:
    """Return the number of the equal step of ln t that each frame lies in."""
    step = math.log(10) / per_decade
    return np.asarray(np.floor((log_time - log_time[0]) / step + 1e-9), dtype=np.int64)


def _log_bins(times: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Return ln t and ln value averaged over equal steps of ln t."""
    x, y = np.log(times), np.log(values)
    bins = _bins(x)
    many = np.bincount(bins)
    filled = many > 0
    return np.bincount(bins, x)[filled] / many[filled], np.bincount(bins, y)[filled] / many[filled]


def _slope(x: Floats, y: Floats) -> tuple[float, float]:
    """Return slope and standard error of a straight line."""
    away = x - x.mean()
    square = float((away**2).sum())
    if square == 0:
        return 0.0, math.inf
    slope = float((away * y).sum()) / square
    left = y - y.mean() - slope * away
    return slope, math.sqrt(float((left**2).sum()) / max(1, len(x) - 2) / square)


def switch_off(field: Floats) -> int | None:
    """Return the last frame before the field goes off for good, None where it does not.

    Parameters
    ----------
    field : (n, 3) array
        Field in T at every frame.
    """
    size = np.linalg.norm(field, axis=1)
    largest = float(size.max(initial=0.0))
    if largest == 0 or size[-1] > OFF_SHARE * largest:
        return None
    return int(np.flatnonzero(size > OFF_SHARE * largest)[-1])
