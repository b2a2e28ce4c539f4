"""Memory of a run: estimated from its parameters, and refused where the machine lacks it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import psutil

from analysis.common.errors import InputError

if TYPE_CHECKING:
    from sim.film.reduced_system import ReducedSystem

NEIGHBOUR_BYTES = 4
"""One entry of a neighbour list, each pair listed from both sides."""
PARTICLE_BYTES = 600
"""State, forces, sorted copies and their like: about 75 numbers of 8 bytes per particle."""
CARD_PARTICLE_BYTES = 560
"""The same beside a card: the state on its way, frames, a checkpoint. 332 were measured of 5.6e7
particles with frames of a cut-out (`tests.benchmarks.true_run`); since then the copy of 124 that
they go back to lies there too."""
DRAWN_BYTES = 120
"""Sizes and moments, in SI and in reduced units: what `check` needs of a film."""
BASE_BYTES = 300_000_000
"""Interpreter, libraries and compiled kernels."""
FLOW_BYTES = 24
"""A listed pair with the flow: its other end and what one pushes the other."""
FLOW_PARTICLE_BYTES = 3500
"""Noise of eight steps, the vectors that it is found from, and the grid of the smooth flow."""
GRID_COPIES = 5
"""The mesh's grid, its two transforms in complex numbers of half as many waves, and room."""


class MemoryShortError(InputError):
    """A run that needs more memory than there is; the text is one sentence for the user."""


def memory_bytes(system: ReducedSystem) -> int:
    """Return the estimated peak memory in bytes, from the neighbour lists and the mesh."""
    bytes_needed = BASE_BYTES + system.count * PARTICLE_BYTES
    if system.dipole_sum == "exact":
        return int(bytes_needed)
    flow = 0.0 if system.flow is None else system.flow.reach
    dipoles = system.cutoff if system.mesh is None else system.mesh.cutoff
    reach = system.list_margin + max(dipoles, system.added_reach, flow)
    volume = system.sides[0] * system.sides[1] * system.thickness
    sphere = 4.0 / 3.0 * math.pi * reach**3
    disc = math.pi * reach**2 * system.thickness
    neighbours = system.count / volume * min(sphere, disc)
    if system.mesh is not None:
        real = 4 if system.mesh.precision == "float32" else 8
        bytes_needed += GRID_COPIES * real * math.prod(system.mesh.points)
    per_particle = NEIGHBOUR_BYTES * neighbours
    if system.flow is not None:
        per_particle += FLOW_BYTES * neighbours + FLOW_PARTICLE_BYTES
    return int(bytes_needed + system.count * per_particle)


def require_memory(system: ReducedSystem, on_card: bool = False) -> None:
    """Refuse a run before its arrays are made, where there is no room for them.

    Parameters
    ----------
    system : ReducedSystem
    on_card : bool
        Whether it steps on a card, which holds lists and mesh.

    Raises
    ------
    MemoryShortError
        If it needs more than is free.
    """
    needed = memory_bytes(system) - BASE_BYTES
    _require(system.count, system.count * CARD_PARTICLE_BYTES if on_card else needed)


def require_room(count: int) -> None:
    """Refuse particles before they are drawn, where there is no room for their sizes alone.

    Raises
    ------
    MemoryShortError
        If they need more than is free.
    """
    _require(count, count * DRAWN_BYTES)


def _require(count: int, needed: int) -> None:
    free = free_bytes()
    if needed > free:
        raise MemoryShortError(
            f"[film] {count} particles need about {needed / 1e9:.3g} GB of memory, and "
            f"{free / 1e9:.3g} GB are free; use a smaller patch (count) or a shorter cutoff"
        )


def free_bytes() -> int:
    """Return the memory in bytes that this process may still take.

    The least of what the machine has, what the limit of this process leaves (RLIMIT_AS) and what
    the group of this process may take (a batch job or container).
    """
    told = [value for value in (_of_machine(), _of_process(), _of_group()) if value is not None]
    return max(0, min(told))


def _of_machine() -> int:
    return int(psutil.virtual_memory().available)


def _of_process() -> int | None:
    try:
        import resource
    except ImportError:  # a system without such limits
        return None
    limit, _ = resource.getrlimit(resource.RLIMIT_AS)
    used = int(psutil.Process().memory_info().vms)
    return None if limit == resource.RLIM_INFINITY else limit - used


def _of_group() -> int | None:
    group = Path("/sys/fs/cgroup")
    try:
        limit = (group / "memory.max").read_text(encoding="ascii").strip()
        return int(limit) - int((group / "memory.current").read_text(encoding="ascii"))
    except (OSError, ValueError):  # no groups, or "max"
        return None
