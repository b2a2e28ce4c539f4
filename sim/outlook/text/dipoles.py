"""What `chainfilm check` says of the dipole sum: its method, range, grid and error."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sim.physics.units import format_quantity

if TYPE_CHECKING:
    from sim.film.reduced_system import ReducedSystem


def _length(system: ReducedSystem, reduced: float) -> str:
    """Write a reduced length with three digits."""
    return format_quantity(reduced * system.units.length_m, "length", 3)


def dipole_rows(system: ReducedSystem) -> list[tuple[str, str]]:
    """Lay out how the dipoles are summed, as label and text."""
    if system.dipole_sum == "cutoff":
        return [("dipole sum", f"pairs up to {_length(system, system.cutoff)} alone")]
    if system.mesh is None:
        return [("dipole sum", "exact, all particles and periodic images")]
    mesh = system.mesh
    grid = " x ".join(str(points) for points in mesh.points)
    steps = "every step" if system.mesh_every == 1 else f"every {system.mesh_every} steps"
    return [
        ("dipole sum", "mesh, all particles and periodic images"),
        ("pairs summed up to", _length(system, mesh.cutoff)),
        ("grid for the rest", f"{grid} points, {mesh.width} under a window, summed {steps}"),
        ("error of field and force", f"under {mesh.error:.2g} (asked for {mesh.tolerance:.2g})"),
    ]


def dipole_numbers(system: ReducedSystem) -> dict[str, Any]:
    """Return the derived numbers of the dipole sum.

    Returns
    -------
    dict
        ``dipole_sum`` as it is used, ``cutoff_m``, and of a mesh ``mesh_range_m``,
        ``mesh_points``, ``mesh_width``, ``mesh_every``, ``mesh_error``; None where there is none.
    """
    mesh, length = system.mesh, system.units.length_m
    return {
        "dipole_sum": system.dipole_sum,
        "cutoff_m": system.cutoff * length if system.dipole_sum == "cutoff" else None,
        "mesh_range_m": None if mesh is None else mesh.cutoff * length,
        "mesh_points": None if mesh is None else list(mesh.points),
        "mesh_width": None if mesh is None else mesh.width,
        "mesh_every": None if mesh is None else system.mesh_every,
        "mesh_error": None if mesh is None else mesh.error,
    }
