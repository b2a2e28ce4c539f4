"""What a sheet tells, as plain numbers and texts: the content of fluid.json."""

from __future__ import annotations

import math
from typing import Any

from sim.fluid.findings import Findings, Number
from sim.physics.units import format_quantity

_UNITS = {
    "length": "m", "magnetisation": "a_per_m", "density": "kg_per_m3", "viscosity": "pa_s",
}  # fmt: skip
"""Unit at the end of a key, by dimension."""


def key_of(name: str, dimension: str) -> str:
    """Give the key of a number, with its unit."""
    unit = _UNITS.get(dimension)
    return f"{name}_{unit}" if unit else name


def content(findings: Findings) -> dict[str, Any]:
    """Give numbers, intervals, data beside the best fit, priors and sentences.

    Parameters
    ----------
    findings : Findings
        What the sheet tells.

    Returns
    -------
    dict
        ``numbers`` with value (mean of all fluids that fit), error (their standard deviation) and
        intervals; ``best_fit``; ``data``; ``correlations``; ``ends_of_curve``; ``priors``,
        ``assumptions``, ``untold`` and ``cautions`` as sentences. SI, the unit at the end of a key.
    """
    numbers = findings.numbers
    return {
        "title": findings.model.sheet.title,
        "numbers": {
            key_of(name, number.dimension): _number(number) for name, number in numbers.items()
        },
        "best_fit": _best(findings),
        "data": _data(findings),
        "misses": findings.misses(),
        "correlations": {f"{a}, {b}": tie for (a, b), tie in findings.correlations.items()},
        "ends_of_curve": _ends(findings),
        "priors": [one.text for one in findings.model.unknowns],
        "assumptions": findings.model.sheet.assumptions,
        "untold": findings.untold(),
        "cautions": findings.cautions(),
    }


def _number(number: Number) -> dict[str, Any]:
    return {
        "name": number.words,
        "value": number.mean,
        "error": number.error,
        "interval_68": list(number.interval(0.68)),
        "interval_95": list(number.interval(0.95)),
    }


def _best(findings: Findings) -> dict[str, float]:
    fluids = findings.model.fluids(findings.best[None, :])
    return {
        key_of(one.name, one.dimension): float(fluids[one.name][0])
        for one in findings.model.unknowns
    }


def _data(findings: Findings) -> dict[str, Any]:
    """Give each number of the sheet beside what the best fluid shows."""
    model = findings.model
    shown = model.predicted(model.fluids(findings.best[None, :]))
    found = {}
    for name, values in shown.items():
        value = model.sheet.numbers.get(name) or getattr(model.sheet, name)
        fitted = float(values[0])
        found[name] = {
            "sheet": value.text,
            "best_fit": format_quantity(fitted, value.dimension),
            "deviation_in_errors": (fitted - value.value) / value.error,
        }
    return found


def _ends(findings: Findings) -> dict[str, float] | None:
    """Give what both ends of the curve say by themselves."""
    ends, sizes = findings.ends, findings.log_normal
    if ends is None or sizes is None:
        return None
    dead = findings.numbers["dead_layer"].mean
    return {
        "susceptibility": ends.susceptibility,
        "saturation_a_per_m": ends.saturation,
        "intercept_a_per_m": ends.intercept,
        "magnetic_volume_median_m": sizes.volume_median,
        "size_spread": sizes.spread,
        "magnetic_number_median_m": sizes.number_median,
        "core_diameter_with_mean_dead_layer_m": sizes.number_median + 2.0 * dead,
        "share_of_saturation_reached": ends.risen if math.isfinite(ends.risen) else 0.0,
    }
