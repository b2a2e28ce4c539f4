"""The mesh sum of dipoles in a film: an Ewald-type splitting with the smooth part on a grid.

Each dipole is joined by its cloud, a bell-shaped charge cloud of bounded radius (`bells`). What
point dipole and cloud leave is summed over neighbours within the radius, where it ends exactly;
the clouds' field is smooth, and goes over a grid by real transforms in x and y. In the open
direction the film is repeated with a gap of the cloud's radius, so that the copies' field is
exponential in z for each in-plane wave vector and is taken off again in closed form on the grid
("layer correction"), as the exact sum does. Against a kernel truncated in z this keeps the grid
at thickness + radius, where truncation needs twice the thickness and a taper, and there is
no error but that of the grid. The cost grows as N log N.
"""

from __future__ import annotations

import math
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.arrays import Floats
from sim.interactions.mesh.plan import MeshPlan, plan_mesh, spacing_of
from sim.interactions.mesh.tables import MeshTables, make_tables, screening_table

if TYPE_CHECKING:
    from sim.kernels.vectors.calls import Packed

__all__ = [
    "MeshPlan",
    "SlabMesh",
    "add_short_range",
    "mesh_sum",
    "plan_mesh",
    "screening_table",
    "sum_on_mesh",
]

# A patch is repeated until it is this many spacings wide.
LEAST_SPACINGS = 4.0
LEAST_FOR_DISTANCE = 20
COARSEST = 0.05


