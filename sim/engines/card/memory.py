"""How much memory a film takes on a card, before any is taken."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING

from sim.engines import cpu_arrays
from sim.engines.cpu_film import GROWTH
from sim.kernels.dipoles.induced import DEPTH

if TYPE_CHECKING:
    from sim.film.reduced_system import ReducedSystem
    from sim.interactions.mesh.plan import MeshPlan

__all__ = [
    "NEAR_ROOM",
    "card_bytes",
    "first_room",
    "growth_of",
    "is_transformed_alone",
    "with_wider_lists",
]

ROOM_SHARE = 1.25
"""First guess of the entries of a slot, in multiples of the mean number of neighbours."""
SPARE_ROOM = 20
NEAR_ROOM = 8
"""First guess of the near pairs of a slot."""
SPARE = 1.1
"""Passing arrays and rounding of sizes: films of 1e6 took up to so much more than is counted."""
FLOW_PARTICLE_BYTES = 3500
"""Noise of eight steps, and the vectors that it is found from."""
FLOW_POINT_BYTES = 6 * (8 + 8 + 8 + 16)
"""A column of the flow's grid and its passing copies, a polynomial: fewer functions are in use."""
CONTEXT_BYTES = 600_000_000
"""What driver, kernels and libraries take on a card."""


WIDER_LISTS = 1.5
"""Margin of a list with inner steps in multiples of that of the processor, whose lists cost less
beside the pairs: a list in six outer steps in the place of one in three."""
MOST_WIDE = 10_000_000
"""Particles beyond which memory is worth more than that, and than lists that seldom grow."""
LITTLE_GROWTH = 1.1
"""Of the lists of such films, whose longest ones change little."""
LARGE_GRID = 2**22
"""Points of a grid from which on other films of a batch would gain its transforms nothing, and what
passes beside them otherwise is worth its memory."""


def with_wider_lists(system: ReducedSystem) -> ReducedSystem:
    """Return a system with the margin that its lists have on a card."""
    if system.inner_steps == 1 or system.count > MOST_WIDE:
        return system
    return dataclasses.replace(system, list_margin=WIDER_LISTS * system.list_margin)


def first_room(system: ReducedSystem) -> int:
    """Return a first guess of the entries of a slot."""
    patch = cpu_arrays.patch_of(system)
    volume = patch.side_x * patch.side_y * patch.thickness
    sphere = 4.0 / 3.0 * math.pi * patch.reach**3
    disc = math.pi * patch.reach**2 * patch.thickness
    return int(ROOM_SHARE * system.count / volume * min(sphere, disc)) + SPARE_ROOM


def is_kept_on_host(system: ReducedSystem) -> bool:
    """Say whether the copy that a film goes back to lies on this machine."""
    return system.count > MOST_WIDE


def is_transformed_alone(plan: MeshPlan) -> bool:
    """Say whether the grid of each film is transformed by itself, from array to array."""
    return math.prod(plan.points) >= LARGE_GRID


def growth_of(system: ReducedSystem) -> float:
    """Return how much longer than they need to be lists that were too short become."""
    return GROWTH if system.count <= MOST_WIDE else LITTLE_GROWTH


def _passing_bytes(system: ReducedSystem, word: int) -> tuple[int, int]:
    """Return the bytes of what is in use within a step or a sort, and of grids; they overlay."""
    step = 8 * system.count
    if system.inner_steps > 1:  # which hides what a sort takes
        step = (7 * word + 4 * (NEAR_ROOM + 3)) * system.count
    if system.mesh is None:
        return step, 0
    nx, ny, nz = system.mesh.points
    real, layers = 4 if system.mesh.precision == "float32" else 8, system.mesh.layers
    waves = nx * (ny // 2 + 1) * 2 * real * (layers + nz)
    return step, nx * ny * layers * real + max(8 * nx * ny * layers, waves)


def card_bytes(system: ReducedSystem) -> int:
    """Return the estimated memory in bytes that a film takes on a card."""
    system = with_wider_lists(system)
    word = 4 if system.precision == "float32" else 8
    meshed, split = system.mesh is not None, system.inner_steps > 1
    momenta, induced = system.has_momenta, system.induced
    # rows, references, directions, identity, images, and half of it once more to go back to
    carried = (16 + 8 + 6 + 12 * meshed + 14 * split + 12 * momenta) * word + 8 + 16
    particle = carried if is_kept_on_host(system) else carried + carried // 2
    particle += 4 * (first_room(system) + 2) + 8  # lists grow by fours
    if induced:  # directions in double precision, sums, and what the search remembers
        particle += 9 * (8 - word) + 7 * word + 8 * 3 * (2 + 2 * DEPTH)
    step, grids = _passing_bytes(system, word)
    total = system.count * particle + (max(step, grids) if split else step + grids)
    if system.flow is not None:
        nx, ny = system.flow.points
        total += FLOW_PARTICLE_BYTES * system.count + FLOW_POINT_BYTES * system.flow.half * nx * ny
    if system.mesh is not None:
        nx, ny, nz = system.mesh.points
        real = 4 if system.mesh.precision == "float32" else 8
        wave = nx * (ny // 2 + 1) * 2 * real
        if is_transformed_alone(system.mesh):
            total += wave * nz  # which transforms work in
        else:  # what they put into and out of order
            total += nx * ny * system.mesh.layers * real + wave * (system.mesh.layers + 3 * nz)
        total += math.prod(n // 2 + 1 for n in system.mesh.points) * real
    return int(CONTEXT_BYTES + SPARE * total)
