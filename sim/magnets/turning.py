"""How a field that follows magnets turns: about which axis, how often, or along which line."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.common.arrays import Floats, Vector

SAME = 1e-5
"""Share of the field below which a difference is none; the curves are good to less."""

LEAST_TURN_DEG = 10.0
LEAST_TURN_AT_A_RATE_DEG = 0.1
"""The same where magnets turn at a rate, so that even a small part of a turn is meant as one."""


@dataclass(frozen=True)
class Turning:
    """How a field changes over a time.

    Attributes
    ----------
    kind : str
        "hold"; "rotate", with a steady strength and rate, and "oscillate", along a line as a
        cosine, are meant as in `sim.parameters.types`; "turn" turns in another way, as in front of
        a magnet that turns; "move" changes and turns by less than 10 degrees (by less than 0.1
        where magnets turn).
    vector : tuple of float
        At the start, in T; of "oscillate" the largest.
    frequency : float
        Turns or periods per second; where the field does not repeat, turned angle over time. 0 for
        "hold" and "move".
    phase : float
        In rad, of "oscillate".
    axis : tuple of float
        Unit vector about which it turns, right-handed.
    """

    kind: Literal["hold", "rotate", "oscillate", "turn", "move"]
    vector: Vector
    frequency: float = 0.0
    phase: float = 0.0
    axis: Vector = (0.0, 0.0, 1.0)


def turning_of(field: Floats, last: Floats, length: float, rate: float, repeats: bool) -> Turning:
    """Say how a field turns.

    Parameters
    ----------
    field : ndarray, shape (n, 3)
        At even times from the start, in T.
    last : ndarray, shape (3,)
        At the end.
    length : float
        The whole time in s.
    rate : float
        Rate of what moves in Hz, 0 where there is no single one.
    repeats : bool
        Whether the field repeats after the time.
    """
    largest = float(np.linalg.norm(field, axis=1).max())
    whole = np.vstack([field, last])
    if np.abs(whole - whole[0]).max() <= SAME * largest:
        return Turning("hold", _vector(whole[0]))
    if repeats:
        wave = _wave(field, largest, rate)
        if wave is not None:
            return wave
    axis = np.cross(whole[:-1], whole[1:]).sum(axis=0)
    size = float(np.linalg.norm(axis))
    if size <= SAME * largest**2:
        return Turning("move", _vector(whole[0]))
    axis = axis / size
    flat = whole - np.outer(whole @ axis, axis)
    sine = np.cross(flat[:-1], flat[1:]) @ axis
    angle = float(np.arctan2(sine, np.sum(flat[:-1] * flat[1:], axis=1)).sum())
    if abs(angle) < math.radians(LEAST_TURN_AT_A_RATE_DEG if rate else LEAST_TURN_DEG):
        return Turning("move", _vector(whole[0]))
    frequency = rate or abs(angle) / (2.0 * math.pi * length)
    return Turning("turn", _vector(whole[0]), frequency, axis=_vector(axis))


def _wave(field: Floats, largest: float, rate: float) -> Turning | None:
    """Find a field that is one cosine along a line, or turns with a steady strength."""
    count = len(field)
    angles = 2.0 * math.pi * np.arange(count) / count
    part = 2.0 / count * (np.exp(-1j * angles) @ field)
    if np.abs(field - np.real(np.outer(np.exp(1j * angles), part))).max() > SAME * largest:
        return None
    first, then = np.real(part), -np.imag(part)
    normal = np.cross(first, then)
    size = float(np.linalg.norm(normal))
    if size <= SAME * largest**2:
        phase = float(np.angle(part[int(np.argmax(np.abs(part)))]))
        return Turning("oscillate", _vector(np.real(part * np.exp(-1j * phase))), rate, phase)
    if max(abs(first @ then), abs(first @ first - then @ then)) <= SAME * largest**2:
        return Turning("rotate", _vector(first), rate, axis=_vector(normal / size))
    return None


def _vector(values: Floats) -> Vector:
    x, y, z = (float(value) for value in values)
    return x, y, z
