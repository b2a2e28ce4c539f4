"""A measured field as a source beside magnets: cubic splines through a table, within its range."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from analysis.common.arrays import Floats
from sim.magnets.field_table import file_digest, read_grid
from sim.magnets.shapes import Magnet, MagnetError
from sim.physics.field_gradients import with_third_axis

ROUNDING = 1e-9
"""Of the range, by which a place may lie beyond it."""

NEAR = 0.05
"""Of the distance of measured places, by which a place may lie off a scan of one plane."""


@dataclass(frozen=True)
class MeasuredField(Magnet):
    """A measured field; its position is where the origin of the table lies.

    Attributes
    ----------
    path : str
        The table, see `sim.magnets.field_table`.
    digest : str
        SHA-256 of the file.
    """

    kind: str = dataclasses.field(default="table", init=False)
    path: str = ""
    digest: str = ""

    @classmethod
    def of(cls, position: tuple[float, float, float], path: str) -> MeasuredField:
        """Give the field of a file."""
        return cls(position, path=path, digest=file_digest(path))

    @property
    def ranges(self) -> list[tuple[float, float]]:
        """The least and largest x, y and z in m that the table covers, where it lies."""
        own = _spline(self.path, self.digest).ranges
        return [(low + at, high + at) for (low, high), at in zip(own, self.position, strict=True)]

    @property
    def is_deep(self) -> bool:
        """Whether the table holds more than one plane."""
        return _spline(self.path, self.digest).is_deep

    def field(self, points: Floats) -> Floats:
        """Give the field at points (n, 3) in m as (n, 3) in T."""
        seen, spline = self._within(points), _spline(self.path, self.digest)
        field = spline(seen, (0, 0, 0))
        if not spline.is_deep:
            field += self.gradient(points)[:, :, 2] * (seen[:, 2:] - spline.ranges[2][0])
        return field

    def gradient(self, points: Floats) -> Floats:
        """Give the gradient (n, 3, 3) in T/m: that of the splines.

        A scan of one plane leaves out d/dz, which follows from the others: a field in free space
        has neither sources nor curl.
        """
        seen, spline = self._within(points), _spline(self.path, self.digest)
        slope = np.empty((len(seen), 3, 3))
        for axis in range(3 if spline.is_deep else 2):
            slope[:, :, axis] = spline(seen, tuple(int(axis == k) for k in range(3)))
        return slope if spline.is_deep else with_third_axis(slope)

    def _own_clearance(self, points: Floats) -> Floats:
        return np.full(len(points), np.inf)

    def _within(self, points: Floats) -> Floats:
        """Give places from the origin of the table, all within its range."""
        seen = np.asarray(points - np.asarray(self.position))
        spline = _spline(self.path, self.digest)
        for axis, (name, (low, high)) in enumerate(zip("xyz", spline.ranges, strict=True)):
            slack = ROUNDING * (high - low)
            if axis == 2 and not spline.is_deep:
                slack = NEAR * spline.spacing  # to first order in the distance from the plane
            beyond = (seen[:, axis] < low - slack) | (seen[:, axis] > high + slack)
            if beyond.any():
                shift = self.position[axis]
                raise MagnetError(
                    f"the measured field must cover every place that is asked for; it holds "
                    f"{name} from {1e3 * (low + shift):.6g} to {1e3 * (high + shift):.6g} mm and "
                    f"was asked for {1e3 * points[int(np.argmax(beyond)), axis]:.6g} mm."
                )
            if low < high:
                seen[:, axis] = np.clip(seen[:, axis], low, high)
        return seen


class _Spline:
    """Tensor-product splines, cubic where there are four places along an axis and more."""

    def __init__(self, axes: tuple[Floats, Floats, Floats], field: Floats) -> None:
        from scipy.interpolate import NdBSpline, make_interp_spline

        self.ranges = [(float(axis[0]), float(axis[-1])) for axis in axes]
        self.is_deep = len(axes[2]) > 1
        self.spacing = float(min(axes[0][1] - axes[0][0], axes[1][1] - axes[1][0]))
        values = field if self.is_deep else field[:, :, 0]
        knots, degrees = [], []
        for number, axis in enumerate(axes if self.is_deep else axes[:2]):
            degrees.append(min(3, len(axis) - 1))
            one = make_interp_spline(axis, np.moveaxis(values, number, 0), k=degrees[-1])
            knots.append(one.t)
            values = np.moveaxis(one.c, 0, number)
        self._splines: Any = NdBSpline(tuple(knots), np.ascontiguousarray(values), tuple(degrees))

    def __call__(self, seen: Floats, order: tuple[int, ...]) -> Floats:
        """Give the field, or a derivative of it, at places (n, 3) within the range."""
        if not self.is_deep:
            return np.asarray(self._splines(seen[:, :2], nu=order[:2]))
        return np.asarray(self._splines(seen, nu=order))


@lru_cache(maxsize=8)
def _spline(path: str, digest: str) -> _Spline:
    grid = read_grid(path, digest)
    return _Spline(grid.axes, grid.field)
