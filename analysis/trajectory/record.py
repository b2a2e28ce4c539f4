"""What a run recorded of itself under /parameters, checked as far as a measurement uses it."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.attributes import attribute
from analysis.common.large_numbers import LARGEST_NUMBER, within_reach
from analysis.files.checks import NUMBER, largest

__all__ = ["record", "wrong_entry"]


def _number(value: Any) -> bool:
    """Whether a value is a finite number, or absent."""
    if value is None:
        return True
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return abs(value) <= LARGEST_NUMBER and math.isfinite(value)


def _positive(value: Any) -> bool:
    return value is None or (_number(value) and value > 0)


def _not_negative(value: Any) -> bool:
    return value is None or (_number(value) and value >= 0)


def _vector(value: Any) -> bool:
    return (
        isinstance(value, list)
        and len(value) == 3
        and all(part is not None and _number(part) for part in value)
    )


def _direction(value: Any) -> bool:
    return value is None or (_vector(value) and any(abs(part) > 1e-100 for part in value))


def _field(value: Any) -> bool:
    return value is None or (_vector(value) and largest(np.array(value)) <= NUMBER)


def _limit(value: Any) -> bool:
    return value == "auto" or value is None or (_number(value) and value < 0)


def _programme(value: Any) -> bool:
    """Whether all steps hold numbers where numbers belong."""
    if not isinstance(value, list):
        return value is None
    return all(
        isinstance(step, dict)
        and all(_number(step.get(key)) for key in ("start_s", "frequency_hz", "phase_rad"))
        and all(_vector(step[key]) for key in ("vector_t", "axis") if key in step)
        for step in value
    )


ROW = 1000
"""A series of more numbers a frame is something else, and is not read."""
Check = Callable[[Any], bool]
RULES: dict[str, dict[str, tuple[Check, str]]] = {
    "derived": {
        "temperature_k": (_positive, "a positive number"),
        "diffusion_time_s": (_positive, "a positive number"),
        "bond_life_largest_tenth_s": (_not_negative, "a number of at least 0"),
        "film_formation_time_s": (_not_negative, "a number of at least 0"),
        "core_moment_am2": (_not_negative, "a number of at least 0"),
        "largest_field_t": (_not_negative, "a number of at least 0"),
        "field_direction": (_direction, "three numbers, not all 0"),
        "field_programme": (_programme, "a list of steps"),
    },
    "start": {"field_t": (_field, "three numbers")},
    "bonds": {
        "distance": (_positive, "a positive number"),
        "alignment": (_number, "a number"),
        "energy_kt": (_limit, 'a number below 0 or "auto"'),
    },
    "timing": {
        "capped_moves": (_not_negative, "a number of at least 0"),
        "steps": (_not_negative, "a number of at least 0"),
    },
}
"""What entries must be: the check and the phrase after "must be"."""


def wrong_entry(found: dict[str, Any]) -> str:
    """Say which recorded entry cannot be used.

    Parameters
    ----------
    found : dict
        As `record` returns it.

    Returns
    -------
    str
        The end of a sentence after "must record", empty where all is well.
    """
    for name, rules in RULES.items():
        for key, (good, phrase) in rules.items():
            value = found.get(name, {}).get(key)
            if not good(value):
                return f"{name} {key} as {phrase}; it records {value!r:.60}"
    return ""


def record(file: Any) -> dict[str, Any]:
    """Return what the run recorded under /parameters; nothing for files of other origin.

    Parameters
    ----------
    file : h5py.File
        The opened file.

    Returns
    -------
    dict
        Fields of `analysis.trajectory.run.Run`.
    """
    if "parameters" not in file:
        return {}
    parameters = file["parameters"]
    out: dict[str, Any] = {}
    for key in ("derived", "resolved", "bonds", "timing", "versions", "rest", "start"):
        out[key] = _json(attribute(parameters, key))
    # Lives of bonds of strongly coupled particles are that long; earlier versions wrote them down.
    out["derived"] = within_reach(
        out["derived"], lambda _, value: f"the run recorded {_short(value)}"
    )
    out["bonds"] = {key: value for key, value in out["bonds"].items() if value is not None}
    out["parameters_text"] = _text(attribute(parameters, "text"))
    for key in ("version", "processor", "end_reason"):
        out[key] = _text(attribute(parameters, key))
    out["origin"] = {
        key: _text(attribute(parameters, key)) for key in ORIGIN if key in parameters.attrs
    }
    out["told"] = _sentences(attribute(parameters, "notices"))
    out["origin"]["parts"] = _rows(attribute(parameters, "parts"))
    seed = attribute(parameters, "seed")
    out["seed"] = None if seed is None else int(seed)
    out["finished"] = bool(attribute(parameters, "finished", True))
    out["provisional"] = bool(attribute(parameters, "provisional", False))
    return out


def observables(file: Any, frames: int) -> dict[str, NDArray[np.float64]]:
    """Return the series under /observables that have a row for every frame.

    Parameters
    ----------
    file : h5py.File
        The opened file.
    frames : int
        Frames that count.

    Raises
    ------
    ValueError
        If the field of a frame is not a number, or another value larger than numbers may be.
    """
    out: dict[str, NDArray[np.float64]] = {}
    for name, group in file.get("observables", {}).items():
        data = group["value"] if hasattr(group, "keys") and "value" in group else None
        if data is None or data.shape is None or data.dtype.kind not in "biuf":
            continue
        if not 1 <= data.ndim <= 3:
            continue
        if data.dtype.kind not in "biuf":  # texts and lists are no series
            continue
        if data.shape[0] >= frames and math.prod(data.shape[1:]) <= ROW:
            values = np.asarray(data[:frames], dtype=np.float64)
            # The field says which frames are averaged; a gap in another series is only a gap.
            whole = values if name == "field" else values[~np.isnan(values)]
            if not largest(whole) <= NUMBER:
                raise ValueError(f"/observables/{name} holds a value that is no number to {NUMBER}")
            out[str(name)] = values
    return out


def _short(value: float) -> str:
    """Write a number that may be a whole number of any length."""
    return f"{value:.3g}" if isinstance(value, float) else "a whole number of that size"


ORIGIN = ("commit", "sources", "run_id")


def _sentences(value: Any) -> tuple[str, ...]:
    """Return a JSON attribute as texts, none where there is none."""
    return tuple(one for one in _content(value, list) if isinstance(one, str))


def _rows(value: Any) -> list[dict[str, Any]]:
    """Return a JSON attribute as a list of dictionaries, empty where there is none."""
    return [row for row in _content(value, list) if isinstance(row, dict)]


def _text(value: Any) -> str:
    """Text of an attribute, empty where there is none."""
    if value is None:
        return ""
    return value.decode() if isinstance(value, bytes) else str(value)


def _json(value: Any) -> dict[str, Any]:
    """Return a JSON attribute as a dictionary, empty where there is none."""
    return dict(_content(value, dict))


def _content(value: Any, kind: type[list[Any]] | type[dict[str, Any]]) -> Any:
    """Return a JSON attribute as a list or dictionary, empty where there is none.

    Raises
    ------
    ValueError
        If it is there and damaged: without it, numbers would rest on other settings than the run's.
    """
    text = _text(value)
    if not text:
        return kind()
    try:
        content = json.loads(text)
    except (json.JSONDecodeError, RecursionError) as error:
        raise ValueError("what it records of its run is damaged") from error
    if isinstance(content, kind):
        return content
    raise ValueError(f"what it records of its run holds other than a {kind.__name__}")
