"""A number over the fluids that may be in a bottle: error of the runs, and that of the bottle."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.common.averages.student import student_factor
from analysis.uncertainty.estimate import Estimate
from analysis.uncertainty.number_text import as_float, with_error, with_unit

FLUID = "fluid"
"""Column of the number of a run's fluid, from 1; there of ensembles only."""
BOTTLE, TOGETHER = "_bottle", "_together"
"""Ends of the columns of both errors of a measure."""


@dataclass(frozen=True)
class OverFluids:
    """A measured number over equally likely fluids.

    Attributes
    ----------
    fluids : int
        Of how many it is known.
    mean : float or None
        Mean over them.
    run : float or None
        Standard error of that mean from the errors of the runs alone.
    bottle : float or None
        Standard deviation from fluid to fluid beyond what the errors of the runs explain: how far
        the film of the true fluid lies from the mean.
    together : float or None
        Error of the mean as the number of the true fluid: both, and that so few fluids tell the
        mean.
    """

    fluids: int
    mean: float | None = None
    run: float | None = None
    bottle: float | None = None
    together: float | None = None

    def interval(self, level: float = 0.95) -> tuple[float, float] | None:
        """Give the ends between which the number of the true fluid lies in so many cases."""
        if self.mean is None or self.together is None:
            return None
        reach = student_factor(level, self.fluids - 1.0) * self.together
        return self.mean - reach, self.mean + reach


def over_fluids(each: Sequence[Estimate]) -> OverFluids:
    """Tell a number over fluids.

    Parameters
    ----------
    each : sequence of Estimate
        The number of each fluid; those without a value are left out.

    Returns
    -------
    OverFluids
        With e_f the errors of n fluids and s the standard deviation of their values:
        run^2 = sum e_f^2/n^2, bottle^2 = s^2 - mean e_f^2, not below zero, and
        together^2 = (1 + 1/n) bottle^2 + run^2: analysis of variance of one way (textbook).
    """
    good = [one for one in each if one.value is not None]
    count = len(good)
    if not count:
        return OverFluids(0)
    values = np.array([one.value for one in good], dtype=np.float64)
    mean = float(values.mean())
    errors = [one.error for one in good]
    known = [error for error in errors if error is not None]
    noise = sum(error**2 for error in known) / count if len(known) == count else None
    run = None if noise is None else math.sqrt(noise / count)
    if count < 2:
        return OverFluids(count, mean, run)
    bottle = math.sqrt(max(float(values.var(ddof=1)) - (noise or 0.0), 0.0))
    together = math.sqrt((1.0 + 1.0 / count) * bottle**2 + (run or 0.0) ** 2)
    return OverFluids(count, mean, run, bottle, together)


def mean_words(fluids: int) -> str:
    """Say what the number of a point is and what its bar, over so many fluids or over replicas."""
    if fluids:
        return "Mean over fluids with the error of runs and bottle together"
    return light_words(fluids)


def light_words(fluids: int) -> str:
    """Say the same of numbers of light, whose error is that of the scatter of all runs."""
    return f"Mean over {'fluids' if fluids else 'replicas'} with its standard error"


def whole_error(row: dict[str, Any], column: str) -> float:
    """Give the error of a measure in a row of the summary: both together of an ensemble."""
    return as_float(row.get(f"{column}{TOGETHER}", row[f"{column}_error"]))


def errors_text(row: dict[str, Any], column: str, unit: str) -> str:
    """Give a measure of an ensemble with the error of its runs and that of the bottle, in words."""
    value, run, bottle = (as_float(row[f"{column}{end}"]) for end in ("", "_error", BOTTLE))
    if not math.isfinite(value) or not math.isfinite(bottle):
        return with_error(value, run, unit)
    is_exact = not math.isfinite(run)  # computed, not measured
    told = with_unit(value, unit) if is_exact else f"{with_error(value, run, unit)} (runs)"
    together = with_error(value, whole_error(row, column), unit).partition(" ± ")[2]
    apart = with_unit(bottle, unit, 2) if bottle else "0"
    return f"{told}, ± {apart} (bottle), ± {together} together"
