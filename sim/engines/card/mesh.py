"""The mesh of films on a card: whole charges, transforms plane by plane, and what slots keep."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from functools import cached_property, partial
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sim.engines.card.kept import keep_kernels, kernels_of
from sim.engines.card.memory import is_transformed_alone
from sim.engines.card.recordings import Recordings
from sim.interactions.mesh.tables import make_tables, screening_table
from sim.kernels.card import mesh as kernels
from sim.kernels.card.layout import Shared
from sim.kernels.card.tools import DirectTransforms, Transforms

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from sim.film.reduced_system import ReducedSystem
    from sim.kernels.card.layout import CardFilm

__all__ = ["CardMesh"]

NEVER = -1
keep_kernels(kernels)


class CardMesh:
    """Sums the smooth part of the dipoles on the steps that are multiples of ``every``.

    Parameters
    ----------
    systems : sequence of ReducedSystem
        With one mesh for all.
    queue : sim.kernels.card.tools.Queue
    *passing : mapping
        Shapes and types by name of arrays that are not in use while a mesh is summed, those of one
        not while those of another are.

    Attributes
    ----------
    passing : dict
        These arrays; they share memory with the grid.
    tables : pair of arrays
        What it leaves to the pairs, in their precision and in float64.
    summed_at : int64 (films,)
        Step of the sum that the slots of each film keep.
    recordings : Recordings
        Of a sum.
    """

    def __init__(
        self,
        systems: Sequence[ReducedSystem],
        queue: Any,
        *passing: Mapping[str, Any],
    ) -> None:
        system, films = systems[0], len(systems)
        plan = system.mesh
        if plan is None:
            raise ValueError('dipole_sum must be "mesh" with a plan; received none.')
        self.every = system.mesh_every
        self.summed_at = np.full(films, NEVER)
        self.tables: tuple[NDArray[Any], NDArray[Any]] = (
            screening_table(plan, system.precision),
            screening_table(plan),
        )
        self._queue = queue
        self._transforms, self.recordings = Transforms(), Recordings(queue)
        self._direct = DirectTransforms() if is_transformed_alone(plan) else None
        self._parts = [slice(film, film + 1) for film in range(films)]
        background = ThreadPoolExecutor(1)  # the kernels of pairs are compiled meanwhile
        self._made = background.submit(make_tables, plan)
        background.shutdown(wait=False)
        self._induced, self._precision = system.induced, system.precision
        self._largest = np.array([float(one.moment.max()) for one in systems])
        nx, ny, points_z = plan.points
        real = np.dtype(plan.precision)
        wave = np.complex64 if real == np.float32 else np.complex128
        grid = {"grid": ((films, plan.layers, nx, ny), real)}
        waves = {
            name: ((films, planes, nx, ny // 2 + 1), np.dtype(wave))
            for name, planes in (("charges", plan.layers), ("spectrum", points_z))
        }
        # once whole charges have become numbers, their waves may take their place
        shared = queue.overlaid(
            [
                grid | {"whole": ((films, plan.layers, nx, ny), np.dtype(np.int64))},
                grid | waves,
                *passing,
            ]
        )
        self.passing = {name: shared[name] for group in passing for name in group}
        self._grids = {name: shared[name] for name in ("whole", "grid", "charges", "spectrum")}

    @cached_property
    def _kernels(self) -> kernels.MeshKernels:
        made = self._made.result()
        found: kernels.MeshKernels = kernels_of(
            kernels.mesh_kernels, self._precision, made.shape.width, made.shape.span, made.window,
            self._induced,
        )  # fmt: skip
        return found

    @cached_property
    def _arrays(self) -> dict[str, Any]:
        """The fields of `CardMeshFilm` but the film."""
        made, put = self._made.result(), self._queue.put
        window = np.abs(made.window.astype(np.float64).reshape(-1, made.shape.span)).sum(axis=0)
        steepest = float(window.max()) ** 3 * max(
            made.shape.inverse_x, made.shape.inverse_y, made.shape.inverse_z
        )
        largest = self._largest * (steepest * made.window.size / made.shape.span)
        influence, layer = made.influence, made.layer
        if self._direct is not None:  # which does not divide by the points
            _, points_z, nx, _ = self._grids["spectrum"].shape
            plane = nx * self._grids["grid"].shape[3]
            influence, layer = influence / (plane * points_z), layer / plane
        return {
            "shape": made.shape,
            **self._grids,
            "influence": Shared(put(influence)),
            "decay": Shared(put(made.decay)),
            "layer": Shared(put(layer)),
            "unit": put(largest / kernels.CHARGE_UNIT),
        }

    def due(self, at: NDArray[np.int64], steps: int) -> list[int]:
        """Return which of so many steps begin with a sum of one of the films that are at these.

        Kernels know of which.
        """
        return [k for k in range(steps) if ((at + k) % self.every == 0).any()]

    def have_stepped(self, at: NDArray[np.int64]) -> None:
        """Note the last sum of films that have come to these steps."""
        self.summed_at = np.maximum(self.summed_at, (at - 1) // self.every * self.every)

    def forget(self, film: int) -> None:
        """Have a film sum its mesh before its next step."""
        self.summed_at[film] = NEVER

    def let_go(self) -> None:
        """Hold the arrays of films no more, whose lists are about to be replaced."""
        self.recordings.let_go()

    def choose_transforms(self) -> None:
        """Transform the grids of all films at once, if each then gets the bits that it has alone.

        The library of transforms does not promise that, so it is tried, on charges of noise.
        """
        films = len(self.summed_at)
        if films == 1 or self._direct is not None:
            return
        queue, arrays = self._queue, self._grids
        noise = np.random.default_rng(1).normal(size=arrays["grid"].shape)
        alone, together = self._parts, [slice(0, films)]
        found = []
        for self._parts in (alone, together):
            queue.set(arrays["grid"], noise)
            self._to_waves()
            self._back_in_z()
            self._back_in_planes()
            found.append([queue.get(arrays[name]).tobytes() for name in ("grid", "spectrum")])
        self._parts = together if found[0] == found[1] else alone

    def sum(self, film: CardFilm) -> None:
        """Sum all clouds of flagged films where slots are now; slots keep field and force."""
        self.recordings.ask("sum", film, partial(self._sum, film))

    def _sum(self, film: CardFilm) -> None:
        """Ask for all parts of a sum."""
        mesh = kernels.CardMeshFilm(film=film, **self._arrays)
        queue, slots = self._queue, mesh.film.count or 1
        points = math.prod(mesh.grid.shape[1:])
        _, points_z, nx, waves = mesh.spectrum.shape
        queue.run(kernels.clear_charges, points, mesh)
        queue.run(self._kernels.spread, slots * self._kernels.spreaders, mesh)
        queue.run(kernels.charges_of, points, mesh)
        self._to_waves()
        queue.run(kernels.influence_waves, points_z * nx * waves, mesh)
        self._back_in_z()
        queue.run(kernels.copies_waves, nx * waves, mesh)
        self._back_in_planes()
        queue.run(self._kernels.gather, slots, mesh)

    def _each(self) -> Iterator[tuple[Any, Any, Any]]:
        """Yield grid, charges and spectrum of films that are transformed together."""
        arrays = [self._queue.view(self._grids[name]) for name in ("grid", "charges", "spectrum")]
        with self._queue.whole():
            for part in self._parts:
                grid, charges, spectrum = (array[part] for array in arrays)
                yield grid, charges, spectrum

    def _to_waves(self) -> None:
        for grid, charges, spectrum in self._each():
            if self._direct is None:
                _to_waves(self._transforms, grid, charges, spectrum)
                continue
            layers = grid.shape[1]
            self._direct.planes(grid, charges)
            spectrum[:, :layers] = charges
            spectrum[:, layers:] = 0.0
            self._direct.along_z(spectrum)

    def _back_in_z(self) -> None:
        for _, _, spectrum in self._each():
            if self._direct is None:
                _back_in_z(self._transforms, spectrum)
            else:
                self._direct.back_along_z(spectrum)

    def _back_in_planes(self) -> None:
        for grid, _, spectrum in self._each():
            if self._direct is None:
                _back_in_planes(self._transforms, grid, spectrum)
            else:
                self._direct.back_in_planes(spectrum[:, : grid.shape[1]], grid)


def _to_waves(transforms: Any, grid: Any, charges: Any, spectrum: Any) -> None:
    charges[...] = transforms.planes(grid)
    spectrum[...] = transforms.along_z(charges, spectrum.shape[1])


def _back_in_z(transforms: Any, spectrum: Any) -> None:
    spectrum[...] = transforms.back_along_z(spectrum)


def _back_in_planes(transforms: Any, grid: Any, spectrum: Any) -> None:
    grid[...] = transforms.back_in_planes(spectrum[:, : grid.shape[1]], grid.shape)


def compile_transforms(queue: Any, precision: str) -> None:
    """Have the library of transforms compile what a mesh of any size asks of it."""
    real = np.dtype(precision)
    wave, numbers, transforms = np.result_type(real, np.complex64), queue.numbers, Transforms()
    with queue.whole():
        grid = numbers.zeros((1, 6, 8, 10), real)
        charges, spectrum = (numbers.zeros((1, planes, 8, 6), wave) for planes in (6, 12))
        _to_waves(transforms, grid, charges, spectrum)
        _back_in_z(transforms, spectrum)
        _back_in_planes(transforms, grid, spectrum)
    queue.wait()
