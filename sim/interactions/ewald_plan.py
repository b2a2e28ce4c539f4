"""Plan of the exact slab sum: splitting, cutoffs and wave vectors from a tolerance.

The plan follows from patch, thickness, count and tolerance by a cost model with fixed
constants, never by timing: a plan that depended on the clock would change the bits of a run.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from analysis.common.arrays import Floats, Integers

if TYPE_CHECKING:
    from sim.kernels.vectors.calls import Packed

# Relative costs of the cost model: one pair or image within the cutoff, one candidate outside
# it, one (particle, wave vector, +-h) term, one (particle, in-plane wave vector).
COST_PAIR = 14.0
COST_CANDIDATE = 1.5
COST_WAVE = 2.0
COST_COLUMN = 25.0

BOYS_STEP = 0.1


class EwaldPlan(NamedTuple):
    """Constants of one exact sum, read by `sim.kernels.dipoles.ewald_slab`; lengths as the sides.

    Attributes
    ----------
    width_x, width_y : float
        Sides of the periodic patch.
    period_z : float
        Distance of the auxiliary copies in z, larger than thickness + cutoff.
    splitting : float
        Ewald parameter a, an inverse length.
    cutoff : float
        Range of the short-range part.
    images_x, images_y : int
        Images to visit on either side of the nearest one.
    self_term, uniform_term : float
        4 a^3/(3 sqrt pi), and 4 pi/(width_x width_y period_z).
    wave_x, wave_y : float64 (C,)
        In-plane wave vectors of half the plane; one of them is (0, 0).
    index_x, index_y : int64 (C,)
        The same as whole numbers.
    first : int64 (C + 1,)
        Where the h = 0, 1, ... entries of each wave vector begin in `weight`.
    weight : float64 (K,)
        (4 pi/V) exp(-k^2/4a^2)/k^2 times the number of equivalent wave vectors.
    wave_z : float64 (H,)
        Values of h.
    layer_weight : float64 (C,)
        4 pi/(A k (1 - exp(-k period_z))); 0 where the copies are too far to be felt.
    boys : float64 (T, 9)
        Boys functions F_1 to F_9 at 0, boys_step, 2 boys_step, ...
    boys_step, boys_scale : float
        Step of the table, and a^2/boys_step.
    smooth_b, smooth_c, smooth_d : float
        (2 a/sqrt pi)(2 a^2)^n for n = 1, 2, 3: factors of F_n in the smooth part.
    """

    width_x: float
    width_y: float
    period_z: float
    splitting: float
    cutoff: float
    images_x: int
    images_y: int
    self_term: float
    uniform_term: float
    wave_x: Floats
    wave_y: Floats
    index_x: Integers
    index_y: Integers
    first: Integers
    weight: Floats
    wave_z: Floats
    layer_weight: Floats
    boys: Floats
    boys_step: float
    boys_scale: float
    smooth_b: float
    smooth_c: float
    smooth_d: float


class EwaldWork(NamedTuple):
    """Scratch of one exact sum: phase tables and structure factors."""

    x_real: Floats
    x_imaginary: Floats
    y_real: Floats
    y_imaginary: Floats
    z_real: Floats
    z_imaginary: Floats
    even_real: Floats
    even_imaginary: Floats
    odd_real: Floats
    odd_imaginary: Floats
    layer: Floats


def _exponent(cutoff: float, spacing: float, tolerance: float) -> float:
    """Return (a cutoff)^2 such that the first left-out terms meet the tolerance.

    A term at the cutoff is about a^4 exp(-(a cutoff)^2) m^2 in the force, against m^2/spacing^4
    of the neighbours; the fixed factor covers the number of such terms and was found ample
    on random, chained and polarised states (tests/unit/test_slab_sum.py).
    """
    exponent = math.log(1.0 / tolerance)
    for _ in range(8):
        blur = math.sqrt(exponent) * spacing / cutoff
        exponent = math.log(20.0 / tolerance) + 4.0 * math.log(max(blur, 1.0))
    return exponent


def _spacing(sides: tuple[float, float], thickness: float, count: int) -> float:
    """Typical distance of a dipole from the next one or its own image."""
    area = sides[0] * sides[1]
    flat = math.sqrt(area / count)
    spacing = (area * thickness / count) ** (1.0 / 3.0) if thickness > flat else flat
    return min(spacing, *sides)


def _cost(
    cutoff: float, sides: tuple[float, float], thickness: float, count: int, exponent: float
) -> float:
    """Cost of one particle in the model, in the units of the constants above."""
    area = sides[0] * sides[1]
    images = [2 * math.floor(cutoff / side + 0.5) + 1 for side in sides]
    share = min(1.0, 4.0 * cutoff / (3.0 * thickness)) if thickness > 0.0 else 1.0
    pairs = max(count * math.pi * cutoff**2 * share / area, 1.0)
    candidates = count * images[0] * images[1]
    reach = 2.0 * exponent / cutoff
    columns = area * reach**2 / (8.0 * math.pi) + 1.0
    heights = (thickness + cutoff) * reach / (3.0 * math.pi) + 1.0
    return (
        COST_PAIR * pairs
        + COST_CANDIDATE * candidates
        + (COST_COLUMN + COST_WAVE * heights) * columns
    )


def _wave_vectors(
    sides: tuple[float, float], period_z: float, reach: float
) -> tuple[Integers, Integers, Integers]:
    """In-plane wave vectors of half the plane within `reach`, and how many h each of them has."""
    most_x = math.floor(reach * sides[0] / (2.0 * math.pi))
    most_y = math.floor(reach * sides[1] / (2.0 * math.pi))
    nx, ny = np.meshgrid(np.arange(most_x + 1), np.arange(-most_y, most_y + 1), indexing="ij")
    half = (nx > 0) | (ny >= 0)
    nx, ny = nx[half], ny[half]
    left = reach**2 - (2.0 * math.pi * nx / sides[0]) ** 2 - (2.0 * math.pi * ny / sides[1]) ** 2
    inside = left >= 0.0
    nx, ny, left = nx[inside], ny[inside], left[inside]
    heights = np.floor(np.sqrt(left) * period_z / (2.0 * math.pi)).astype(np.int64) + 1
    # Threads take contiguous blocks: a golden-ratio shuffle spreads long and short columns.
    order = np.argsort((np.arange(nx.size) * 0.6180339887498949) % 1.0, kind="stable")
    return nx[order].astype(np.int64), ny[order].astype(np.int64), heights[order]


def _boys_table(largest: float) -> Floats:
    """Boys functions F_1 ... F_9, F_n(t) = int_0^1 u^(2n) exp(-t u^2) du, on a grid of t.

    By the series exp(-t) sum_i (2t)^i/[(2n+1)(2n+3)...(2n+2i+1)], whose terms are positive.
    """
    t = BOYS_STEP * np.arange(math.ceil(largest / BOYS_STEP) + 2)[:, None]
    n = np.arange(1, 10)[None, :]
    term = np.exp(-t) / (2.0 * n + 1.0)
    total = term.copy()
    for i in range(1, 100 + 4 * math.ceil(largest)):
        term = term * (2.0 * t) / (2.0 * (n + i) + 1.0)
        total += term
    return np.asarray(total, dtype=np.float64)


def _build(
    sides: tuple[float, float], thickness: float, cutoff: float, exponent: float
) -> EwaldPlan:
    """Lay out all constants for a cutoff and (a cutoff)^2."""
    splitting = math.sqrt(exponent) / cutoff
    reach = 2.0 * splitting * math.sqrt(exponent)
    root = 2.0 * splitting / math.sqrt(math.pi)
    period_z = thickness + cutoff
    area = sides[0] * sides[1]
    index_x, index_y, heights = _wave_vectors(sides, period_z, reach)
    first = np.concatenate([[0], np.cumsum(heights)]).astype(np.int64)
    wave_x: Floats = 2.0 * math.pi / sides[0] * index_x.astype(np.float64)
    wave_y: Floats = 2.0 * math.pi / sides[1] * index_y.astype(np.float64)
    wave_z: Floats = 2.0 * math.pi / period_z * np.arange(float(heights.max()))
    k = np.hypot(wave_x, wave_y)
    column = np.repeat(np.arange(k.size), heights)
    n = np.arange(column.size) - first[column]
    squared = k[column] ** 2 + wave_z[n] ** 2
    copies = np.where(n > 0, 2.0, 1.0) * np.where(k[column] > 0.0, 2.0, 1.0)
    origin = squared == 0.0
    safe = np.where(origin, 1.0, squared)
    weight = 4.0 * math.pi / (area * period_z) * copies * np.exp(-safe / (4.0 * splitting**2))
    weight = np.where(origin, 0.0, weight / safe)
    felt = (k > 0.0) & (k * (period_z - thickness) < exponent + math.log(1.0e3))
    safe_k = np.where(felt, k, 1.0)
    layer = 4.0 * math.pi / (area * safe_k) / -np.expm1(-safe_k * period_z)
    return EwaldPlan(
        width_x=sides[0],
        width_y=sides[1],
        period_z=period_z,
        splitting=splitting,
        cutoff=cutoff,
        images_x=math.floor(cutoff / sides[0] + 0.5),
        images_y=math.floor(cutoff / sides[1] + 0.5),
        self_term=4.0 * splitting**3 / (3.0 * math.sqrt(math.pi)),
        uniform_term=4.0 * math.pi / (area * period_z),
        wave_x=wave_x,
        wave_y=wave_y,
        index_x=index_x,
        index_y=index_y,
        first=first,
        weight=weight,
        wave_z=wave_z,
        layer_weight=np.where(felt, layer, 0.0),
        boys=_boys_table(exponent),
        boys_step=BOYS_STEP,
        boys_scale=splitting**2 / BOYS_STEP,
        smooth_b=root * 2.0 * splitting**2,
        smooth_c=root * 4.0 * splitting**4,
        smooth_d=root * 8.0 * splitting**6,
    )


def plan_exact(
    sides: Sequence[float] | Floats,
    thickness: float,
    tolerance: float = 1e-10,
    count: int = 200,
    cutoff: float | None = None,
) -> EwaldPlan:
    """Choose splitting, cutoffs and wave vectors of the exact sum.

    Parameters
    ----------
    sides : (float, float)
        Sides of the periodic patch, any length unit, any ratio.
    thickness : float
        Range of z of the dipoles, from 0 for a monolayer, in the unit of `sides`.
    tolerance : float
        Relative RMS error of field and force, 1e-12 to 1e-1.
    count : int
        Number of dipoles to plan for; the sum is right for any other number too, only slower.
    cutoff : float, optional
        Range of the short-range part; chosen by the cost model where left out.

    Returns
    -------
    EwaldPlan
    """
    pair = (float(sides[0]), float(sides[1]))
    spacing = _spacing(pair, thickness, count)
    if cutoff is None:
        trials = [min(pair) * 0.05 * 1.1**n for n in range(1000)]
        trials = [c for c in trials if c <= 4.0 * max(pair)]
        cutoff = min(
            trials,
            key=lambda c: _cost(c, pair, thickness, count, _exponent(c, spacing, tolerance)),
        )
    return _build(pair, float(thickness), float(cutoff), _exponent(cutoff, spacing, tolerance))


def make_work(plan: EwaldPlan, count: int) -> EwaldWork:
    """Reserve the scratch of a plan for `count` dipoles.

    Parameters
    ----------
    plan : EwaldPlan
    count : int
        Largest number of dipoles that will be summed with it.

    Returns
    -------
    EwaldWork
    """
    most_x = int(plan.index_x.max()) + 1
    most_y = int(np.abs(plan.index_y).max()) + 1
    most_z = plan.wave_z.size
    terms = plan.weight.size
    return EwaldWork(
        x_real=np.zeros((most_x, count)),
        x_imaginary=np.zeros((most_x, count)),
        y_real=np.zeros((most_y, count)),
        y_imaginary=np.zeros((most_y, count)),
        z_real=np.zeros((most_z, count)),
        z_imaginary=np.zeros((most_z, count)),
        even_real=np.zeros(terms),
        even_imaginary=np.zeros(terms),
        odd_real=np.zeros(terms),
        odd_imaginary=np.zeros(terms),
        layer=np.zeros((plan.wave_x.size, 4)),
    )


def dipole_film(**content: Any) -> Packed:
    """Return dipoles laid out for `sim.kernels.dipoles.ewald_slab.ewald_field_force`.

    Parameters
    ----------
    content
        The fields of `sim.kernels.steps.layout.DipoleFilm` but for the last two.
    """
    from sim.kernels.dipoles import ewald_slab
    from sim.kernels.steps.layout import DipoleFilm
    from sim.kernels.vectors.calls import Packed

    calls = np.zeros(len(ewald_slab.PARTS), np.int64)
    film = Packed(DipoleFilm(**content, total=np.zeros(1), calls=calls))
    calls[:] = film.addresses(*ewald_slab.PARTS)
    return film
