"""A finished sweep as a table to look up: measured numbers over field, tilt, thickness and amount.

Between the points of the sweep numbers are interpolated by straight lines; beyond them nothing is
told. The errors of the points are carried along: runs are independent, so that the squares of
weight times error add. To them comes what the straight line itself misses, as far as three values
of a coordinate or more show how the numbers bend (`_bend`).
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common import file_names
from analysis.common.arrays import Floats
from analysis.quantities.all import quantity
from analysis.sweeps.fluids import whole_error
from analysis.sweeps.gather import SweepFolderError, collect
from analysis.uncertainty.number_text import as_float

MEASURED = {
    one.column: one.name
    for one in map(
        quantity,
        (
            "spacing.nearest_neighbour_m", "spacing.structure_factor_m", "spacing.width_m",
            "chains.mean_length",
        ),
    )
}  # fmt: skip
"""Columns of summary.csv that are looked up, and their names."""

COORDINATES = ("strength_t", "tilt_deg", "thickness_m", "volume_fraction")
REASONS = {
    "strength_t": (1, "weaker field"),
    "strength_t above": (2, "stronger field"),
    "tilt_deg": (4, "other tilt"),
    "thickness_m": (8, "other thickness"),
    "volume_fraction": (16, "other amount of particles"),
}
"""Why a place is outside: the numbers add up in the column ``sweep_outside``."""

HELD_SLACK = 0.1
"""What a sweep keeps at one value may differ from it by this share,"""
TILT_SLACK = 10.0
"""and the tilt by so many degrees; both are choices, not measurements."""
EDGE = 1e-9
"""Share of a value by which a place may lie beyond the range, for rounding."""


@dataclass(frozen=True)
class SweepGrid:
    """Measured numbers over a grid of up to four coordinates.

    Attributes
    ----------
    axes : dict of ndarray
        Values of each coordinate that the points have, rising, by the names in `COORDINATES`.
    values, errors : dict of ndarray
        By the columns in `MEASURED`, of the shape of the axes; NaN where nothing is known.
    film : dict
        Parameters in SI of the first run, by table.
    points, done, at_rest : int
        Points of the sweep, those with numbers, and those whose runs all came to rest.
    """

    axes: dict[str, Floats]
    values: dict[str, Floats]
    errors: dict[str, Floats]
    film: dict[str, Any]
    points: int
    done: int
    at_rest: int

    def outside(self, places: Mapping[str, Floats]) -> NDArray[np.int32]:
        """Say where places lie beyond the sweep.

        Parameters
        ----------
        places : mapping of ndarray
            Values of the coordinates, arrays of one shape.

        Returns
        -------
        int32 ndarray
            Sum of the numbers in `REASONS`, 0 inside.
        """
        found = np.zeros(np.shape(places["strength_t"]), dtype=np.int32)
        for name, axis in self.axes.items():
            low, high = _reach(name, axis)
            under, over = places[name] < low, places[name] > high
            if name == "strength_t":
                found += REASONS[name][0] * under + REASONS[f"{name} above"][0] * over
            else:
                found += REASONS[name][0] * (under | over)
        return found.astype(np.int32)

    def look_up(self, column: str, places: Mapping[str, Floats]) -> tuple[Floats, Floats]:
        """Interpolate one measured number.

        Parameters
        ----------
        column : str
            A key of `MEASURED`.
        places : mapping of ndarray
            Values of the coordinates, arrays of one shape.

        Returns
        -------
        value, error : ndarray
            In SI; NaN beyond the sweep and beside points without this number. An error is NaN, too,
            where a point does not know it, and between two values of a coordinate of which no
            third tells how the number bends.
        """
        shape = np.shape(places["strength_t"])
        steps = [_step(name, axis, places[name]) for name, axis in self.axes.items()]
        table = self.values[column]
        bends = [
            _bend(name, values, table, k) for k, (name, values) in enumerate(self.axes.items())
        ]
        value, square = np.zeros(shape), np.zeros(shape)
        missed = np.zeros((len(bends), *shape))
        for corner in product((0, 1), repeat=len(steps)):
            weight, index = np.ones(shape), []
            for bit, (lower, share, _) in zip(corner, steps, strict=True):
                weight = weight * (share if bit else 1.0 - share)
                index.append(lower + (bit if share.any() else 0))
            counts = weight > EDGE
            there = tuple(index)
            value += np.where(counts, weight * table[there], 0.0)
            for k, bend in enumerate(bends):
                missed[k] += np.where(counts, weight * bend[there], 0.0)
            square += np.where(counts, (weight * self.errors[column][there]) ** 2, 0.0)
        for miss, (_, share, width) in zip(missed, steps, strict=True):
            # Half of the second derivative times the distances to both knots; none on a knot.
            way = share * (1.0 - share) * width**2
            square += np.where(share * (1.0 - share) > EDGE, 0.5 * miss * way, 0.0) ** 2
        beyond = self.outside(places) > 0
        return np.where(beyond, np.nan, value), np.where(beyond, np.nan, np.sqrt(square))


def _reach(name: str, axis: Floats) -> tuple[float, float]:
    """Range of a coordinate that the sweep speaks for."""
    low, high = float(axis[0]), float(axis[-1])
    if axis.size > 1:
        slack = EDGE * max(abs(low), abs(high))
        return low - slack, high + slack
    slack = TILT_SLACK if name == "tilt_deg" else HELD_SLACK * high
    return low - slack, high + slack


def _step(name: str, axis: Floats, places: Floats) -> tuple[NDArray[np.int64], Floats, Floats]:
    """Return the knot below each place, the share of the way to the next one, and that way."""
    shape = np.shape(places)
    if axis.size == 1:
        return np.zeros(shape, dtype=np.int64), np.zeros(shape), np.zeros(shape)
    inside = _scaled(name, axis, np.clip(places, axis[0], axis[-1]))
    axis = _scaled(name, axis, axis)
    lower = np.clip(np.searchsorted(axis, inside, side="right") - 1, 0, axis.size - 2)
    width = axis[lower + 1] - axis[lower]
    return lower, np.clip((inside - axis[lower]) / width, 0.0, 1.0), width


def _scaled(name: str, axis: Floats, values: Floats) -> Floats:
    """Values of a coordinate as they are interpolated over: their logarithm but of the tilt."""
    return np.log(values) if name != "tilt_deg" and axis[0] > 0.0 else values


def _bend(name: str, axis: Floats, table: Floats, number: int) -> Floats:
    """Size of the second derivative of a table along one axis, at each knot.

    By divided differences of three knots (Abramowitz, section 25.1), those at the ends as at their
    neighbours; NaN where fewer are known, and zero along an axis of one value, over which nothing
    is interpolated.
    """
    if axis.size < 3:
        return np.full(table.shape, math.nan if axis.size == 2 else 0.0)
    steps = np.diff(_scaled(name, axis, axis))
    rows = np.moveaxis(table, number, 0)
    slopes = np.diff(rows, axis=0) / steps.reshape(-1, *[1] * (table.ndim - 1))
    spans = (0.5 * (steps[1:] + steps[:-1])).reshape(-1, *[1] * (table.ndim - 1))
    second = np.abs(np.diff(slopes, axis=0) / spans)
    second = np.concatenate([second[:1], second, second[-1:]])
    return np.moveaxis(second, 0, number)


def read_sweep_grid(directory: str | Path) -> SweepGrid:
    """Read a sweep as a table to look up.

    Parameters
    ----------
    directory : str or Path
        Folder of the sweep.

    Returns
    -------
    SweepGrid
        What its points measured; a combination of values without a point is unknown.

    Raises
    ------
    SweepFolderError
        If the folder holds no sweep, none of its runs is done, or two points differ in nothing that
        a place on the map has.
    """
    table = collect(directory)
    if not any(row["replicas_done"] for row in table.summary):
        raise SweepFolderError(f"{directory} holds a sweep of which no run is done yet.")
    films = _films(Path(directory) / file_names.SWEEP)
    spots = [_coordinates(film) for film in films]
    axes = {
        name: np.unique([_round_off(spot[name]) for spot in spots])
        for name in COORDINATES
        if all(math.isfinite(spot[name]) for spot in spots)
    }
    shape = tuple(axis.size for axis in axes.values())
    values = {column: np.full(shape, np.nan) for column in MEASURED}
    errors = {column: np.full(shape, np.nan) for column in MEASURED}
    taken: set[tuple[int, ...]] = set()
    for spot, row in zip(spots, table.summary, strict=True):
        index = tuple(
            int(np.searchsorted(axis, _round_off(spot[name]))) for name, axis in axes.items()
        )
        if index in taken:
            raise SweepFolderError(
                f"the sweep in {directory} must vary field, tilt, thickness or volume fraction "
                f"only, which a place on the map has; two of its points differ in something else."
            )
        taken.add(index)
        for column in MEASURED:
            values[column][index] = as_float(row[column])
            errors[column][index] = whole_error(row, column)
    return SweepGrid(
        axes=axes,
        values=values,
        errors=errors,
        film=films[0],
        points=len(spots),
        done=sum(row["replicas_done"] > 0 for row in table.summary),
        at_rest=sum(as_float(row["equilibrated_share"]) == 1.0 for row in table.summary),
    )


def _films(path: Path) -> list[dict[str, Any]]:
    """Parameters of the first run of each point."""
    record = json.loads(path.read_text(encoding="utf-8"))
    try:
        films = [point["runs"][0]["parameters"] for point in record["points"]]
        for film in films:
            _coordinates(film)
    except (KeyError, IndexError, TypeError, ValueError) as error:
        raise SweepFolderError(f"{path} must hold the parameters of every run.") from error
    return films


def _coordinates(film: dict[str, Any]) -> dict[str, float]:
    """Where a run stands: its strongest step, its film and the amount of particles."""
    vectors = [[float(part) for part in step["vector"]] for step in film["field"]["steps"]]
    x, y, z = max(vectors, key=lambda vector: math.hypot(*vector))
    return {
        "strength_t": math.hypot(x, y, z),
        "tilt_deg": math.degrees(math.atan2(abs(z), math.hypot(x, y))),
        "thickness_m": float(film["film"]["thickness"]),
        "volume_fraction": as_float(film["particles"]["volume_fraction"]),
    }


def _round_off(value: float) -> float:
    """Round to nine digits, so that equal settings are one knot."""
    return float(f"{value:.9g}")
