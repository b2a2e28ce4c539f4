"""Field and gradient at one place while magnets and coils move, as curves that a run can follow.

Between two ends of steps all moves smoothly. Each such span gets cubic splines in time of the field
and its gradient (smooth to the second derivative), with as many samples as they need: the spline of
half of them misses none of the others by more than `TOLERANCE`, which leaves about a sixteenth of
that. Magnets that only turn, and coils that only swing, repeat: one period serves the whole span.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

import numpy as np

from analysis.common.arrays import Floats, Vector
from sim.magnets.motion import Motion
from sim.magnets.poses import poses_of
from sim.magnets.shapes import (
    Magnet,
    MagnetError,
    SoftIronSphere,
    Sphere,
    field_and_gradient,
)
from sim.magnets.turning import Turning, turning_of
from sim.physics.field_gradients import six_slopes

TOLERANCE = 1e-6
"""Of the largest field of a span, and of the largest component of its gradient."""

LEAST_SLOPE = 10.0
"""Gradients are followed to the tolerance of this many fields per metre at least."""

FEWEST, MOST = 16, 2**16
MOST_MULTIPLES = 12
SAME_RATE = 1e-12


@dataclass(frozen=True, eq=False)
class Span:
    """The field at one place over a time in which all moves smoothly.

    Attributes
    ----------
    start, duration : float
        In s.
    period : float
        Time in s that the curve covers; the duration, or what repeats until its end.
    curve : ndarray, shape (pieces, 4, 9)
        Equal pieces of that time: powers 0 to 3 of the share of a piece, of the field (x, y, z) in
        T and of its gradient (xx, yy, zz, xy, xz, yz) in T/m.
    error : float
        Largest miss of the curve of half as many pieces, over the largest value.
    turning : Turning
        How the field turns.
    """

    start: float
    duration: float
    period: float
    curve: Floats
    error: float
    turning: Turning

    @property
    def samples(self) -> Floats:
        """Field and gradient at the start of each piece and at the end, (pieces + 1, 9)."""
        return np.vstack([self.curve[:, 0], self.curve[-1].sum(axis=0)])

    @property
    def largest(self) -> Vector:
        """The largest field vector of the samples, in T."""
        field = self.samples[:, :3]
        x, y, z = field[int(np.argmax(np.linalg.norm(field, axis=1)))].tolist()
        return x, y, z

    @property
    def pace(self) -> float:
        """Frequency in Hz of a turning field of the largest strength that changes as fast."""
        speed = np.linalg.norm(self.curve[:, 1, :3], axis=1).max() * len(self.curve) / self.period
        strength = math.hypot(*self.largest)
        return float(speed / (2.0 * math.pi * strength)) if strength > 0.0 else 0.0


@lru_cache(maxsize=8)
def spans_of(magnets: tuple[Magnet, ...], place: tuple[float, float]) -> tuple[Span, ...]:
    """Follow the field of magnets of which some move.

    Parameters
    ----------
    magnets : tuple of Magnet
        The sources.
    place : tuple of float
        (x, y) in m, in the mid-plane of the film.

    Returns
    -------
    tuple of Span
        From 0 to the end of the last step, without gaps; after it the field stays.

    Raises
    ------
    MagnetError
        If the place comes to lie in a magnet, or the field changes too often to be followed.
    """
    motions = {magnet.motion for magnet in magnets if magnet.motion is not None}
    ends = {time for motion in motions for step in motion.steps for time in (step.start, step.end)}
    times = sorted({0.0, *ends})
    return tuple(
        _span(magnets, place, motions, start, end - start)
        for start, end in itertools.pairwise(times)
    )


def _span(
    magnets: tuple[Magnet, ...],
    place: tuple[float, float],
    motions: set[Motion],
    start: float,
    duration: float,
) -> Span:
    """Follow the field over one span."""
    found = [motion.paces(start, start + duration) for motion in motions]
    rates = {abs(rate) for paces, _ in found for rate in paces}
    travels = any(travelling for _, travelling in found)
    rate = 0.0 if travels else _common_rate(rates)
    repeats = rate * duration >= 2.0
    period = 1.0 / rate if repeats else duration

    def sample(since: Floats) -> Floats:
        # A rounding error beyond its end, a step would already be the next one.
        return field_over_time(magnets, place, start + np.minimum(since, duration * (1 - 1e-12)))

    if rates or travels:
        curve, error = _curve(sample, period, repeats)
    else:
        curve, error = np.zeros((1, 4, 9)), 0.0
        curve[0, 0] = sample(np.array([0.0]))[0]
    alone = rate if repeats else (max(rates) if len(rates) == 1 and not travels else 0.0)
    turning = turning_of(curve[:, 0, :3], curve[-1, :, :3].sum(axis=0), period, alone, repeats)
    return Span(start, duration, period, curve, error, turning)


def _common_rate(rates: set[float]) -> float:
    """Give the largest rate of which all others are whole multiples; 0 without one."""
    if not rates:
        return 0.0
    lowest = min(rates)
    shares = [Fraction(rate / lowest).limit_denominator(MOST_MULTIPLES) for rate in rates]
    if any(
        abs(float(share) * lowest - rate) > SAME_RATE * rate
        for share, rate in zip(shares, rates, strict=True)
    ):
        return 0.0
    return lowest / math.lcm(*(share.denominator for share in shares))


def _curve(
    sample: Callable[[Floats], Floats], length: float, repeats: bool
) -> tuple[Floats, float]:
    """Give pieces (n, 4, 9) over a length of time in s, and the miss of half as many."""
    from scipy.interpolate import CubicSpline

    ends = "periodic" if repeats else "not-a-knot"
    count, error = FEWEST, math.inf
    values = sample(np.linspace(0.0, length, count + 1))
    while error > TOLERANCE:
        if count > MOST:
            raise MagnetError(
                f"the field at the patch changes too often to be followed in {MOST} samples; give "
                "shorter steps, or equal rates of what turns and swings at one time."
            )
        if repeats:
            values[-1] = values[0]
        shares = np.linspace(0.0, 1.0, 2 * count + 1)
        between = sample(length * shares[1::2])
        missed = np.abs(CubicSpline(shares[::2], values, bc_type=ends)(shares[1::2]) - between)
        error = _relative(missed, np.vstack([values, between]))
        finer = np.empty((2 * count + 1, 9))
        finer[::2], finer[1::2] = values, between
        values, count = finer, 2 * count
    spline = CubicSpline(shares, values, bc_type=ends)
    powers = np.array([1.0 / count**power for power in range(4)])
    return np.ascontiguousarray(spline.c[::-1].transpose(1, 0, 2) * powers[:, None]), error


def _relative(missed: Floats, values: Floats) -> float:
    """Give the largest miss over the largest field or the largest part of the gradient."""
    field = float(np.linalg.norm(values[:, :3], axis=1).max())
    slope = max(float(np.abs(values[:, 3:]).max()), LEAST_SLOPE * field)
    if field == 0.0 and slope == 0.0:
        return 0.0
    return max(float(missed[:, :3].max()) / (field or 1.0), float(missed[:, 3:].max()) / slope)


def field_over_time(
    magnets: tuple[Magnet, ...], place: tuple[float, float], times: Floats
) -> Floats:
    """Give the field at one place at many times, straight from the magnets.

    Parameters
    ----------
    magnets : tuple of Magnet
        The sources.
    place : tuple of float
        (x, y) in m, in the mid-plane of the film.
    times : ndarray, shape (n,)
        In s.

    Returns
    -------
    ndarray, shape (n, 9)
        Field in T, then its gradient (xx, yy, zz, xy, xz, yz) in T/m.

    Raises
    ------
    MagnetError
        If the place comes to lie in a magnet.
    """
    points = np.tile([*place, 0.0], (len(times), 1))
    steady = [magnet for magnet in magnets if not isinstance(magnet, SoftIronSphere)]
    iron = [magnet for magnet in magnets if isinstance(magnet, SoftIronSphere)]
    field, slope = np.zeros((len(times), 3)), np.zeros((len(times), 3, 3))
    for magnet in steady:
        one, its = _moving(magnet, times, points)
        field += one
        slope += its
    if iron:
        one, its = _moving_iron(steady, iron, times, points)
        field += one
        slope += its
    return np.hstack([field, six_slopes(slope)])


def _moving(
    magnet: Magnet, times: Floats, points: Floats, *, sloping: bool = True
) -> tuple[Floats, Floats]:
    """Give field (n, 3) and gradient (n, 3, 3) of one magnet at a place for each time.

    The magnet is left where it is and the places are moved instead.
    """
    origin = (0.0, 0.0, 0.0)
    still = dataclasses.replace(magnet, position=origin, rotation=origin, motion=None)
    position, turned, drive = poses_of(magnet, times)
    seen = turned.inv().apply(points - position)
    if sloping:
        field, slope = field_and_gradient((still,), seen)
    else:
        field, slope = still.field(seen), np.zeros((len(times), 3, 3))
    matrix = turned.as_matrix()
    slope = matrix @ slope @ matrix.transpose(0, 2, 1)
    return drive[:, None] * turned.apply(field), drive[:, None, None] * slope


def _moving_iron(
    steady: list[Magnet], iron: list[SoftIronSphere], times: Floats, points: Floats
) -> tuple[Floats, Floats]:
    """Give field and gradient of soft-iron spheres that the others and one another magnetise."""
    centres = [poses_of(sphere, times).point for sphere in iron]
    applied = np.array(
        [
            sum((_moving(m, times, at, sloping=False)[0] for m in steady), np.zeros(points.shape))
            for at in centres
        ]
    )
    found = np.array([s.induced(b) for s, b in zip(iron, applied, strict=True)])
    for _ in range(200 if len(iron) > 1 else 0):
        total = applied.copy()
        for i, at in enumerate(centres):
            for j, sphere in enumerate(iron):
                if i != j:
                    total[i] += _magnetised(sphere, found[j], at - centres[j], sloping=False)[0]
        now = np.array([s.induced(b) for s, b in zip(iron, total, strict=True)])
        settled = np.abs(now - found).max() <= 1e-10 * max(np.abs(found).max(), 1e-30)
        found = now
        if settled:
            break
    field, slope = np.zeros(points.shape), np.zeros((len(times), 3, 3))
    for sphere, polarisation, at in zip(iron, found, centres, strict=True):
        one, its = _magnetised(sphere, polarisation, points - at)
        field += one
        slope += its
    return field, slope


def _magnetised(
    sphere: SoftIronSphere, polarisation: Floats, seen: Floats, *, sloping: bool = True
) -> tuple[Floats, Floats]:
    """Give field and gradient of a sphere with polarisations (n, 3) at places (n, 3) from it."""
    field, slope = np.zeros(seen.shape), np.zeros((len(seen), 3, 3))
    for axis, unit in enumerate(((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))):
        one = Sphere(polarisation=unit, diameter=sphere.diameter)
        part = polarisation[:, axis]
        if sloping:
            b, its = field_and_gradient((one,), seen)
            slope += part[:, None, None] * its
        else:
            b = one.field(seen)
        field += part[:, None] * b
    return field, slope
