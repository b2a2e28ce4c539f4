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

from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.arrays import Floats
from sim.interactions.mesh.plan import MeshPlan
from sim.interactions.mesh.tables import MeshTables, make_tables, screening_table

if TYPE_CHECKING:
    from sim.kernels.vectors.calls import Packed


SHARED_POINTS = 65536
"""Points from which on threads share a transform: below, waking them takes longer than it does."""


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
    def _between(self) -> Packed:
        """Return what stands between the transforms, kept: to pack it takes as long as a sum."""
        from sim.kernels.steps.layout import SpectrumFilm
        from sim.kernels.vectors.calls import Packed

        plan, tables = self.plan, self.tables
        waves = plan.points[0], plan.points[1] // 2 + 1
        kind = np.result_type(plan.precision, np.complex64)
        charges = np.empty((*waves, plan.layers), kind)
        spectrum = np.empty((*waves, plan.points[2]), kind)
        return Packed(SpectrumFilm(charges, spectrum, tables.influence, tables.decay, tables.layer))

    @cached_property
    def near_table(self) -> NDArray[Any]:
        """What is looked up for the short range; made once."""
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
            Threads of the transforms, one for small ones; they change no bit.
        """
        from sim.kernels.dipoles import mesh_sum

        film = self._film_of(count, x, y, z, mx, my, mz, out_field, out_force)
        tables, layers = self.tables, self.plan.layers
        points_x = self.plan.points[0]
        grid = self._grid[:, :, :layers]
        film.run(mesh_sum.GATHER_BLOCKS, mesh_sum.columns_part)
        film.call(mesh_sum.sort_columns, 0)
        film.run(points_x, mesh_sum.clear_plane)
        rounds = min(2, tables.shape.blocks)
        for number in range(rounds):
            film.content.round[0] = number
            film.run(tables.shape.blocks // rounds, mesh_sum.spread_part)
        self._transform(grid, workers)
        film.run(mesh_sum.GATHER_BLOCKS, mesh_sum.gather_part)

    def _transform(self, grid: NDArray[Any], workers: int) -> None:
        """Turn charges on the grid (nx, ny, layers) into the potential of the film, in place."""
        from scipy import fft

        from sim.kernels.dipoles import mesh_sum

        points_x, points_y, points_z = self.plan.points
        if points_x * points_y * points_z < SHARED_POINTS:
            workers = 1
        charges, spectrum = self._between.content.charges, self._between.content.spectrum
        layers = charges.shape[2]
        charges[...] = fft.rfft2(grid, axes=(0, 1), workers=workers)
        spectrum[:, :, :layers] = charges
        spectrum[:, :, layers:] = 0.0
        # In place, as a rule; what is there already is not copied.
        spectrum[...] = fft.fft(spectrum, axis=2, workers=workers, overwrite_x=True)
        self._between.run(points_x, mesh_sum.influence_plane)
        spectrum[...] = fft.ifft(spectrum, axis=2, workers=workers, overwrite_x=True)
        self._between.run(points_x, mesh_sum.copies_plane)
        # Back into the grid, whose rows have room for whole vectors.
        grid[...] = fft.irfft2(
            spectrum[:, :, :layers], (points_x, points_y), axes=(0, 1), workers=workers
        )

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
