"""What a measured number can be: intervals end there, however few samples widen them."""

from __future__ import annotations

import math
from typing import Any

from analysis.quantities.all import MEASURED

_ENDS = {one.key: one.ends for one in MEASURED}


def possible_range(key: str) -> tuple[float, float]:
    """Return the least and the largest value that a key of measures.json can have.

    Parameters
    ----------
    key : str
        Such as "mean_length" or "width_m".

    Returns
    -------
    (float, float)
        Infinite where nothing is known.
    """
    return _ENDS.get(key, (-math.inf, math.inf))


def keep_possible(numbers: Any, key: str = "") -> Any:
    """Return measured numbers whose intervals end where the number cannot be.

    Parameters
    ----------
    numbers : dict, list or anything
        Sections of measures.json, to any depth; not changed.
    key : str
        Key under which ``numbers`` stands.

    Returns
    -------
    dict, list or anything
        A copy; value and error of each entry as they were.
    """
    if isinstance(numbers, list):
        return [keep_possible(item, key) for item in numbers]
    if not isinstance(numbers, dict):
        return numbers
    kept = {name: keep_possible(item, name) for name, item in numbers.items()}
    ends = kept.get("interval_95")
    if isinstance(ends, list):
        least, largest = possible_range(key)
        kept["interval_95"] = [min(max(end, least), largest) for end in ends]
    return kept
