"""Order of columns in the plane across them: Delaunay neighbours, Voronoi cells, psi6.

Columns that stand across the film (perpendicular and oblique fields) are cut by the middle plane
and looked at along themselves, so that an oblique film is measured across its columns. Chains in
the film plane are cut by planes across them; the windows then mirror the columns, and those whose
cell a window bounds are left out. Strands of one bundle, and what follows end to end, is one
column.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from analysis.files.curve import Curve
from analysis.spacing.distances import lateral_direction
from analysis.uncertainty.estimate import estimate_of_pairs

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

STANDING = 0.5
"""Share of the direction along z from which on columns are cut by the middle plane."""

MERGED = 1.3
"""Columns nearer than this many diameters are one."""

FEWEST_COLUMNS = 6
SECTIONS = 6
RANDOM_AREA_SPREAD = math.sqrt(0.280176)
"""Standard deviation over mean of Voronoi cells of random points (Gilbert 1962, from memory)."""

NAMES = (
    "count",
    "neighbour_distance_m",
    "neighbour_spread_m",
    "nearest_m",
    "cell_area_m2",
    "cell_area_spread",
    "hexagonal_order",
    "hexagonal_order_local",
    "six_neighbours_share",
)


@dataclass(frozen=True)
class Plane:
    """Points in a plane with their repeats: periods (2, 2) or (1, 2), mirrors at 0 and ``height``.

    Attributes
    ----------
    points : ndarray
        (n, 2), any unit of length.
    periods : ndarray
        Vectors by which the plane repeats, (k, 2).
    height : float or None
        Second coordinate of the upper mirror; the lower one is at 0. None without mirrors.
    """

    points: Floats
    periods: Floats
    height: float | None = None

    def copies(self) -> tuple[Floats, Integers, NDArray[np.bool_]]:
        """Return the points and their repeats, the point each repeats, and which are mirrored."""
        count = len(self.points)
        reach = 1 if count >= 60 else 2 if count >= 12 else 3
        shifts = np.zeros((1, 2))
        for period in self.periods:
            steps = np.arange(-reach, reach + 1)[:, None] * period
            shifts = (shifts[:, None, :] + steps[None, :, :]).reshape(-1, 2)
        shifts = shifts[np.argsort(np.linalg.norm(shifts, axis=1), kind="stable")]
        points = (self.points[None, :, :] + shifts[:, None, :]).reshape(-1, 2)
        owner = np.tile(np.arange(count), len(shifts))
        mirrored = np.zeros(len(points), dtype=bool)
        if self.height is None:
            return points, owner, mirrored
        low, high = points * [1, -1], points * [1, -1] + [0, 2 * self.height]
        return (
            np.concatenate([points, low, high]),
            np.tile(owner, 3),
            np.concatenate([mirrored, ~mirrored, ~mirrored]),
        )


@dataclass(frozen=True)
class ColumnPlane(Curve):
    """Points of a plane in m, (n, 2), its periods, (k, 2), and the height of its upper mirror."""

    NAME: ClassVar = "columns"
    points_m: Floats
    periods_m: Floats
    height_m: float | None

    @classmethod
    def empty(cls) -> ColumnPlane:
        """Return a plane without columns."""
        return cls(np.zeros((0, 2)), np.zeros((0, 2)), None)


@dataclass(frozen=True)
class Cells:
    """Delaunay neighbours and Voronoi cells of the points of a plane.

    Attributes
    ----------
    first, second : ndarray
        Every neighbour of every point, (E,): each pair stands twice.
    step : ndarray
        Vector from the first to the second, (E, 2).
    area : ndarray
        Area of the cell of each point, (n,).
    bounded : ndarray
        True where a mirror bounds the cell, (n,).
    polygons : list of ndarray
        Corners of each cell, (corners, 2).
    """

    first: Integers
    second: Integers
    step: Floats
    area: Floats
    bounded: NDArray[np.bool_]
    polygons: list[Floats]


def cells_of(plane: Plane) -> Cells:
    """Return neighbours and cells of points in a plane.

    Parameters
    ----------
    plane : Plane
        At least three points, no two in one place.

    Notes
    -----
    Qhull through scipy, on the points and enough of their repeats; the repeats in the middle,
    which are the points themselves, come first.
    """
    from scipy.spatial import Delaunay, Voronoi

    points, owner, mirrored = plane.copies()
    count = len(plane.points)
    starts, neighbours = Delaunay(points).vertex_neighbor_vertices
    near = neighbours[: starts[count]]
    first = np.repeat(np.arange(count), np.diff(starts[: count + 1]))
    diagram = Voronoi(points)
    polygons = []
    for k in range(count):
        corners = diagram.vertices[diagram.regions[diagram.point_region[k]]]
        away = corners - points[k]
        polygons.append(corners[np.argsort(np.arctan2(away[:, 1], away[:, 0]))])
    area = np.array([_area(polygon) for polygon in polygons])
    bounded = np.bincount(first, mirrored[near], count) > 0
    real = ~mirrored[near]
    return Cells(
        first[real], owner[near[real]], (points[near] - points[first])[real], area, bounded,
        polygons,
    )  # fmt: skip


def _area(corners: Floats) -> float:
    """Return the area of a polygon with corners in order (shoelace formula)."""
    x, y = corners.T
    return 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))


def bond_order(cells: Cells, count: int) -> NDArray[np.complex128]:
    """Return psi6 of each point: the mean of exp(6 i angle) over its neighbours, (count,).

    Notes
    -----
    Nelson, Halperin, Phys. Rev. B 19, 2457 (1979); 1 in size for a triangular lattice.
    """
    turn = np.exp(6j * np.arctan2(cells.step[:, 1], cells.step[:, 0]))
    many = np.maximum(1, np.bincount(cells.first, minlength=count))
    real = np.bincount(cells.first, turn.real, count)
    return np.asarray((real + 1j * np.bincount(cells.first, turn.imag, count)) / many)


def merged(plane: Plane, distance: float) -> Plane:
    """Return the plane with points nearer than a distance put together at their mean."""
    from scipy.spatial import cKDTree

    from analysis.kernels.pairs import label_groups

    count = len(plane.points)
    if count < 2:
        return plane
    points, owner, mirrored = plane.copies()
    close = cKDTree(points[~mirrored]).query_pairs(distance, output_type="ndarray")
    close = close[close[:, 0] < count]  # the points themselves come first
    if len(close) == 0:
        return plane
    pairs = np.zeros((len(close), 5), np.int64)
    pairs[:, :2] = owner[close]
    label, _, _, _ = label_groups(count, pairs)
    # Every member as seen from the first of its group, so that a border cuts no column.
    _, lowest = np.unique(label, return_index=True)
    away = plane.points - plane.points[lowest[label]]
    if len(plane.periods):
        inverse = np.linalg.pinv(plane.periods)
        away = away - np.round(away @ inverse) @ plane.periods
    many = np.bincount(label)
    shift = np.stack([np.bincount(label, away[:, k]) / many for k in (0, 1)], axis=1)
    return Plane(plane.points[lowest] + shift, plane.periods, plane.height)


def stands(axis: Floats) -> bool:
    """Whether chains along a direction stand: columns, rather than chains that lie in the film."""
    return bool(abs(axis[2]) >= STANDING)


def column_planes(
    positions: Floats, label: Integers, axis: Floats, sides: Floats, thickness: float
) -> list[Plane]:
    """Return the planes across the columns with the points where columns cross them.

    Parameters
    ----------
    positions : (N, 3) array
        Centres in m.
    label : (N,) array
        Column of each particle, -1 for none.
    axis : (3,) array
        Direction of the columns.
    sides, thickness : (2,) array, float
        Patch and film in m.

    Returns
    -------
    list of Plane
        One for columns that stand; several for chains in the film plane; none for those that run
        askew to both sides of the patch, where no plane across repeats.
    """
    if stands(axis):
        points = _means(positions, label, sides)
        if len(points) == 0:
            return []
        flat = points[:, :2] + ((0.5 * thickness - points[:, 2]) / axis[2])[:, None] * axis[:2]
        flat %= sides
        # Looked at along the columns, lengths along their tilt shrink by its cosine.
        tilt = axis[:2] / (float(np.linalg.norm(axis[:2])) or 1.0)
        squeeze = np.eye(2) - (1 - abs(axis[2])) * np.outer(tilt, tilt)
        return [Plane(flat @ squeeze, np.diag(sides) @ squeeze)]
    lateral = lateral_direction(axis)
    if lateral is None or np.abs(lateral).max() < 0.9999 or abs(axis[2]) > 0.1:
        return []
    along = int(np.argmin(np.abs(lateral)))
    across = 1 - along
    planes = []
    half = 0.55 * float(np.median(_bond_lengths(positions, label, along, sides)))
    for cut in (np.arange(SECTIONS) + 0.5) / SECTIONS * sides[along]:
        off = positions[:, along] - cut
        off -= sides[along] * np.round(off / sides[along])
        inside = (label >= 0) & (np.abs(off) < half)
        points = _means(positions[inside], label[inside], sides)
        if len(points):
            flat = np.stack([points[:, across] % sides[across], points[:, 2]], axis=1)
            planes.append(Plane(flat, np.array([[sides[across], 0.0]]), thickness))
    return planes


def _bond_lengths(positions: Floats, label: Integers, along: int, sides: Floats) -> Floats:
    """Return the steps along the chains from particle to particle, in m."""
    order = np.lexsort((positions[:, along], label))
    order = order[label[order] >= 0]
    step = np.diff(positions[order, along])[np.diff(label[order]) == 0]
    step = step[(step > 0) & (step < 0.5 * sides[along])]
    return step if len(step) else np.array([sides[along]])


def _means(positions: Floats, label: Integers, sides: Floats) -> Floats:
    """Return the mean place of the particles of each label, seen from its first particle."""
    own = np.flatnonzero(label >= 0)
    if len(own) == 0:
        return np.zeros((0, 3))
    _, first, inverse = np.unique(label[own], return_index=True, return_inverse=True)
    start = positions[own[first]]
    away = positions[own] - start[inverse]
    away[:, :2] -= sides * np.round(away[:, :2] / sides)
    many = np.bincount(inverse)
    return np.asarray(
        start + np.stack([np.bincount(inverse, away[:, k]) / many for k in range(3)], axis=1)
    )


def plane_numbers(plane: Plane) -> dict[str, tuple[float, float]]:
    """Return the numbers ``NAMES`` of one plane with their errors; empty with too few columns."""
    count = len(plane.points)
    if count < FEWEST_COLUMNS:
        return {}
    cells = cells_of(plane)
    inner = ~cells.bounded
    if inner.sum() < FEWEST_COLUMNS // 2:
        return {}
    psi = bond_order(cells, count)[inner]
    length = np.linalg.norm(cells.step, axis=1)
    kept = length[inner[cells.first]]
    nearest = np.full(count, np.inf)
    np.minimum.at(nearest, cells.first, length)
    six = np.bincount(cells.first, minlength=count)[inner] == 6
    area = cells.area[inner]
    free = math.sqrt(inner.sum())
    spread = float(area.std() / area.mean())
    return {
        "count": (float(count), math.nan),
        "neighbour_distance_m": (float(kept.mean()), float(kept.std()) / math.sqrt(3) / free),
        "neighbour_spread_m": (float(kept.std()), float(kept.std()) / math.sqrt(6) / free),
        "nearest_m": (float(nearest[inner].mean()), float(nearest[inner].std()) / free),
        # Without mirrors the mean cell is the plane over its columns, exactly.
        "cell_area_m2": (float(area.mean()), float(area.mean()) / math.sqrt(count) * spread),
        "cell_area_spread": (spread, spread / math.sqrt(2) / free),
        "hexagonal_order": (abs(psi.mean()), float(np.abs(psi).std() + 1e-12) / free),
        "hexagonal_order_local": (float(np.abs(psi).mean()), float(np.abs(psi).std()) / free),
        "six_neighbours_share": (float(six.mean()), float(six.std()) / free),
    }


@dataclass
class ColumnFrames:
    """Order of columns over frames; ``add`` takes one frame.

    Parameters
    ----------
    sides, thickness, diameter : (2,) array, floats
        Patch, film and median steric diameter in m.
    axis : (3,) array or None
        Direction of the chains.
    """

    sides: Floats
    thickness: float
    diameter: float
    axis: Floats | None
    rows: list[dict[str, tuple[float, float]]] = field(default_factory=list)
    last: Plane | None = None

    def add(self, positions: Floats, bundle: Integers) -> None:
        """Take in one frame: positions (N, 3) in m and the bundle of each particle."""
        if self.axis is None:
            return
        planes = column_planes(positions, bundle, self.axis, self.sides, self.thickness)
        planes = [merged(plane, MERGED * self.diameter) for plane in planes]
        told = [(plane, row) for plane in planes if (row := plane_numbers(plane))]
        if not told:
            return
        self.last = told[0][0]  # one that counts, unlike those with too few columns
        found = [row for _, row in told]
        self.rows.append(
            {
                name: (
                    float(np.mean([row[name][0] for row in found])),
                    # Planes across the same chains tell about the same: no smaller error.
                    float(np.mean([row[name][1] for row in found])),
                )
                for name in NAMES
            }
        )

    def curve(self) -> ColumnPlane:
        """Return the plane of the last frame in which there were columns, for its picture."""
        if self.last is None:
            return ColumnPlane.empty()
        return ColumnPlane(self.last.points, self.last.periods, self.last.height)

    def numbers(self, structures: float | None) -> dict[str, Any]:
        """Return the entry ``columns``; every number is None where columns were too few."""
        out: dict[str, Any] = {}
        for name in NAMES:
            rows = [row[name] for row in self.rows]
            out[name] = estimate_of_pairs(rows, structures).as_dict()
        out["cell_area_spread_random"] = RANDOM_AREA_SPREAD
        return out
