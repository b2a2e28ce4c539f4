"""A decay after switch-off in words: its time, or bounds on it and why there is no more."""

from __future__ import annotations

import math
from typing import Any

from analysis.quantities.all import quantity
from analysis.uncertainty.number_text import NOT_MEASURED, as_float, measured, with_error, with_unit

DECAY_TIME = "_decay_time_s"
"""How the key of a decay time ends."""
DECAYS = ("length", "alignment", "magnetisation")
"""What falls after switch-off, as keys of ``relaxation`` begin."""


def decay_time(numbers: dict[str, Any], quantity: str) -> str:
    """Return a decay time with its error, or its bounds.

    Parameters
    ----------
    numbers : dict
        Content of measures.json.
    quantity : str
        "length", "alignment" or "magnetisation".

    Returns
    -------
    str
        Such as "12.2 ± 2.0 µs", "more than 120 µs", "1 µs to 3 µs"; "not measured" where nothing is
        known.
    """
    value, error = measured(numbers, "relaxation", quantity + DECAY_TIME)
    if math.isfinite(value):
        return with_error(value, error, "s")
    low, high = decay_bounds(numbers, quantity)
    if math.isfinite(low) and math.isfinite(high):
        return f"{with_unit(low, 's', 2)} to {with_unit(high, 's', 2)}"
    if math.isfinite(low):
        return f"more than {with_unit(low, 's', 2)}"
    return f"less than {with_unit(high, 's', 2)}" if math.isfinite(high) else NOT_MEASURED


def decay_bounds(numbers: dict[str, Any], quantity: str) -> tuple[float, float]:
    """Return between which times in s a decay time without a value lies, NaN where unknown."""
    found = numbers.get("relaxation")
    block = found if isinstance(found, dict) else {}
    ends = (f"{quantity}_decay_{end}_than_s" for end in ("longer", "shorter"))
    low, high = (as_float(block.get(key)) for key in ends)
    return low, high


def decay_rows(numbers: dict[str, Any]) -> list[tuple[str, str]]:
    """Return label and text of each decay time after a switch-off; none without one."""
    found = numbers.get("relaxation")
    if not isinstance(found, dict):
        return []
    return [
        (quantity(f"relaxation.{key}{DECAY_TIME}").label, decay_time(numbers, key))
        for key in DECAYS
        if key + DECAY_TIME in found
    ]
