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

import math
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.interactions.mesh_plan import MeshPlan, plan_mesh, spacing_of
from sim.interactions.mesh_tables import MeshTables, make_tables, screening_table

__all__ = [
    "MeshPlan",
    "MeshWork",
    "SlabMesh",
    "add_short_range",
    "mesh_sum",
    "plan_mesh",
    "screening_table",
    "sum_on_mesh",
]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

# A patch is repeated until it is so many spacings wide.
LEAST_SPACINGS = 4.0
LEAST_FOR_DISTANCE = 20
COARSEST = 0.05


class MeshWork(NamedTuple):
    """Scratch of one mesh sum: order of the particles, and the grid of charges and potential."""

    columns: Integers
    starts: Integers
    order: Integers
    grid: NDArray[np.floating]


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
        grid = (plan.points[0], plan.points[1], plan.layers + spare)
        self._work = MeshWork(
            columns=np.empty(count, np.int64),
            starts=np.zeros(plan.points[0] * plan.points[1] + 1, np.int64),
            order=np.empty(count, np.int64),
            grid=np.zeros(grid, plan.precision),
        )

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

        from sim.kernels import mesh_sum, mesh_windows

        work, tables, layers = self._work, self.tables, self.plan.layers
        points_x, points_y, points_z = self.plan.points
        grid = work.grid[:, :, :layers]
        mesh_windows.find_columns(count, x, y, tables.shape, work.columns)
        mesh_windows.sort_by_column(count, work.columns, work.starts, work.order)
        mesh_sum.spread_dipoles(
            x, y, z, mx, my, mz, tables.shape, tables.window, work.order, work.starts, work.grid
        )
        charges = fft.rfft2(grid, axes=(0, 1), workers=workers)
        spectrum = fft.fft(charges, points_z, axis=2, workers=workers)
        mesh_sum.apply_influence(spectrum, tables.influence)
        spectrum = fft.ifft(spectrum, axis=2, workers=workers, overwrite_x=True)
        mesh_sum.remove_copies(charges, spectrum, tables.decay, tables.layer)
        # Back into the grid, whose rows have room for whole vectors.
        grid[:] = fft.irfft2(
            spectrum[:, :, :layers], (points_x, points_y), axes=(0, 1), workers=workers
        )
        mesh_sum.gather_dipoles(
            count, x, y, z, mx, my, mz, tables.shape, tables.window, work.order, work.grid,
            out_field, out_force,
        )  # fmt: skip


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
    from sim.kernels import mesh_near

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
