"""Words about the stages of the field, and which of them the headline is about."""

from __future__ import annotations

import math
from html import escape
from typing import Any

from analysis.response.stages import AVERAGED
from analysis.uncertainty.number_text import with_error, with_unit

__all__ = ["averaged_over", "section"]

HEADS = ("Mean length", "Weight mean length", "Singles", "Alignment", "Magnetisation")


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


def section(numbers: dict[str, Any]) -> str:
    """Return the table of the stages for the page, "" where there is only one."""
    stages = numbers.get("stages")
    if not isinstance(stages, list) or len(stages) < 2:
        return ""
    rows = []
    for stage in stages:
        time = f"{with_unit(stage['from_time_s'], 's')} to {with_unit(stage['end_s'], 's')}"
        cells = [time, field_words(stage["field_t"])]
        for key in AVERAGED:
            value, error = (stage[key][name] for name in ("value", "error"))
            unit = "%" if key in ("singles_fraction", "magnetisation") else ""
            value, error = (math.nan if x is None else float(x) for x in (value, error))
            cells.append(with_error(value, error, unit))
        rows.append("".join(f"<td>{escape(cell)}</td>" for cell in cells))
    head = "".join(f"<th>{name}</th>" for name in ("Averaged over", "Field", *HEADS))
    body = "".join(f"<tr>{row}</tr>" for row in rows)
    return (
        "<h3>Stages of the field</h3>"
        f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
    )
