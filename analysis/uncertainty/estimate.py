"""A measured number with its error: averages over correlated frames and over chains in them.

A frame says something new only after the film has forgotten the one before, so the error of a
time average counts independent frames, not frames. Three estimators share the work: the
integrated autocorrelation time, blocks of automatic length, and, for structures that hardly change
during a run (frozen chains), the scatter between the chains of one frame. An error from few
independent frames is itself uncertain: Student's factor widens it, so that value +- error covers
the truth in 68 of 100 cases and ``Estimate.interval`` in as many as asked for. The measured
coverage stands in tests/benchmarks/README.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.common.arrays import Floats
from analysis.common.averages.memory import Memory, memory
from analysis.common.averages.student import ONE_SIGMA, student_factor
from analysis.common.averages.time_average import FEWEST_BLOCKS, time_error
from analysis.uncertainty.ratio import ratio

FEWEST_SAMPLES = 8
"""A number from fewer independent samples says so: its error holds only roughly."""


@dataclass(frozen=True)
class Estimate:
    """A measured number.

    Attributes
    ----------
    value : float or None
        None where it could not be measured.
    error : float or None
        Standard error, widened by Student's factor: value +- error covers the truth in 68 of 100
        cases.
    samples : int
        Independent samples behind it.
    freedom : float
        Degrees of freedom of the error; infinite for one that is well known.
    """

    value: float | None
    error: float | None
    samples: int
    freedom: float = field(default=math.inf, compare=False)

    def interval(self, level: float = 0.95) -> tuple[float, float] | None:
        """Return the two ends of the interval that covers the truth in this share of cases."""
        if self.value is None or self.error is None:
            return None
        wider = student_factor(level, self.freedom) / student_factor(ONE_SIGMA, self.freedom)
        return self.value - wider * self.error, self.value + wider * self.error

    def as_dict(self) -> dict[str, Any]:
        """Return the entry of measures.json."""
        ends = self.interval()
        return {
            "value": self.value,
            "error": self.error,
            "samples": self.samples,
            "interval_95": None if ends is None else list(ends),
        }


NOTHING = Estimate(None, None, 0)


def estimate(
    series: ArrayLike,
    *,
    within: ArrayLike | None = None,
    structures: float | None = None,
    parts: ArrayLike | None = None,
) -> Estimate:
    """Return the mean of a series with its standard error.

    Parameters
    ----------
    series : (n,) array
        One value a frame, evenly spaced; values that are not finite are left out.
    within : (n,) array, optional
        Standard error of each value from the scatter inside its frame.
    structures : float, optional
        How many independent structures the series has seen (see ``relaxation.bond_survival``).
        What the scatter inside the frames exceeds that from frame to frame by is shared by all
        frames; its variance is added over that number.
    parts : (n, k, 2) array, optional
        Sums of numerators and denominators over k parts of the film that are independent of each
        other, the same parts in all frames. Where ``structures`` is given, their scatter over the
        whole series tells what all frames share better than the scatter inside the frames can.

    Returns
    -------
    Estimate
        ``samples`` is the number of independent frames, at least 1; below ``FEWEST_SAMPLES`` the
        series is too short for its error to hold, and the number is given all the same. Without
        ``parts`` it is at most ``structures``: whether a part of the variance is common to all
        frames a short series cannot know.
    """
    values = np.asarray(series, dtype=np.float64)
    good = np.isfinite(values)
    values = values[good]
    count = len(values)
    if count == 0:
        return NOTHING
    known = memory(values)
    error, freedom, samples = time_error(values, known)
    inside = _root_mean_square(
        np.asarray(within, dtype=np.float64)[good] if within is not None else np.empty(0)
    )
    known_parts = _parts_error(parts, good) if structures is not None and count >= 4 else None
    if known_parts is not None and error is not None:
        error, freedom, shrunk = _joined((error, freedom), known_parts)
        samples = max(1.0, samples * shrunk)
        return Estimate(float(values.mean()), error, int(samples), freedom)
    if structures is not None:
        samples = max(1.0, min(samples, structures))
    if inside is not None and (structures is not None or count < 4):
        hidden = _hidden(values, known, inside) if count >= 4 else inside
        scatter = hidden / math.sqrt(max(1.0, structures or 1.0))
        if error is None or count < 4:
            error, freedom = max(error or 0.0, inside / math.sqrt(samples)), math.inf
        elif hidden > 0:
            joint = math.hypot(error, scatter)
            samples = max(1.0, min(samples, (inside / joint) ** 2))
            # Degrees of freedom of a sum of variances: Satterthwaite, Biometrics Bull. 2, 110
            # (1946); those of the part inside frames are many.
            freedom = freedom * (joint / error) ** 4 if error > 0 else math.inf
            error = joint
    return Estimate(float(values.mean()), error, int(samples), freedom)


def estimate_of_pairs(rows: list[tuple[float, float]], structures: float | None) -> Estimate:
    """Return the mean of values that each come with the error inside its frame, see `estimate`."""
    value, within = np.array(rows).T if rows else np.zeros((2, 0))
    return estimate(value, within=within, structures=structures)


def _parts_error(parts: ArrayLike | None, good: NDArray[np.bool_]) -> tuple[float, float] | None:
    """Return the plain error of a ratio from its parts and their freedoms; None from too few."""
    if parts is None:
        return None
    tops, bottoms = np.asarray(parts, dtype=np.float64)[good].sum(axis=0).T
    filled = bottoms > 0
    if filled.sum() < FEWEST_BLOCKS:
        return None
    _, error = ratio(tops[filled], bottoms[filled])
    # Uneven parts count as fewer: (sum b)^2/sum b^2 of them.
    even = float(bottoms.sum()) ** 2 / float((bottoms**2).sum())
    return error, max(1.0, even - 1.0)


def _joined(series: tuple[float, float], parts: tuple[float, float]) -> tuple[float, float, float]:
    """Return the error, its freedoms and the share of samples that is left, of two estimates.

    ``series`` is the error along the frames, widened by Student's factor, with its freedoms;
    ``parts`` that between parts, not widened. The series misses what all frames share, the parts
    miss what moves them alike. Where they agree both count by their freedoms; else the larger.
    """
    along, first = series
    plain = along / student_factor(ONE_SIGMA, first)
    across, second = parts
    if not plain > 0:
        # Where nothing ever differs, along the frames or across, each of them says the same.
        return across * student_factor(ONE_SIGMA, second), second, 0.0 if across > 0.0 else 1.0
    apart = 1 + math.sqrt(2 / first + 2 / second)
    if across**2 > apart * plain**2:
        joint, freedom = across, second
    elif plain**2 > apart * across**2:
        return along, first, 1.0
    else:
        freedom = first + second
        joint = math.sqrt((first * plain**2 + second * across**2) / freedom)
    return joint * student_factor(ONE_SIGMA, freedom), freedom, min(1.0, (plain / joint) ** 2)


def _hidden(values: Floats, known: Memory, inside: float) -> float:
    """Return the standard deviation that all frames share and their series does not show.

    The variance of a frame about the truth is that seen along the series and a hidden rest. The
    former is taken one standard error high, so that frames that are independent, and show all of
    it, keep the error of their series.
    """
    count = len(values)
    share = min(2 * known.time / count, 0.5)
    shown = float(values.var()) / (1 - share)
    freedom = max(1.0, count / (2 * known.time) - 1.0)
    return math.sqrt(max(0.0, inside**2 - shown * (1 + math.sqrt(2 / freedom))))


def _root_mean_square(values: Floats) -> float | None:
    """Return the root mean square of the finite values, None without any."""
    finite = values[np.isfinite(values)]
    return float(np.sqrt((finite**2).mean())) if len(finite) else None
