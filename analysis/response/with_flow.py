"""Section ``with_flow``: times as they are where particles stir the liquid.

A run without that flow moves each particle as if it were alone. Its times are divided, and its
rates multiplied, by factors measured once (`analysis.common.flow_factors`). A run with it needs no
correction: its times stand here as they are.
"""

from __future__ import annotations

import math
from typing import Any

from analysis.common.averages.student import ONE_SIGMA, student_factor
from analysis.common.flow_factors import Factor, factors_of
from analysis.trajectory.run import Run
from analysis.uncertainty.estimate import NOTHING, Estimate
from analysis.uncertainty.number_text import value_and_error

NAME = "with_flow"

DIVIDED = (
    ("relaxation", "length_decay_time_s", "decay"),
    ("relaxation", "alignment_decay_time_s", "decay"),
    ("way_to_rest", "switch_on_half_time_s", "growth"),
    ("way_to_rest", "switch_on_rest_time_s", "growth"),
    ("way_to_rest", "switch_off_half_time_s", "decay"),
)
"""Times that are divided: section, key, which factor."""

MULTIPLIED = (("relaxation", "break_up_frequency_hz", "turning"),)
"""Rates that are multiplied."""

ONE = Factor(1.0, 0.0, True)

_LEVELS = {"interval_68": ONE_SIGMA, "interval_95": 0.95}
"""Bands of a lopsided time, and the share of cases in which each holds the truth."""


def has_flow(run: Run) -> bool | None:
    """Say whether particles of a run stirred the liquid; None for files of other origin."""
    if not run.resolved:
        return None
    motion = run.resolved.get("motion") or {}
    return bool(motion.get("flow") == "hydrodynamic")


def factors(run: Run, length: float | None) -> dict[str, Factor]:
    """Return the factors of growth, decay and turning of a film whose chains have a mean length."""
    volume = run.sides[0] * run.sides[1] * run.thickness
    fraction = float(math.pi / 6.0 * run.held * (run.diameters**3).mean() / volume)
    thickness = run.thickness / float(run.diameters.mean())
    return factors_of(length or 1.0, fraction, thickness)


def with_flow(run: Run, numbers: dict[str, Any], warnings: list[str]) -> dict[str, Any]:
    """Return the section, from those that hold the times as simulated.

    Parameters
    ----------
    run : Run
    numbers : dict
        Content of measures.json so far.
    warnings : list of str
        A film outside of what the factors were measured for is added.

    Returns
    -------
    dict
        ``growth_factor``, ``decay_factor``, ``turning_factor``, and each time or rate, its key
        with ``_with_flow`` before the unit. Empty where the run has no times, or where it is not
        known whether it had the flow.
    """
    stirred = has_flow(run)
    if stirred is None or run.is_sampled:
        return {}
    length, _ = value_and_error((numbers.get("chains") or {}).get("mean_length"))
    found = factors(run, length if math.isfinite(length) else None)
    if stirred:
        found = dict.fromkeys(found, ONE)
    out: dict[str, Any] = {
        f"{kind}_factor": Estimate(one.value, one.error, 1).as_dict() for kind, one in found.items()
    }
    for power, entries in ((-1.0, DIVIDED), (1.0, MULTIPLIED)):
        for section, key, kind in entries:
            stem, _, unit = key.rpartition("_")
            out[f"{stem}_with_flow_{unit}"] = _scaled(numbers, section, key, found[kind], power)
    told = any(entry["value"] is not None for key, entry in out.items() if "_with_flow_" in key)
    outside = [kind for kind, one in found.items() if not one.inside]
    if outside and told:
        warnings.append(
            f"with_flow: the film lies outside of what the factors of {', '.join(outside)} were "
            "measured for; those of the nearest film stand for it"
        )
    return out


def _scaled(
    numbers: dict[str, Any], section: str, key: str, factor: Factor, power: float
) -> dict[str, Any]:
    """Return a time or rate with the flow, with the errors of both."""
    content = numbers.get(section)
    simulated = content.get(key) if isinstance(content, dict) else None
    value, error = value_and_error(simulated)
    if not isinstance(simulated, dict) or not math.isfinite(value):
        return NOTHING.as_dict()
    scaled = value * factor.value**power
    share = math.hypot(error / value if value else 0.0, factor.error / factor.value)
    entry = Estimate(scaled, scaled * share, int(simulated.get("samples") or 1)).as_dict()
    if simulated.get("interval_68") is None:
        return entry
    # A lopsided band keeps its shape: a symmetric one would reach below zero.
    return {**entry, **{band: _band(simulated, band, scaled, factor) for band in _LEVELS}}


def _band(simulated: dict[str, Any], band: str, scaled: float, factor: Factor) -> list[float]:
    """Return the two ends of a band with the flow.

    The share by which an end lies off the value and that of the factor are independent, so that
    their logarithms add in quadrature.
    """
    value, ends = simulated["value"], simulated[band]
    wider = student_factor(_LEVELS[band], math.inf) * factor.error / factor.value
    below, above = (abs(math.log(end / value)) if end > 0.0 else math.inf for end in ends)
    return [
        scaled * math.exp(-math.hypot(below, wider)), scaled * math.exp(math.hypot(above, wider))
    ]  # fmt: skip
