"""The applied field over time as an engine follows it: one stage after the other."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from sim.magnets.moving_field import Span, spans_of

if TYPE_CHECKING:
    from sim.parameters.types import FieldStep, Parameters
    from sim.physics.units import ReducedUnits


@dataclass(frozen=True)
class FieldStage:
    """One stage of the applied field, reduced.

    A hold or a ramp goes from ``first`` to ``last`` in ``duration``; a field that oscillates or
    turns is first cos(pace t) + last sin(pace t), t from the start of the stage. One that follows
    magnets has its curve: equal pieces of a span of time, each a row of polynomials (4, 9) in the
    share of the piece, of field and gradient; a stage longer than two spans repeats them.
    """

    kind: Literal["hold", "ramp", "oscillate", "rotate", "follow"]
    duration: float
    first: tuple[float, float, float]
    last: tuple[float, float, float]
    pace: float = 0.0
    span: float = 0.0
    curve: NDArray[np.float64] | None = dataclasses.field(default=None, compare=False)

    def at_end(self) -> tuple[float, float, float]:
        """Return the field at the end of the stage."""
        if self.kind in ("hold", "ramp", "follow"):
            return self.last
        c, s = math.cos(self.pace * self.duration), math.sin(self.pace * self.duration)
        x, y, z = (c * a + s * b for a, b in zip(self.first, self.last, strict=True))
        return x, y, z


def field_stages(parameters: Parameters, units: ReducedUnits) -> tuple[FieldStage, ...]:
    """Return the programme with its starting values filled in; a ramp starts from what was.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    units : ReducedUnits

    Returns
    -------
    tuple of FieldStage
    """
    if parameters.field.is_followed:
        spans = spans_of(parameters.magnets, parameters.cell.place)
        return tuple(_followed(span, units) for span in spans)
    stages = []
    before = (0.0, 0.0, 0.0)
    for step in parameters.field.steps:
        stages.append(_stage(step, units, before))
        before = stages[-1].at_end()
    return tuple(stages)


def _followed(span: Span, units: ReducedUnits) -> FieldStage:
    """Return one span of the field of moving magnets."""
    slope = units.length_m / units.field_t
    curve = span.curve * np.array([1.0 / units.field_t] * 3 + [slope] * 6)
    first = curve[0, 0, :3]
    last = curve[-1, :, :3].sum(axis=0)
    return FieldStage(
        "follow", span.duration / units.time_s, tuple(first.tolist()), tuple(last.tolist()),
        span=span.period / units.time_s, curve=curve,
    )  # fmt: skip


def _stage(step: FieldStep, units: ReducedUnits, before: tuple[float, float, float]) -> FieldStage:
    """Return one step of the programme; ``before`` is the field that it finds."""

    def reduced(vector: tuple[float, float, float]) -> tuple[float, float, float]:
        x, y, z = vector
        return x / units.field_t, y / units.field_t, z / units.field_t

    duration = step.duration / units.time_s
    if step.kind in ("hold", "ramp"):
        last = reduced(step.vector)
        return FieldStage(step.kind, duration, before if step.kind == "ramp" else last, last)
    cosine, sine = step.turning_parts()
    pace = 2.0 * math.pi * step.frequency * units.time_s
    return FieldStage(step.kind, duration, reduced(cosine), reduced(sine), pace)
