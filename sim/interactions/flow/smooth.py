"""Smooth part of the flow: on a grid along the windows, in the modes of the film across them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.interactions.flow.free import FLUIDITY, correction
from sim.interactions.flow.plan import FINER

if TYPE_CHECKING:
    from sim.interactions.flow.plan import FlowPlan
    from sim.interactions.flow.slab import SlabModes, Waves


Floats = NDArray[np.float64]

HEIGHTS = 1025
STEEPNESS = 0.98 * math.pi * (1.0 - 0.5 / FINER)
"""Of the window, for its width and the ratio of grid to waves."""
QUADRATURE = 200


class OwnFlow(NamedTuple):
    """The smooth part of a particle's own mobility, by height.

    Attributes
    ----------
    height : float64 (HEIGHTS,)
        From window to window.
    along, across : float64 (HEIGHTS,)
    slope : float64 (HEIGHTS,)
        d/dz of ``across``.
    """

    height: Floats
    along: Floats
    across: Floats
    slope: Floats


class SmoothTables:
    """What the smooth part of a film is made of, on any processor.

    Parameters
    ----------
    plan : FlowPlan

    Attributes
    ----------
    own : OwnFlow
    profiles : float64 (2, polynomials, functions)
        Even functions across the film and odd ones, of Legendre polynomials.
    table, begin, counts : arrays
        Modes of all wave vectors, see `sim.kernels.flow.layout.FlowModes`.
    wave, scale : two float64 arrays each
        Wave numbers of the grid along x and y, and one over the transform of the window at them.
    """

    def __init__(self, plan: FlowPlan) -> None:
        self.plan = plan
        modes = plan.modes()
        waves_x, waves_y = (
            2.0 * math.pi / side * np.arange(points // 2 + 1)
            for side, points in zip(plan.sides, plan.points, strict=True)
        )
        shape = len(waves_x), len(waves_y)
        self.begin = np.full(shape, -1, np.int64)
        self.counts = np.zeros((*shape, 4), np.int64)
        area = plan.sides[0] * plan.sides[1]
        root = math.sqrt(FLUIDITY / area)
        answer = plan.largest, plan.width, correction(plan.radius, plan.width)
        own = np.zeros((4, plan.half, plan.half))  # squares along (even, odd), across (even, odd)
        found: dict[float, tuple[Waves, Floats]] = {}
        used = np.argwhere(np.hypot(waves_x[:, None], waves_y) < plan.largest)
        for a, b in used:
            wave = float(np.hypot(waves_x[a], waves_y[b]))
            if round(wave, 12) not in found:
                answers = modes.waves(wave, answer)
                found[round(wave, 12)] = answers, root * root * _squares(answers)
            own += (1 + (a > 0)) * (1 + (b > 0)) * found[round(wave, 12)][1]
        self.profiles = modes.profiles(own[:2] + own[2:])
        rows: list[NDArray[np.float32]] = []
        places: dict[float, tuple[int, NDArray[np.int64]]] = {}
        length = 0
        for key, (answers, _) in found.items():
            row, counts = _rows(modes, answers, self.profiles, root)
            places[key] = length, counts
            rows.append(row)
            length += row.size
        for a, b in used:
            place = places[round(float(np.hypot(waves_x[a], waves_y[b])), 12)]
            self.begin[a, b], self.counts[a, b] = place
        self.table = np.concatenate(rows)
        self.wave: list[Floats] = [
            2.0 * math.pi / plan.sides[0] * _signed(plan.points[0]),
            np.asarray(2.0 * math.pi / plan.sides[1] * np.arange(plan.points[1] // 2 + 1)),
        ]
        self.scale = [
            1.0 / _window_transform(wave, side / points, plan.window)
            for wave, side, points in zip(self.wave, plan.sides, plan.points, strict=True)
        ]
        self._find_own(modes, own)

    def _find_own(self, modes: SlabModes, own: Floats) -> None:
        """Find a particle's own mobility, of the functions across the film that are in use."""
        plan, profiles = self.plan, self.profiles
        height = np.linspace(0.0, plan.thickness, HEIGHTS)
        flat, steep = (
            [profiles[p].T @ table[p] for p in (0, 1)]
            for table in (modes.polynomials(height), modes.slopes(height))
        )
        squares = [
            modes.in_profiles(modes.in_profiles(own[k], k % 2, profiles).T, k % 2, profiles)
            for k in range(4)
        ]
        along, across = (
            sum(np.einsum("nz,nm,mz->z", flat[p], squares[2 * kind + p], flat[p]) for p in (0, 1))
            for kind in (0, 1)
        )
        slope = sum(
            2.0 * np.einsum("nz,nm,mz->z", steep[p], squares[2 + p], flat[p]) for p in (0, 1)
        )
        self.own = OwnFlow(height, np.asarray(along), np.asarray(across), np.asarray(slope))


