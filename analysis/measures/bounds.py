"""What a measured number can be: intervals end there, however few samples widen them."""

from __future__ import annotations

import math
from typing import Any

__all__ = ["keep_possible", "possible_range"]

# By key, then by how a key ends.
_KEYS = {
    "mean_length": (1.0, math.inf),
    "weight_mean_length": (1.0, math.inf),
    "linear_mean_length": (1.0, math.inf),
    "longest": (1.0, math.inf),
    "strands": (1.0, math.inf),
    "straightness": (0.0, 1.0),
    "share": (0.0, 1.0),
    "order": (-0.5, 1.0),
    "moment_order": (-0.5, 1.0),
    "relative": (-1.0, 1.0),
}
_ENDINGS = {
    "_share": (0.0, 1.0),
    "_fraction": (0.0, 1.0),
    "_m": (0.0, math.inf),
    "_m2": (0.0, math.inf),
    "_s": (0.0, math.inf),
    "_hz": (0.0, math.inf),
    "_per_m": (0.0, math.inf),
    "_per_s": (0.0, math.inf),
    "_rest_length": (1.0, math.inf),
}


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
    if key in _KEYS:
        return _KEYS[key]
    ending = next((ending for ending in _ENDINGS if key.endswith(ending)), None)
    return (-math.inf, math.inf) if ending is None else _ENDINGS[ending]


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
