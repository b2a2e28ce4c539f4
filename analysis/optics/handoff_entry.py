"""One value of the hand-off: with its error, unit and definition."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from analysis.optics import definitions as text

__all__ = ["Entry", "entry", "plain_number", "value_and_error"]

Entry = dict[str, Any]


def entry(key: str, value: Any, error: Any = None) -> Entry:
    """Return a value with its error (None: computed, or unmeasured), unit and definition."""
    unit, definition = text.DEFINITIONS[key]
    return {
        "value": plain_number(value),
        "error": plain_number(error),
        "unit": unit,
        "definition": definition,
    }


def plain_number(value: Any) -> Any:
    """Return a plain number, list or text; None for what is not finite."""
    if isinstance(value, np.ndarray | list | tuple):
        return [plain_number(item) for item in value]
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    return int(value) if isinstance(value, np.integer) else value


def value_and_error(numbers: dict[str, Any], section: str, key: str) -> tuple[Any, Any]:
    """Return value and error of a measured number; a plain one has no error."""
    found = numbers.get(section, {}).get(key)
    if isinstance(found, dict):
        return found.get("value"), found.get("error")
    return found, None