class SmoothFlow:
    """Velocities by forces, and their noise, of the smooth part; holds tables and scratch.

    Parameters
    ----------
    plan : FlowPlan
    count : int
        Number of particles.
    """

    def __init__(self, plan: FlowPlan, count: int) -> None:
        self.plan = plan
        self._tables = SmoothTables(plan)
        points_x, points_y = plan.points
        self._first = np.zeros((count, 2), np.int64)
        self._weights = np.zeros((count, 2, plan.window), np.float32)
        functions = self._tables.profiles.shape[2]
        self._across = np.zeros((count, 2 * functions), np.float32)
        self._grid = np.zeros((points_x, points_y, 3, 2 * functions), np.float32)
        self._count = count

    @property
    def own(self) -> OwnFlow:
        """What the smooth part gives a particle by itself."""
        return self._tables.own

    def move(
        self,
        positions: tuple[Floats, Floats, Floats],
        force: Floats,
        velocity: Floats,
        *,
        pace: float = 1.0,
        amplitude: float = 0.0,
        step: int = 0,
        seed: int = 0,
        workers: int = 1,
    ) -> None:
        """Set ``velocity`` to pace M F + amplitude M^(1/2) noise; no checks.

        Parameters
        ----------
        positions : three float64 (>= count,) arrays
            x and y in any period, z between the windows.
        force, velocity : float64 (3, >= count)
        pace, amplitude : float
        step, seed : int
            What the noise hangs on.
        workers : int
            Threads of the transforms; they change no bit.
        """
        from scipy import fft

        from sim.kernels.flow import grid, modes
        from sim.kernels.flow.layout import BLOCKS, FlowGrid, FlowModes
        from sim.kernels.vectors.calls import Packed

        plan, made = self.plan, self._tables
        x, y, z = positions
        film = Packed(
            FlowGrid(
                count=self._count, x=x, y=y, z=z, force=force, velocity=velocity,
                first=self._first, weights=self._weights, across=self._across, grid=self._grid,
                side_x=plan.sides[0], side_y=plan.sides[1], thickness=plan.thickness,
                profiles=made.profiles, window=plan.window, shape=STEEPNESS * plan.window,
            )
        )  # fmt: skip
        chunks = math.ceil(self._across.shape[1] / grid.COLUMNS)
        film.run(BLOCKS, grid.place_part)
        film.run(3 * chunks, grid.spread_part)
        spectrum = fft.rfft2(self._grid, axes=(0, 1), workers=workers)
        Packed(
            FlowModes(
                spectrum=spectrum.view(np.float32).reshape(*spectrum.shape, 2),
                table=made.table, begin=made.begin, counts=made.counts,
                wave_x=made.wave[0], wave_y=made.wave[1],
                scale_x=made.scale[0], scale_y=made.scale[1],
                pace=pace, amplitude=amplitude, step=np.uint64(step), seed=np.uint64(seed),
            )
        ).run(plan.points[0], modes.modes_part)  # fmt: skip
        self._grid[:] = fft.irfft2(
            spectrum, plan.points, axes=(0, 1), norm="forward", workers=workers
        )
        film.run(BLOCKS, grid.gather_part)


def _signed(points: int) -> Floats:
    """Return whole wave numbers in the order of the transform."""
    return np.asarray(np.fft.fftfreq(points, 1.0 / points))


def _window_transform(wave: Floats, spacing: float, width: int) -> Floats:
    """Return the integral of the window times cos(k x), over the grid spacing."""
    nodes, weights = np.polynomial.legendre.leggauss(QUADRATURE)
    bell = weights * np.exp(STEEPNESS * width * (np.sqrt(1.0 - nodes**2) - 1.0))
    return np.asarray(0.5 * width * np.cos(np.outer(wave, 0.5 * width * spacing * nodes)) @ bell)


def _rows(
    modes: SlabModes, found: Waves, profiles: Floats, root: float
) -> tuple[NDArray[np.float32], NDArray[np.int64]]:
    """Return the modes of a wave vector one after the other, and their numbers."""

    def rows(part: Floats, parity: int) -> Floats:
        return root * modes.in_profiles(part, parity, profiles)

    parts = [
        *(
            np.stack([rows(found.along[p], 1 - p), rows(found.across[p], p)], axis=1)
            for p in (0, 1)
        ),
        *(rows(found.beside[p], p) for p in (0, 1)),
    ]
    row = np.concatenate([part.ravel() for part in parts]).astype(np.float32)
    return row, np.array([len(part) for part in parts], np.int64)


def _squares(found: Waves) -> Floats:
    """Return how polynomials answer: along the windows (even, odd), across them (even, odd)."""

    def square(part: Floats) -> Floats:
        return np.asarray(part.T @ part)

    # x and y share what lies along and beside the wave vector, on average over its directions
    return np.array(
        [
            0.5 * (square(found.along[1]) + square(found.beside[0])),
            0.5 * (square(found.along[0]) + square(found.beside[1])),
            square(found.across[0]),
            square(found.across[1]),
        ]
    )
