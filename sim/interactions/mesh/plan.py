"""Plan of the mesh sum: splitting, grid and windows from a tolerance.

The plan follows from patch, thickness, count and tolerance by the errors of `mesh_errors` and a
cost model with fixed constants, never by timing: a plan that depended on the clock would change
the bits of a run.
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.common.arrays import Floats
from sim.interactions.mesh.errors import ErrorTable, error_table

Layout = tuple[tuple[int, int, int], tuple[float, float, float], int]

# Relative costs of one particle: a neighbour, a row of grid points under the window, what every
# particle takes, a grid point through all transforms, by single and double precision.
COST_PAIR = 1.0
COST_ROW = 3.0
COST_PARTICLE = 100.0
COST_POINT = {"float32": 6.0, "float64": 12.0}

# The errors of random dipoles are made this much smaller than asked for, to cover states whose
# errors add up (lattices, polarised films) and fields below the estimate.
SAFETY = 3.0
# RMS field of the weakest films known to the tests over moment/spacing^3.
WEAKEST_FIELD = 2.0
# RMS field of a gas of dipoles that keep a distance d, over moment sqrt(density/d^3): own
# algebra, sqrt(8 pi/3), with some room.
GAS_FIELD = 2.4
ROUNDING = {"float32": 1.0e-7, "float64": 3.0e-14}
# Of the gain, what rounding leaves in field and force.
ROUNDING_SAFETY = 3.0
# Shortest range tried, in distances of neighbours.
SHORTEST_RANGE = 0.3
# Reach of the false field of a dipole across a thin film, in radii of its cloud.
ERROR_REACH = 0.4
WINDOW_LANES = 8
# So many of the cheapest plans are laid out, as real grids have more points than asked for.
LAID_OUT = 60
RADII = 64
LEAST_POINTS = 4


class MeshPlan(NamedTuple):
    """What a mesh sum is made of; lengths in the unit of the sides.

    Attributes
    ----------
    sides : (float, float)
        Periods of the patch.
    thickness : float
        Range of z, from 0.
    tolerance : float
        Relative RMS error asked for.
    cutoff : float
        Range of the short-range part, the radius of the clouds; at most half the shorter side.
    cloud_shape : float
        Shape of the clouds, see `bells`.
    width : int
        Grid points under a window, an axis.
    window_shape : float
        Shape of the window.
    points : (int, int, int)
        Grid points in x, y and z; in z with the gap to the copies of the film.
    spacing : (float, float, float)
        Grid spacings.
    layers : int
        Grid points in z that hold dipoles or are gathered.
    precision : str
        "float32" or "float64": of the grid and its transforms.
    gain : float
        A cloud's field or force over the least ones expected: what rounding is multiplied by.
    error : float
        Error estimated, relative, with the safety of the plan.
    cost : float
        Cost of a particle in the units of the model (about nanoseconds).
    """

    sides: tuple[float, float]
    thickness: float
    tolerance: float
    cutoff: float
    cloud_shape: float
    width: int
    window_shape: float
    points: tuple[int, int, int]
    spacing: tuple[float, float, float]
    layers: int
    precision: str
    gain: float
    error: float
    cost: float


def spacing_of(sides: tuple[float, float], thickness: float, count: int) -> float:
    """Typical distance of a dipole from the next one or its own image.

    Parameters
    ----------
    sides : (float, float)
    thickness : float
    count : int

    Returns
    -------
    float
    """
    flat = math.sqrt(sides[0] * sides[1] / count)
    bulk = (flat * flat * thickness) ** (1.0 / 3.0)
    return min(bulk if thickness > flat else flat, *sides)


def _dense(sides: tuple[float, float], thickness: float, count: int, reach: Floats) -> Floats:
    """Particles a volume, for a film seen at a range: a thin one is spread over the range."""
    return np.asarray(count / (sides[0] * sides[1] * np.maximum(thickness, reach)))


def _errors(
    table: ErrorTable,
    radius: Floats,
    density: Floats,
    scale: tuple[float, float, float],
) -> tuple[Floats, Floats]:
    """Relative error of every plan (radius, width, spacing, shape), and its wave number kappa.

    `scale` holds the RMS field, the RMS force and the ratio of RMS squared moment to mean square.
    """
    kappa = table.shapes / radius[:, None, None, None]
    dense = density[:, None, None, None]
    field = np.hypot(np.sqrt(dense * kappa**3) * table.field, table.own * kappa**3)
    pull = math.pi / table.spacings[:, None] * table.own * kappa**4 * scale[2]
    force = np.hypot(np.sqrt(dense * kappa**5) * table.force, pull)
    return np.maximum(field / scale[0], force / scale[1]), kappa


def _cost(
    table: ErrorTable, radius: Floats, kappa: Floats, density: Floats, count: int,
    film: tuple[tuple[float, float], float], precision: str, every: int,
) -> Floats:  # fmt: skip
    """Cost per particle of every plan, with grids as fine as asked for."""
    (wide, long), thickness = film
    r = radius[:, None, None, None]
    step = table.spacings[:, None] / kappa
    width = table.widths[:, None, None]
    planes = np.maximum(wide / step, width) * np.maximum(long / step, width)
    layers = thickness / step + width + (thickness + r) / step
    fixed = _cost_without_grid(r, width, density[:, None, None, None], every)
    return np.asarray(fixed + COST_POINT[precision] * 0.5 * planes * layers / count / every)


def _cost_without_grid(
    radius: Floats, width: NDArray[np.int64], density: Floats, every: int
) -> Floats:
    """Cost per particle of pairs, and of spreading and gathering once in ``every`` steps."""
    rows = width**2 * np.ceil(width / WINDOW_LANES)
    pairs = 4.0 / 3.0 * math.pi * radius**3 * density
    return np.asarray(COST_PAIR * pairs + (COST_ROW * rows + COST_PARTICLE) / every)


def _fast_points(length: float, step: float, least: int) -> int:
    """Return a number of grid points that the transforms are fast for."""
    from scipy.fft import next_fast_len

    return int(next_fast_len(max(math.ceil(length / step - 1.0e-9), least), real=True))


def _lay_out(
    film: tuple[tuple[float, float], float], step: float, width: int, cutoff: float
) -> Layout:
    """Return points and spacings by axis, and the layers in use."""
    (wide, long), thickness = film
    nx, ny = (_fast_points(side, step, max(width, LEAST_POINTS)) for side in (wide, long))
    layers = math.floor(thickness / step) + width
    nz = _fast_points(thickness + cutoff, step, layers)
    return (nx, ny, nz), (wide / nx, long / ny, step), layers


def _expected(
    pair: tuple[float, float], thickness: float, count: int, spacing: float, nearest: float | None
) -> tuple[float, float]:
    """Least RMS field and force to be expected of dipoles of one unit."""
    field = WEAKEST_FIELD / spacing**3
    contact = min(nearest or spacing, spacing)
    if nearest is not None:
        density = float(_dense(pair, thickness, count, np.array(contact)))
        field = max(field, GAS_FIELD * math.sqrt(density / contact**3))
    return field, field / contact


def _cheapest(
    table: ErrorTable, cost: Floats, kappa: Floats, radius: Floats, density: Floats, count: int,
    film: tuple[tuple[float, float], float], precision: str, every: int,
) -> tuple[float, tuple[np.intp, ...], Layout] | None:  # fmt: skip
    """Return the plan whose real grid costs least: its cost, place in the table, and layout."""
    best = None
    for flat in np.argsort(cost, axis=None, kind="stable")[:LAID_OUT]:
        at, a, b, c = place = np.unravel_index(flat, cost.shape)
        if not np.isfinite(cost[place]):
            break
        step = float(table.spacings[b] / kappa[at, 0, 0, c])
        layout = _lay_out(film, step, int(table.widths[a]), float(radius[at]))
        (nx, ny, nz), _, layers = layout
        fixed = _cost_without_grid(radius[at], table.widths[a], density[at], every)
        grid = COST_POINT[precision] * 0.5 * nx * ny * (nz + layers) / count
        real = float(fixed) + grid / every
        if best is None or real < best[0]:
            best = real, place, layout
    return best


def plan_mesh(
    sides: Sequence[float] | Floats,
    thickness: float,
    tolerance: float,
    count: int,
    nearest: float | None = None,
    longest: float | None = None,
    moment_ratio: float = 1.0,
    spacing: float | None = None,
    every: int = 1,
) -> MeshPlan:
    """Choose splitting, grid and windows of a mesh sum.

    Parameters
    ----------
    sides : (float, float)
        Sides of the periodic patch, any length unit, any ratio.
    thickness : float
        Range of z of the dipoles, from 0 for a monolayer, in the unit of `sides`.
    tolerance : float
        Relative RMS error of field and force, 1e-8 to below 1.
    count : int
        Number of dipoles.
    nearest : float, optional
        Distance that the dipoles keep, where there is one. The fields of a film of such
        dipoles are larger than of the sparsest lattice, and the plan may be cheaper.
    longest : float, optional
        Longest short range allowed, where something else limits it; it is at most half the
        shorter side anyway.
    moment_ratio : float
        Root of the mean fourth power over the mean square of the moments, 1 where all are equal.
    spacing : float, optional
        Typical distance of neighbours, where patch and count do not tell it: `spacing_of`.
    every : int
        Pair sums to one sum of the mesh: the more, the finer the mesh that costs least.

    Returns
    -------
    MeshPlan

    Raises
    ------
    ValueError
        If no plan meets the tolerance.
    """
    pair = (float(sides[0]), float(sides[1]))
    film = (pair, float(thickness))
    spacing = spacing or spacing_of(pair, film[1], count)
    field, force = _expected(pair, film[1], count, spacing, nearest)
    limit = 0.5 * min(pair) if longest is None else min(longest, 0.5 * min(pair))
    shortest = SHORTEST_RANGE * min(nearest or spacing, spacing)
    radius = limit * np.geomspace(min(1.0, shortest / limit), 1.0, RADII)
    dense = _dense(pair, film[1], count, radius)
    table = error_table()
    felt = _dense(pair, film[1], count, ERROR_REACH * radius)
    error, kappa = _errors(table, radius, felt, (field, force, moment_ratio))
    gain = np.broadcast_to(kappa**3 * np.maximum(1.0 / field, kappa / force), error.shape)
    best = None
    for precision, unit in ROUNDING.items():
        wrong = SAFETY * error + ROUNDING_SAFETY * unit * gain
        cost = _cost(table, radius, kappa, dense, count, film, precision, every)
        cost = np.where(wrong <= tolerance, cost, np.inf)
        found = _cheapest(table, cost, kappa, radius, dense, count, film, precision, every)
        if found is not None and (best is None or found[0] < best[0]):
            best = *found, precision, float(wrong[found[1]])
    if best is None:
        raise ValueError(
            f"tolerance must be at least 1e-8, or more in a patch of few dipoles, for a mesh; "
            f"received {tolerance:g}."
        )
    least, place, (points, steps, layers), precision, wrong_found = best
    at, a, b, c = place
    return MeshPlan(
        sides=pair,
        thickness=film[1],
        tolerance=tolerance,
        cutoff=float(radius[at]),
        cloud_shape=float(table.shapes[c]),
        width=int(table.widths[a]),
        window_shape=float(table.window_shape[a, b, c]),
        points=points,
        spacing=steps,
        layers=layers,
        precision=precision,
        gain=float(gain[place]),
        error=wrong_found,
        cost=least,
    )
