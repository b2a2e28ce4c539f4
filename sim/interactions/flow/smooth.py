"""Smooth part of the flow: on a grid along the windows, in the modes of the film across them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.interactions.flow.free import FLUIDITY, correction

if TYPE_CHECKING:
    from sim.interactions.flow.plan import FlowPlan


Floats = NDArray[np.float64]

HEIGHTS = 1025
STEEPNESS = 0.98 * math.pi / 1.5
"""Of the window, for its width and the ratio of grid to waves (`FINER` of the plan)."""
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
        self._make_tables()
        points_x, points_y = plan.points
        self._first = np.zeros((count, 2), np.int64)
        self._weights = np.zeros((count, 2, plan.window), np.float32)
        self._across = np.zeros((count, 2 * plan.half), np.float32)
        self._grid = np.zeros((points_x, points_y, 3, 2 * plan.half), np.float32)
        self._count = count

    def _make_tables(self) -> None:
        """Find the modes of all wave vectors, and what they make of a particle's own mobility."""
        plan = self.plan
        modes = plan.modes()
        waves_x, waves_y = (
            2.0 * math.pi / side * np.arange(points // 2 + 1)
            for side, points in zip(plan.sides, plan.points, strict=True)
        )
        shape = len(waves_x), len(waves_y)
        self._begin = np.full(shape, -1, np.int64)
        self._counts = np.zeros((*shape, 4), np.int64)
        area = plan.sides[0] * plan.sides[1]
        root = math.sqrt(FLUIDITY / area)
        answer = plan.largest, plan.width, correction(plan.radius, plan.width)
        own = np.zeros((4, plan.half, plan.half))  # squares along (even, odd), across (even, odd)
        rows: list[NDArray[np.float32]] = []
        made: dict[float, tuple[int, NDArray[np.int64], Floats]] = {}
        length = 0
        for a, b in np.argwhere(np.hypot(waves_x[:, None], waves_y) < plan.largest):
            wave = float(np.hypot(waves_x[a], waves_y[b]))
            known = made.get(round(wave, 12))
            if known is None:
                found = modes.waves(wave, answer)
                row, counts, square = _rows(found, root)
                known = made[round(wave, 12)] = length, counts, square
                rows.append(row)
                length += row.size
            self._begin[a, b], self._counts[a, b] = known[0], known[1]
            own += (1 + (a > 0)) * (1 + (b > 0)) * known[2]
        self._table = np.concatenate(rows)
        self._wave: list[Floats] = [
            2.0 * math.pi / plan.sides[0] * _signed(plan.points[0]),
            np.asarray(2.0 * math.pi / plan.sides[1] * np.arange(plan.points[1] // 2 + 1)),
        ]
        self._scale = [
            1.0 / _window_transform(wave, side / points, plan.window)
            for wave, side, points in zip(self._wave, plan.sides, plan.points, strict=True)
        ]
        height = np.linspace(0.0, plan.thickness, HEIGHTS)
        flat, steep = modes.polynomials(height), modes.slopes(height)
        along, across = (
            sum(np.einsum("nz,nm,mz->z", flat[p], own[2 * kind + p], flat[p]) for p in (0, 1))
            for kind in (0, 1)
        )
        slope = sum(2.0 * np.einsum("nz,nm,mz->z", steep[p], own[2 + p], flat[p]) for p in (0, 1))
        self.own = OwnFlow(height, np.asarray(along), np.asarray(across), np.asarray(slope))

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

        plan = self.plan
        x, y, z = positions
        film = Packed(
            FlowGrid(
                count=self._count, x=x, y=y, z=z, force=force, velocity=velocity,
                first=self._first, weights=self._weights, across=self._across, grid=self._grid,
                side_x=plan.sides[0], side_y=plan.sides[1], thickness=plan.thickness,
                window=plan.window, shape=STEEPNESS * plan.window,
            )
        )  # fmt: skip
        chunks = math.ceil(2 * plan.half / grid.COLUMNS)
        film.run(BLOCKS, grid.place_part)
        film.run(3 * chunks, grid.spread_part)
        spectrum = fft.rfft2(self._grid, axes=(0, 1), workers=workers)
        Packed(
            FlowModes(
                spectrum=spectrum.view(np.float32).reshape(*spectrum.shape, 2),
                table=self._table, begin=self._begin, counts=self._counts,
                wave_x=self._wave[0], wave_y=self._wave[1],
                scale_x=self._scale[0], scale_y=self._scale[1],
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
    found: tuple[tuple[Floats, Floats], ...], root: float
) -> tuple[NDArray[np.float32], NDArray[np.int64], Floats]:
    """Return the modes of a wave vector one after the other, their numbers, and their squares."""
    along, across, beside = found
    pairs = [np.stack(both, axis=1) for both in zip(along, across, strict=True)]
    parts = [root * part for part in (*pairs, *beside)]
    row = np.concatenate([part.ravel() for part in parts]).astype(np.float32)
    counts = np.array([len(part) for part in parts], np.int64)

    def square(part: Floats) -> Floats:
        return np.asarray(root * root * part.T @ part)

    # x and y share what lies along and beside the wave vector, on average over its directions
    squares = [
        0.5 * (square(along[1]) + square(beside[0])),
        0.5 * (square(along[0]) + square(beside[1])),
        square(across[0]),
        square(across[1]),
    ]
    return row, counts, np.array(squares)