class SlabMesh:
    """Smooth part of the dipole sum of one film; holds tables and scratch, no state.

    Parameters
    ----------
    plan : MeshPlan
        From `plan_mesh`.
    count : int
        Largest number of dipoles.
    """

    def __init__(self, plan: MeshPlan, count: int) -> None:
        self.plan = plan
        self.tables: MeshTables = make_tables(plan)
        spare = self.tables.shape.span - plan.width
        self._grid = np.zeros((*plan.points[:2], plan.layers + spare), plan.precision)
        self._columns = np.empty(count, np.int64)
        self._starts = np.zeros(plan.points[0] * plan.points[1] + 1, np.int64)
        self._order = np.empty(count, np.int64)
        self._film: Packed | None = None

    @cached_property
    def near_table(self) -> NDArray[Any]:
        """What `add_short_range` looks up; made once."""
        return screening_table(self.plan)

    def smooth_field_force(
        self,
        x: Floats,
        y: Floats,
        z: Floats,
        mx: Floats,
        my: Floats,
        mz: Floats,
        count: int,
        out_field: Floats,
        out_force: Floats,
        workers: int = 1,
    ) -> None:
        """Sum the clouds of all dipoles and images; no checks.

        Parameters
        ----------
        x, y, z, mx, my, mz : float64 (>= count,)
            Positions, z from 0 to the planned thickness, x and y in any period; moments.
        count : int
            Number of dipoles.
        out_field, out_force : float64 (>= count, 3)
            Smooth field and force, overwritten; a dipole's own cloud is left out, its images'
            are not.
        workers : int
            Threads of the transforms; they change no bit.
        """
        from scipy import fft

        from sim.kernels.dipoles import mesh_sum
        from sim.kernels.steps.layout import SpectrumFilm
        from sim.kernels.vectors.calls import Packed

        film = self._film_of(count, x, y, z, mx, my, mz, out_field, out_force)
        tables, layers = self.tables, self.plan.layers
        points_x, points_y, points_z = self.plan.points
        grid = self._grid[:, :, :layers]
        film.run(mesh_sum.GATHER_BLOCKS, mesh_sum.columns_part)
        film.call(mesh_sum.sort_columns, 0)
        film.run(points_x, mesh_sum.clear_plane)
        rounds = min(2, tables.shape.blocks)
        for number in range(rounds):
            film.content.round[0] = number
            film.run(tables.shape.blocks // rounds, mesh_sum.spread_part)
        charges = fft.rfft2(grid, axes=(0, 1), workers=workers)
        spectrum = fft.fft(charges, points_z, axis=2, workers=workers)
        between = SpectrumFilm(charges, spectrum, tables.influence, tables.decay, tables.layer)
        Packed(between).run(points_x, mesh_sum.influence_plane)
        spectrum = fft.ifft(spectrum, axis=2, workers=workers, overwrite_x=True)
        Packed(between._replace(spectrum=spectrum)).run(points_x, mesh_sum.copies_plane)
        # Back into the grid, whose rows have room for whole vectors.
        grid[:] = fft.irfft2(
            spectrum[:, :, :layers], (points_x, points_y), axes=(0, 1), workers=workers
        )
        film.run(mesh_sum.GATHER_BLOCKS, mesh_sum.gather_part)

    def _film_of(self, count: int, *arrays: Floats) -> Packed:
        """Return the film of these very arrays, the one in use if they are the same."""
        from sim.kernels.steps.layout import MeshFilm
        from sim.kernels.vectors.calls import Packed

        names = ("x", "y", "z", "mx", "my", "mz", "field", "force")
        given = dict(zip(names, arrays, strict=True))
        film = self._film
        if (
            film is None
            or any(getattr(film.content, name) is not array for name, array in given.items())
            or film.content.count != count
        ):
            film = self._film = Packed(
                MeshFilm(
                    count=count,
                    shape=self.tables.shape,
                    window=self.tables.window,
                    columns=self._columns,
                    starts=self._starts,
                    order=self._order,
                    grid=self._grid,
                    round=np.zeros(1, np.int64),
                    total=np.zeros(1),
                    **given,
                )
            )
        return film


def add_short_range(
    positions: Floats,
    moments: Floats,
    plan: MeshPlan,
    out_field: Floats,
    out_force: Floats,
    table: NDArray[Any] | None = None,
) -> None:
    """Add what point dipoles and their clouds leave, over neighbours within the plan's cutoff.

    Parameters
    ----------
    positions, moments : float64 (N, 3)
        z from 0 to the thickness that was planned for.
    plan : MeshPlan
    out_field, out_force : float64 (N, 3)
        Added to.
    table : array, optional
        `SlabMesh.near_table` of that plan, to be used again.
    """
    from sim.kernels.dipoles import mesh_near

    lengths = (*plan.sides, plan.thickness)
    count = len(positions)
    # More cells than particles would only cost memory.
    most = max(1, round(count ** (1.0 / 3.0)) * 4)
    cells = np.array([min(max(int(side / plan.cutoff), 1), most) for side in lengths])
    starts = np.empty(int(cells.prod()) + 1, np.int64)
    order, sorted_cells = np.empty(count, np.int64), np.empty(count, np.int64)
    sides = np.array(plan.sides)
    mesh_near.sort_cells(positions, sides, plan.thickness, cells, starts, order, sorted_cells)
    mesh_near.add_near_field_force(
        positions, moments, sides, plan.cutoff, screening_table(plan) if table is None else table,
        cells, starts, order, sorted_cells, out_field, out_force,
    )  # fmt: skip


def mesh_sum(
    positions: Floats, moments: Floats, plan: MeshPlan, mesh: SlabMesh | None = None
) -> tuple[Floats, Floats]:
    """Sum all dipoles and images with a plan; no checks.

    Parameters
    ----------
    positions, moments : float64 (N, 3)
        z from 0 to the thickness that was planned for.
    plan : MeshPlan
    mesh : SlabMesh, optional
        Of that plan, to be used again.

    Returns
    -------
    field, force : float64 (N, 3)
    """
    count = len(positions)
    field, force = np.empty((count, 3)), np.empty((count, 3))
    x, y, z = np.ascontiguousarray(positions.T)
    mx, my, mz = np.ascontiguousarray(moments.T)
    mesh = mesh or SlabMesh(plan, count)
    mesh.smooth_field_force(x, y, z, mx, my, mz, count, field, force)
    add_short_range(positions, moments, plan, field, force, mesh.near_table)
    return field, force


def _middle_distance(positions: Floats, sides: Floats) -> float | None:
    """Median distance to the nearest other dipole; None where there are too few to tell."""
    from scipy.spatial import cKDTree

    if len(positions) < LEAST_FOR_DISTANCE:
        return None
    inside = positions.copy()
    inside[:, :2] -= sides * np.floor(inside[:, :2] / sides)
    inside[:, :2][inside[:, :2] >= sides] = 0.0  # rounding
    inside[:, 2] -= inside[:, 2].min()
    # z is open: a period well beyond the film keeps its two faces apart.
    period = 2.0 * float(inside[:, 2].max()) + float(sides.max())
    distances, _ = cKDTree(inside, boxsize=[*sides, period]).query(inside, k=2)
    middle = float(np.median(distances[:, 1]))
    return middle if middle > 0.0 else None


def sum_on_mesh(
    positions: Floats, moments: Floats, sides: Floats, tolerance: float
) -> tuple[Floats, Floats]:
    """Plan a mesh for these very dipoles, and sum them; no checks.

    A patch of few spacings is first repeated: its dipoles and their images then lie within the
    short range, and the mesh, which knows no own images apart, is no finer than it must be.

    Parameters
    ----------
    positions, moments : float64 (N, 3)
    sides : float64 (2,)
    tolerance : float
        Relative RMS error of field and force.

    Returns
    -------
    field, force : float64 (N, 3)

    Raises
    ------
    ValueError
        If no mesh meets the tolerance.
    """
    count = len(positions)
    lifted = positions.copy()
    lifted[:, 2] -= positions[:, 2].min()
    thickness = float(lifted[:, 2].max())
    size = np.sqrt((moments**2).sum(axis=1))
    largest = float(size.max())
    if largest == 0.0:
        return np.zeros((count, 3)), np.zeros((count, 3))
    square = (size / largest) ** 2  # so that no unit of moment can overflow
    spacing = spacing_of((float(sides[0]), float(sides[1])), thickness, count)
    copies = [math.ceil(LEAST_SPACINGS * spacing / side - 1.0e-9) for side in sides]
    shift = np.array([[a, b, 0.0] for a in range(copies[0]) for b in range(copies[1])])
    shift[:, :2] *= sides
    repeated = (shift[:, None, :] + lifted).reshape(-1, 3)
    plan = plan_mesh(
        sides * copies,
        thickness,
        min(tolerance, COARSEST),
        len(repeated),
        nearest=_middle_distance(lifted, sides),
        moment_ratio=float(np.sqrt((square**2).mean()) / square.mean()),
        spacing=spacing,
    )
    unit = np.tile(moments / largest, (len(shift), 1))
    field, force = mesh_sum(repeated, unit, plan)
    return field[:count] * largest, force[:count] * largest**2
