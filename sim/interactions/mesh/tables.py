"""Arrays of a mesh sum, from its plan: windows, influence function, corrections, pair table."""

import math
from functools import partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.common.arrays import Floats
from analysis.common.blocks import blocks_of, on_all_cores
from sim.interactions.mesh.errors import alias_sums
from sim.interactions.mesh.kaiser_bessel import (
    CLOUD_ORDER,
    WINDOW_ORDER,
    bell,
    bell_area,
    bell_spectrum,
    cloud_factors,
)
from sim.interactions.mesh.plan import ROUNDING, MeshPlan

LANES = 8
# Window polynomials are as wrong as this share of the error allowed.
WINDOW_SHARE = 0.1
FINEST_DEGREE = 26
# A pair's factors are as wrong as this share: some hundred of them add up at random.
PAIR_SHARE = 0.02
FINEST_FIT = {"float32": 1.0e-7, "float64": 1.0e-14}
# Waves that the windows pass no better than this many times their error are dropped.
NOISE = 30.0
# Modes whose copies act by less than this share of the tolerance have no layer correction.
LAYER_SHARE = 1.0e-3
SLAB = 2**20
"""Points of the influence function that are computed at once."""


class MeshShape(NamedTuple):
    """Numbers of the grid and of its windows, read by `sim.kernels.dipoles.mesh_sum`.

    Attributes
    ----------
    width : int
        P, grid points under a window.
    span : int
        P rounded up to whole vectors.
    points_x, points_y, layers : int
        Grid in use.
    blocks : int
        Slabs of planes, an even number or 1, that spread without meeting in two rounds.
    side_x, side_y, thickness : float
    inverse_x, inverse_y, inverse_z : float
        One over the grid spacings.
    uniform : float
        4 pi/(W_x W_y period_z): field across the film that takes off the copies of M_z.
    own : float
        Field of a cloud at its own middle over its moment, with the sign turned: to be added.
    """

    width: int
    span: int
    points_x: int
    points_y: int
    layers: int
    blocks: int
    side_x: float
    side_y: float
    thickness: float
    inverse_x: float
    inverse_y: float
    inverse_z: float
    uniform: float
    own: float


class MeshTables(NamedTuple):
    """Arrays of a mesh sum; of the grid's precision unless said.

    Attributes
    ----------
    shape : MeshShape
    window : ((degree + 1) span,)
        Window polynomials in the distance from the middle of a grid interval, by falling
        degree; entry m of a row is the piece of grid point m.
    influence : (nx/2 + 1, ny/2 + 1, nz/2 + 1)
        Influence function, over the cell volume.
    decay, layer : float64 (nx/2 + 1, ny/2 + 1)
        exp(-k h_z), and weight of the correction that takes off the copies in z.
    """

    shape: MeshShape
    window: NDArray[np.floating]
    influence: NDArray[np.floating]
    decay: Floats
    layer: Floats


def _window_polynomials(plan: MeshPlan) -> tuple[Floats, float]:
    """Fit the window on each grid interval; return polynomials by falling degree and their error.

    The degree is the lowest whose second derivative, which the force needs, is right enough.
    """
    chebyshev = np.polynomial.chebyshev
    nodes = np.cos(math.pi * (np.arange(64) + 0.5) / 64)
    middle = np.arange(plan.width) - 0.5 * plan.width + 0.5
    places = (middle + 0.5 * nodes[:, None]) / (0.5 * plan.width)
    values = bell(WINDOW_ORDER, plan.window_shape, places)
    finest = chebyshev.chebfit(nodes, values, FINEST_DEGREE)
    enough = max(WINDOW_SHARE * plan.tolerance / plan.gain, FINEST_FIT[plan.precision])
    for degree in range(3, FINEST_DEGREE + 1):
        fit = finest[: degree + 1]
        wrong = 0.0
        for order in (0, 2):
            whole = chebyshev.chebval(nodes, chebyshev.chebder(finest, order))
            part = chebyshev.chebval(nodes, chebyshev.chebder(fit, order))
            wrong = max(wrong, float(np.abs(part - whole).max() / np.abs(whole).max()))
        if wrong < enough:
            break
    powers = np.zeros((degree + 1, LANES * math.ceil(plan.width / LANES)))
    for m in range(plan.width):
        piece = chebyshev.cheb2poly(fit[:, m])
        piece = piece * 2.0 ** np.arange(piece.size)  # from [-1, 1] to [-1/2, 1/2]
        powers[degree - piece.size + 1 :, m] = piece[::-1]
    return powers, max(wrong, ROUNDING[plan.precision])


