"""Words about the stages of the field, and which of them the headline is about."""

from __future__ import annotations

import math
from typing import Any

from analysis.uncertainty.number_text import with_unit


def field_words(field_t: float) -> str:
    """Say how strong the field of a stage is."""
    return "the field off" if field_t == 0.0 else f"a field of {with_unit(field_t, 'T')}"


def averaged_over(numbers: dict[str, Any]) -> str:
    """Say over which time and in which field the numbers are averaged; "" where unknown."""
    rest, field = numbers.get("equilibration"), numbers.get("magnetisation")
    if not isinstance(rest, dict) or not isinstance(field, dict):
        return ""
    ends = [rest.get("from_time_s"), rest.get("to_time_s"), field.get("field_t")]
    if not all(isinstance(end, int | float) and math.isfinite(end) for end in ends):
        return ""
    first, last, size = (float(end) for end in ends if end is not None)
    joined = "with" if size == 0.0 else "in"
    return f"{with_unit(first, 's')} to {with_unit(last, 's')}, {joined} {field_words(size)}"
