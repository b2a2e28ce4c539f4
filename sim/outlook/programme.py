"""What moving magnets do to the field at the patch in time: record, rows, sentences of `check`."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from sim.magnets.moving_field import TOLERANCE, Span, spans_of
from sim.parameters.types import FieldStep
from sim.physics.units import format_quantity

if TYPE_CHECKING:
    from sim.parameters.types import Parameters

ROWS = 8
"""Most rows of a programme that `check` shows."""


def _spans(parameters: Parameters) -> tuple[Span, ...]:
    if not parameters.field.is_followed:
        return ()
    return spans_of(parameters.magnets, parameters.cell.place)


def field_at_start(parameters: Parameters) -> tuple[float, float, float]:
    """Return the field of the magnets at the patch in T, of moving ones at the start."""
    if not parameters.field.is_followed:
        return parameters.field.steps[0].vector
    x, y, z = _spans(parameters)[0].samples[0, :3].tolist()
    return x, y, z


def recorded_spans(parameters: Parameters) -> list[dict[str, Any]]:
    """Return the programme of moving magnets as plain numbers in SI, as `dynamics_text` does.

    ``kind`` is that of `sim.magnets.turning`.
    """
    return [
        {
            "kind": span.turning.kind,
            "start_s": span.start,
            "end_s": span.start + span.duration,
            "vector_t": list(span.turning.vector),
            "frequency_hz": span.turning.frequency,
            "phase_rad": span.turning.phase,
            "axis": list(span.turning.axis),
        }
        for span in _spans(parameters)
    ]


def swinging_steps(parameters: Parameters) -> list[FieldStep]:
    """Return the steps in which the field turns or oscillates, as steps of a field programme."""
    if not parameters.field.is_followed:
        return [step for step in parameters.field.steps if step.frequency > 0.0]
    return [
        FieldStep(
            "oscillate" if span.turning.kind == "oscillate" else "rotate",
            span.duration, span.turning.vector, span.turning.frequency,
        )
        for span in _spans(parameters)
        if span.turning.frequency > 0.0
    ]  # fmt: skip


def strongest_time(parameters: Parameters) -> float:
    """Return the time in s at which the field of moving magnets is largest; 0 of steady ones."""
    best, found = -1.0, 0.0
    for span in _spans(parameters):
        strength = np.linalg.norm(span.samples[:, :3], axis=1)
        at = int(np.argmax(strength))
        if strength[at] > best:
            best = float(strength[at])
            found = span.start + span.period * min(at / len(span.curve), 1.0 - 1e-12)
    return found


def programme_rows(parameters: Parameters) -> list[tuple[str, str]]:
    """Lay out what the field does from step to step."""
    spans = _spans(parameters)
    rows = [(_when(span), _what(span)) for span in spans[:ROWS]]
    if len(spans) > ROWS:
        rows.append(("and", f"{len(spans) - ROWS} more steps"))
    return rows


def _when(span: Span) -> str:
    ends = (span.start, span.start + span.duration)
    return "field from " + " to ".join(format_quantity(end, "time", 3) for end in ends)


def _what(span: Span) -> str:
    strength = np.linalg.norm(span.samples[:, :3], axis=1)
    low, high = (
        format_quantity(float(value), "field", 3) for value in (strength.min(), strength.max())
    )
    size = high if low == high else f"{low} to {high}"
    if span.turning.kind == "hold":
        return size
    frequency = format_quantity(span.turning.frequency, "frequency", 3)
    if span.turning.kind == "oscillate":
        return f"{size}, oscillates at {frequency}"
    if span.turning.kind == "move":
        return f"{size}, hardly turns"
    x, y, z = span.turning.axis
    return f"{size}, turns at {frequency} about ({x:.2f}, {y:.2f}, {z:.2f})"


def programme_sentences(parameters: Parameters) -> list[str]:
    """Say how the run follows the magnets, and how well."""
    spans = _spans(parameters)
    if not spans:
        return []
    lasting = format_quantity(spans[-1].start + spans[-1].duration, "time", 3)
    pieces = sum(len(span.curve) for span in spans)
    worst = max(span.error for span in spans)
    steady = all(span.turning.kind == "hold" for span in spans)
    text = (
        f"The magnets move for {lasting}. The run follows field and gradient at the patch by cubic "
        f"splines in time of {pieces} pieces in all, good to {TOLERANCE:g} of the largest value; "
        f"half as many miss it by {worst:.1g}."
    )
    if steady:
        text += " The field there does not change."
    found = [text]
    turning = [span for span in spans if span.turning.kind == "turn"]
    if turning:
        ratio = min(_roundness(span) for span in turning)
        if ratio < 0.9:
            found.append(
                f"While it turns, the field falls to {ratio:.2g} of its largest value, so that it "
                "turns faster where it is weak: a lag behind it is a mean over the turn."
            )
    return found


def _roundness(span: Span) -> float:
    strength = np.linalg.norm(span.samples[:, :3], axis=1)
    return float(strength.min() / strength.max()) if strength.max() > 0.0 else math.nan