def _wave_axes(plan: MeshPlan) -> list[Floats]:
    """Wave numbers 0 to the largest, by axis."""
    return [
        np.asarray(2.0 * math.pi / (n * h) * np.arange(n // 2 + 1), dtype=np.float64)
        for n, h in zip(plan.points, plan.spacing, strict=True)
    ]


def _influence(plan: MeshPlan, waves: list[Floats], noise: float) -> NDArray[np.floating]:
    """Best influence function of dipoles, 4 pi f(k) w^2 k^2/(sum w^2 q^2)^2 over the cell volume.

    The sum goes over the aliases q of k; f is the cloud's spectrum, w the window's. Waves that
    the windows pass less than their noise carry none of the cloud, and are left out. Large grids
    are filled slab by slab on all cores, which changes no bit.
    """
    own, total = [], []
    for k, spacing in zip(waves, plan.spacing, strict=True):
        sums = alias_sums(k, spacing, plan.width, plan.window_shape)
        own.append(sums[0][0])
        total.append({n: sums[0][n] + sums[1][n] for n in (0, 2)})
    result = np.empty([k.size for k in waves], plan.precision)
    rows = max(1, SLAB // max(1, waves[1].size * waves[2].size))
    fill = partial(_fill_influence, result, plan, waves, (own, total), noise)
    on_all_cores(fill, blocks_of(waves[0].size, rows))
    return result


def _fill_influence(
    out: NDArray[np.floating],
    plan: MeshPlan,
    waves: list[Floats],
    sums: tuple[list[Floats], list[dict[int, Floats]]],
    noise: float,
    rows: slice,
) -> None:
    """Write the influence function at some wave numbers of x, and all of y and z."""
    own, total = sums
    places = [np.arange(k.size) for k in waves]
    x, y, z = np.ix_(places[0][rows], *places[1:])
    kx, ky, kz = waves[0][x], waves[1][y], waves[2][z]
    squared = kx**2 + ky**2 + kz**2
    tx, ty, tz = total
    gathered = (
        tx[2][x] * ty[0][y] * tz[0][z]
        + tx[0][x] * ty[2][y] * tz[0][z]
        + tx[0][x] * ty[0][y] * tz[2][z]
    )
    cloud = bell_spectrum(CLOUD_ORDER, plan.cloud_shape, squared * plan.cutoff**2)
    gathered[squared == 0.0] = 1.0
    window = own[0][x] * own[1][y] * own[2][z]
    result = 4.0 * math.pi * cloud * window * squared / gathered**2
    result = np.where(window > noise**2, result, 0.0)
    out[rows] = result / (_window_weight(plan) ** 2 * math.prod(plan.spacing))


def _window_weight(plan: MeshPlan) -> float:
    """Return the sum of a window's weights: its spectrum at wave number 0, in grid units, cubed."""
    return float((0.5 * plan.width * bell_area(WINDOW_ORDER, plan.window_shape)) ** 3)


def _layer(plan: MeshPlan, waves: list[Floats]) -> tuple[Floats, Floats]:
    """Decay by a grid layer, and weight of the layer correction, by in-plane wave numbers.

    The copies n L away in z add (2 pi/(A k)) exp(-k |z + n L|) each, exactly, as they lie beyond
    the cloud: in all (2 pi/(A k)) 2 cosh(k z) exp(-k L)/(1 - exp(-k L)).
    """
    kx, ky = np.meshgrid(waves[0], waves[1], indexing="ij")
    k = np.hypot(kx, ky)
    period = plan.points[2] * plan.spacing[2]
    height = (plan.layers - 1) * plan.spacing[2]
    half = [0.5 * plan.width * h for h in plan.spacing]
    shape = plan.window_shape
    # The correction grows with exp(+-k z): the window's spectrum at imaginary wave number.
    windows = (
        bell_spectrum(WINDOW_ORDER, shape, (kx * half[0]) ** 2)
        * bell_spectrum(WINDOW_ORDER, shape, (ky * half[1]) ** 2)
        * bell_spectrum(WINDOW_ORDER, shape, -((k * half[2]) ** 2))
    )
    felt = (k > 0.0) & (
        k * (period - plan.thickness) < math.log(1.0 / LAYER_SHARE / plan.tolerance)
    )
    safe = np.where(felt, k, 1.0)
    area = plan.spacing[0] * plan.spacing[1]
    weight = 2.0 * math.pi / (area * safe) * np.exp(-safe * (period - height))
    weight /= -np.expm1(-safe * period) * (windows * _window_weight(plan)) ** 2
    return np.exp(-k * plan.spacing[2]), np.where(felt, weight, 0.0)


def make_tables(plan: MeshPlan) -> MeshTables:
    """Compute all arrays of a mesh sum.

    Parameters
    ----------
    plan : MeshPlan

    Returns
    -------
    MeshTables
    """
    waves = _wave_axes(plan)
    window, wrong = _window_polynomials(plan)
    influence = _influence(plan, waves, NOISE * wrong)
    decay, layer = _layer(plan, waves)
    area = plan.sides[0] * plan.sides[1]
    shape = MeshShape(
        width=plan.width,
        span=window.shape[1],
        points_x=plan.points[0],
        points_y=plan.points[1],
        layers=plan.layers,
        blocks=2 * (plan.points[0] // (2 * plan.width)) or 1,
        side_x=plan.sides[0],
        side_y=plan.sides[1],
        thickness=plan.thickness,
        inverse_x=1.0 / plan.spacing[0],
        inverse_y=1.0 / plan.spacing[1],
        inverse_z=1.0 / plan.spacing[2],
        uniform=4.0 * math.pi / (area * plan.points[2] * plan.spacing[2]),
        own=float(cloud_factors(plan.cloud_shape, plan.cutoff, np.zeros(1))[0][0]),
    )
    return MeshTables(
        shape=shape,
        window=window.ravel().astype(plan.precision),
        influence=influence,
        decay=decay,
        layer=layer,
    )


def screening_table(plan: MeshPlan, precision: str = "float64") -> NDArray[np.floating]:
    """Coefficients of the short-range law, `sim.kernels.laws.screened.screened_radial`.

    Parameters
    ----------
    plan : MeshPlan
    precision : str
        Type of the table; that of the pair arithmetic.

    Returns
    -------
    array (3 degree + 4,)
        2/cutoff^2, then by falling degree the coefficients of B, C and D in
        u = 2 r^2/cutoff^2 - 1.
    """
    nodes = np.cos(math.pi * (np.arange(96) + 0.5) / 96)
    squared = 0.5 * plan.cutoff**2 * (nodes + 1.0)
    values = np.stack(cloud_factors(plan.cloud_shape, plan.cutoff, squared), axis=1)
    # Each factor by what it does to the field, and to the force times the range of the clouds,
    # against the least field expected (see the plan's gain).
    effect = np.sqrt(squared)[:, None] ** np.array([0.0, 2.0, 4.0])
    field = (plan.cloud_shape / plan.cutoff) ** 3 / plan.gain
    enough = max(PAIR_SHARE * plan.tolerance * field, 1.0e-13 * plan.cutoff**-3)
    for degree in range(3, 40):
        fit = np.polynomial.chebyshev.chebfit(nodes, values, degree)
        wrong = np.abs(np.polynomial.chebyshev.chebval(nodes, fit).T - values) * effect
        if (wrong < enough).all():
            break
    powers = np.zeros((degree + 1, 3))
    for n in range(3):
        piece = np.polynomial.chebyshev.cheb2poly(fit[:, n])
        powers[degree - piece.size + 1 :, n] = piece[::-1]
    return np.concatenate([[2.0 / plan.cutoff**2], powers.ravel()]).astype(precision)
