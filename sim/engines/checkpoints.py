"""What checkpoints of all engines of steps hold, so that another kind of processor can go on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from sim.film.state import FilmState

if TYPE_CHECKING:
    from sim.film.reduced_system import ReducedSystem

__all__ = ["COMMON", "needless_on", "other_processor", "processor_of", "state_of"]

COMMON = ("x", "y", "z", "ux", "uy", "uz", "identity", "image_x", "image_y")
"""Arrays of slots, beside `step` and `seed`: places in d0, directions, particles, periods."""
PROCESSORS = {"cpu": "a processor", "gpu": "a graphics card"}
"""Kinds of processor, and what a notice calls them."""


def processor_of(saved: dict[str, Any]) -> str:
    """Return the kind of processor that wrote a checkpoint of steps."""
    return str(saved.get("processor", "cpu"))


def other_processor(device: str, saved: dict[str, Any]) -> list[str]:
    """Return a notice where a run goes on on another kind of processor than it comes from."""
    begun = processor_of(saved)
    if begun == device:
        return []
    return [
        f"this run comes from {PROCESSORS[begun]} and goes on on {PROCESSORS[device]}: its noise "
        "is the same, its last digits are not"
    ]


def needless_on(device: str) -> dict[str, tuple[str, ...]]:
    """Return, by who wrote a checkpoint, what the engine of a device does not need of it.

    A card goes on with what another card has kept as it is, not with what both kinds read.
    """
    return {"gpu": COMMON} if device == "gpu" else {}


def state_of(system: ReducedSystem, saved: dict[str, Any]) -> FilmState:
    """Return the state of the film in a checkpoint, row i particle i.

    Parameters
    ----------
    system : ReducedSystem
    saved : dict
        Of any engine of steps.
    """
    order = np.argsort(np.asarray(saved["identity"], np.int64), kind="stable")
    x, y, z, ux, uy, uz, _, image_x, image_y = (np.asarray(saved[name])[order] for name in COMMON)
    position, image = np.stack([x, y, z], axis=1), np.stack([image_x, image_y], axis=1)
    for axis, side in enumerate(system.sides):
        periods = np.floor(position[:, axis] / side)
        position[:, axis] -= side * periods
        beyond = position[:, axis] >= side  # rounding of a tiny negative coordinate
        position[beyond, axis] = 0.0
        image[:, axis] += (periods + beyond).astype(np.int32)
    rates: list[Any] = [None, None]
    if "momentum" in saved:
        for k, thermal in enumerate((system.thermal_velocity, system.thermal_spin)):
            if thermal is not None:
                rates[k] = thermal[:, None] * saved["momentum"][3 * k : 3 * k + 3][:, order].T
    step = int(saved["step"])
    return FilmState(
        positions=position,
        image=image,
        directions=np.stack([ux, uy, uz], axis=1),
        step=step,
        time=step * system.dt,
        seed=int(saved["seed"]),
        velocities=rates[0],
        spins=rates[1],
    )
