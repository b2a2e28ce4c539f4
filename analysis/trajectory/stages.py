"""Which frames are averaged: the field over time, its last steady stage, the chains' direction."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.trajectory.cycles import Swing, last_swing
from analysis.trajectory.run import Run

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

STEADY = 1e-6
"""Fields that differ by less than this share of the largest are the same."""


@dataclass(frozen=True)
class Stage:
    """The last steady stage of the field and the frames of it that are averaged.

    Attributes
    ----------
    start_s, end_s : float
        First and last time of the stage.
    from_s : float
        Time from which frames are averaged.
    frames : ndarray
        Averaged frames, rising.
    steady : bool
        False where the field still changed at the last frame.
    field : ndarray
        Field vector of the stage in T, (3,).
    swing : Swing or None
        How the field turns or oscillates, where it does: such a stage counts as steady.
    """

    start_s: float
    end_s: float
    from_s: float
    frames: Integers
    steady: bool
    field: Floats
    swing: Swing | None = None


def field_series(run: Run) -> Floats:
    """Return the field vector at every frame in T, (frames, 3); zero where none is known.

    A film from another run is at its first frame what the field there has made of it, so that frame
    has that field.
    """
    stored = _stored_field(run)
    if stored is not None:
        return stored
    field = np.zeros((run.frames, 3))
    direction = run.derived.get("field_direction")
    if direction is not None and run.derived.get("largest_field_t"):
        field[:] = np.asarray(direction, dtype=np.float64) * float(run.derived["largest_field_t"])
    return field


def is_field_known(run: Run) -> bool:
    """Return whether the file tells the field, be it zero."""
    return _stored_field(run) is not None or run.derived.get("largest_field_t") is not None


def _stored_field(run: Run) -> Floats | None:
    stored = run.observables.get("field")
    if stored is None or stored.ndim != 2 or stored.shape[1] != 3:
        return None
    if run.field_before is None:
        return stored
    return np.vstack([run.field_before, stored[1:]])


def field_direction(run: Run, field: Floats, *, zero_too: bool = False) -> Floats | None:
    """Return the unit vector of the largest field, None where there is no field at all.

    With ``zero_too``, a field of strength zero has the direction that the run gave it.
    """
    sizes = np.linalg.norm(field, axis=1)
    if sizes.max(initial=0.0) > 0:
        return np.asarray(field[int(np.argmax(sizes))] / sizes.max())
    direction = run.derived.get("field_direction")
    if direction is not None and (run.derived.get("largest_field_t") or zero_too):
        vector = np.asarray(direction, dtype=np.float64)
        return np.asarray(vector / np.linalg.norm(vector))
    return None


def last_stage(run: Run, field: Floats, from_time: float | None = None) -> Stage:
    """Return the last steady stage; by default its second half in time is averaged.

    A field that turns or oscillates to the end is a stage of its own.

    Parameters
    ----------
    run : Run
        The trajectory.
    field : (frames, 3) array
        Field at every frame in T.
    from_time : float, optional
        Average from this time in s on instead.

    Raises
    ------
    ValueError
        Where ``from_time`` leaves no frame.
    """
    largest = float(np.linalg.norm(field, axis=1).max())
    same = np.linalg.norm(field - field[-1], axis=1) <= STEADY * largest
    first = run.frames - int(np.argmin(same[::-1])) if not same.all() else 0
    first = min(first, run.frames - 1)
    swing = last_swing(run)
    if swing is not None:
        first = int(np.searchsorted(run.times, swing.start_s * (1.0 + 1e-9), side="right"))
        first = min(first, run.frames - 1)
    start, end = float(run.times[first]), float(run.times[-1])
    if from_time is None:
        from_time = start + 0.5 * (end - start)
    elif not (np.isfinite(from_time) and from_time <= end):
        raise ValueError(
            f"from_time must be at most the time of the last frame, {end:g} s; "
            f"received {from_time:g} s."
        )
    # Times carry rounding: a frame at the very start of the span belongs to it.
    frames = np.flatnonzero(run.times >= from_time - 1e-9 * max(abs(end), 1e-300))
    steady = bool(same.all() or first < run.frames - 1)
    return Stage(start, end, float(from_time), frames, steady, np.asarray(field[-1]), swing)


def evenly(run: Run, stage: Stage) -> Stage:
    """Return a stage whose averaged frames are evenly spaced in sweeps.

    Frames of a sampled run follow each other by 2^k sweeps, k rising now and then, and the last
    one stands where the run ended: those at multiples of the largest interval stay.
    """
    steps = run.steps[stage.frames]
    if len(steps) < 3:
        return stage
    interval = 1 << (int(np.diff(steps).max()).bit_length() - 1)
    return replace(stage, frames=stage.frames[steps % interval == 0])
