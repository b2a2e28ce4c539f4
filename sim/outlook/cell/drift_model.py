"""Slow drift of the particles of a film towards a magnet, over the whole cell, in SI.

A two-dimensional drift-diffusion model of the volume fraction, averaged over the thickness: single
particles diffuse, are drawn to where the field is strong, and find no room beyond the packing
limit. `sim.outlook.cell.drift_solver` holds the equations and their source.

Limits of the model:

- No chains: a chain of n particles has n times the energy of one and drifts faster, so where
  chains form the film changes sooner and further than told here.
- Particles feel the field of the magnets alone; they do not attract one another, nor does the
  magnetised liquid change the field.
- No hydrodynamic interactions, no flow of the liquid: a film with a steep gradient may start to
  stream, which is far quicker than diffusion.
- No heating, evaporation, gravity, nor particles that stick to walls. All particles are alike, and
  the field does not change in time or across the thickness.
- The lattice gas stands for the steric limit: no place is fuller than packed, but short of that it
  pushes less than hard spheres do (to first order phi/(2 packing) where these have 4 phi), so dense
  regions come out denser and smaller than they are.
- A layer at a wall thinner than a grid cell is not resolved: its content is right, its profile is
  not (`Drift.steepest_kt` above about 1).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.common.arrays import Floats
from analysis.common.constants import BOLTZMANN
from analysis.common.errors import InputError
from sim.outlook.cell.drift_solver import course, equilibrium, make_edges

WEEK = 604_800.0
"""A week in s."""

RANDOM_CLOSE_PACKING = 0.64
"""Volume fraction of equal spheres packed at random (J. D. Bernal and J. Mason, Nature 188, 910
(1960), from memory)."""

SERIES_BELOW = 1e-2
"""Langevin parameter below which ln(sinh x/x) is taken from its series, exact to 1e-16 there."""


class DriftError(InputError):
    """A value that the model of drift cannot take: one sentence."""


@dataclass(frozen=True)
class DriftClock:
    """Logarithmic clock.

    Attributes
    ----------
    first, last : float
        Times of the first frame after the start and of the last one, in s.
    frames : int
        Frames after the start, evenly spaced in the logarithm of time.
    steps_per_decade : int
        Least number of times in each decade at which the change is told.
    """

    first: float = 1.0
    last: float = 4.0 * WEEK
    frames: int = 25
    steps_per_decade: int = 40

    def steps_per_frame(self) -> int:
        """Count the times from one frame to the next."""
        decades = math.log10(self.last / self.first)
        return math.ceil(self.steps_per_decade * decades / (self.frames - 1))

    def times(self) -> Floats:
        """List all times in s, the start included; up to the first frame they are even."""
        number = (self.frames - 1) * self.steps_per_frame() + 1
        later = np.geomspace(self.first, self.last, number)
        early = math.ceil(self.first / (later[1] - later[0]))
        return np.concatenate([np.linspace(0.0, self.first, early + 1)[:-1], later])


@dataclass(frozen=True)
class Drift:
    """Volume fraction of the particles over the cell, from the start to the end.

    Attributes
    ----------
    x_m, y_m : (columns,), (rows,) array
        Centres of the grid cells in m, from a corner of the cell.
    energy_kt : (rows, columns) array
        Energy of a particle in the field, in kT.
    time_s : (frames,) array
        Times of the frames in s, the start included.
    volume_fraction : (frames, rows, columns) array
        Volume fraction of the particles.
    equilibrium : (rows, columns) array
        Volume fraction after an endless time, solved directly.
    change_time_s : (steps,) array
        Times in s at which the change is told, the start included.
    change : (steps,) array
        How far the film has gone from the start to equilibrium: 1 - |phi - phi_eq|/|phi_0 -
        phi_eq|, with the sum of the absolute values over the cell (twice the share of the particles
        that are not yet where they end). Zero throughout where the start is the equilibrium.
    half_time_s : float or None
        Time in s at which the change is a half; None where it is not reached, or nothing changes.
    lost : float
        Relative change of the number of particles by rounding.
    steepest_kt : float
        Largest difference of the energy between neighbouring grid cells, in kT.
    """

    x_m: Floats
    y_m: Floats
    energy_kt: Floats
    time_s: Floats
    volume_fraction: Floats
    equilibrium: Floats
    change_time_s: Floats
    change: Floats
    half_time_s: float | None
    lost: float
    steepest_kt: float


def field_energy(field: ArrayLike, moment: float, temperature: float, cores: float = 1.0) -> Floats:
    """Free energy of a particle whose moment turns freely in a field.

    Parameters
    ----------
    field : array
        |B| in T.
    moment : float
        Moment of the particle at saturation in A m2.
    temperature : float
        Temperature in K.
    cores : float
        Equal cores that share the moment and turn each for itself (multicore beads).

    Returns
    -------
    array
        U/kT = -n ln(sinh x/x) with x = m B/(n kT): the integral of the Langevin function, so that
        -grad U is the moment along the field times the gradient of |B| (P. Langevin, Annales de
        Chimie et de Physique 5, 70 (1905), from memory).
    """
    x = moment / cores * np.asarray(field, dtype=np.float64) / (BOLTZMANN * temperature)
    large = np.maximum(x, SERIES_BELOW)
    full = large + np.log1p(-np.exp(-2.0 * large)) - np.log(2.0 * large)
    series = x**2 / 6.0 - x**4 / 180.0 + x**6 / 2835.0
    found: Floats = -cores * np.where(x < SERIES_BELOW, series, full)
    return found


def film_drift(
    field: ArrayLike,
    sides: tuple[float, float],
    moment: float,
    temperature: float,
    diffusion: float,
    start: ArrayLike,
    packing: float = RANDOM_CLOSE_PACKING,
    clock: DriftClock | None = None,
    cores: float = 1.0,
) -> Drift:
    """Follow the volume fraction over a closed cell in the field of magnets at rest.

    Parameters
    ----------
    field : (rows, columns) array
        |B| in T in the centres of the grid cells; a row runs along x.
    sides : tuple of float
        Sides of the cell along x and y in m.
    moment : float
        Moment of a particle at saturation in A m2.
    temperature : float
        Temperature in K.
    diffusion : float
        Diffusion coefficient of a particle in m2/s.
    start : float or (rows, columns) array
        Volume fraction at the start, of whole particles.
    packing : float
        Volume fraction that cannot be passed.
    clock : DriftClock, optional
        Frames and steps; by default from 1 s to 4 weeks.
    cores : float
        Cores that share the moment, see `field_energy`.

    Returns
    -------
    Drift
        Frames, change, half time and equilibrium.

    Raises
    ------
    DriftError
        Where a value is out of range or shapes do not fit.
    ArithmeticError
        Where the course in time cannot be solved.
    """
    clock = clock or DriftClock()
    strength = np.asarray(field, dtype=np.float64)
    _check_numbers(sides, moment, temperature, diffusion, packing, cores)
    _check_clock(clock)
    _check_field(strength)
    begin = _check_start(start, strength, packing)
    rows, columns = strength.shape
    energy = field_energy(strength, moment, temperature, cores)
    edges = make_edges(energy, (sides[1] / rows, sides[0] / columns), diffusion)
    final = equilibrium(energy, float(begin.mean()))
    times = clock.times()
    packings = course(begin.ravel(), edges, times).reshape(-1, rows, columns)
    at_frames = [0, *range(len(times) - 1, 0, -clock.steps_per_frame())[: clock.frames][::-1]]
    change = _change(np.abs(packings - final).sum(axis=(1, 2)) / final.sum())
    return Drift(
        x_m=(np.arange(columns) + 0.5) * sides[0] / columns,
        y_m=(np.arange(rows) + 0.5) * sides[1] / rows,
        energy_kt=energy,
        time_s=times[at_frames],
        volume_fraction=packing * packings[at_frames],
        equilibrium=packing * final,
        change_time_s=times,
        change=change,
        half_time_s=_half_time(times, change),
        lost=float(packings[-1].sum() / begin.sum() - 1.0),
        steepest_kt=max(float(np.abs(np.diff(energy, axis=k)).max(initial=0.0)) for k in (0, 1)),
    )


def _change(distance: Floats) -> Floats:
    """Share of the way to equilibrium, from the distance to it over the mean; rounding is none."""
    if distance[0] < 1e-12:
        return np.zeros_like(distance)
    done: Floats = 1.0 - distance / distance[0]
    return done


def _half_time(times: Floats, change: Floats) -> float | None:
    """Time in s at which half of the change is done, between two times by a straight line."""
    past = np.flatnonzero(change >= 0.5)
    if not len(past):
        return None
    after = int(past[0])
    ends = slice(after - 1, after + 1)
    return float(np.interp(0.5, change[ends], times[ends]))


def _check_numbers(
    sides: tuple[float, float],
    moment: float,
    temperature: float,
    diffusion: float,
    packing: float,
    cores: float,
) -> None:
    """Refuse single numbers that are out of range."""
    positive = {
        "width of the cell": (sides[0], "m", 20e-3),
        "height of the cell": (sides[1], "m", 20e-3),
        "moment": (moment, "A m2", 2e-19),
        "temperature": (temperature, "K", 298.15),
        "diffusion": (diffusion, "m2/s", 2e-11),
    }
    for name, (value, unit, example) in positive.items():
        if not (math.isfinite(value) and value > 0.0):
            raise DriftError(
                f"{name} must be above 0 {unit} such as {example:g}; received {value:g}."
            )
    if not 0.0 < packing <= 1.0:
        raise DriftError(
            f"packing must be a volume fraction above 0 and at most 1 such as "
            f"{RANDOM_CLOSE_PACKING}; received {packing:g}."
        )
    if not (math.isfinite(cores) and cores >= 1.0):
        raise DriftError(f"cores must be at least 1 such as 50; received {cores:g}.")


def _check_clock(clock: DriftClock) -> None:
    """Refuse a clock that does not run forward."""
    if not (math.isfinite(clock.first) and clock.first > 0.0):
        raise DriftError(f"first time must be above 0 s such as 1; received {clock.first:g}.")
    if not (math.isfinite(clock.last) and clock.last > clock.first):
        raise DriftError(
            f"last time must be above the first, {clock.first:g} s, such as {WEEK:g}; "
            f"received {clock.last:g}."
        )
    if clock.frames < 2:
        raise DriftError(f"frames must be at least 2 such as 25; received {clock.frames}.")
    if clock.steps_per_decade < 1:
        raise DriftError(
            f"steps per decade must be at least 1 such as 40; received {clock.steps_per_decade}."
        )


def _check_field(field: Floats) -> None:
    """Refuse a field that is no grid of strengths."""
    if field.ndim != 2 or field.size < 2:
        raise DriftError(
            "field must be a grid of at least 2 cells such as 48 rows of 64; "
            f"received the shape {field.shape}."
        )
    bad = field[~(np.isfinite(field) & (field >= 0.0))]
    if bad.size:
        raise DriftError(f"field must be at least 0 T everywhere such as 0.1; received {bad[0]:g}.")


def _check_start(start: ArrayLike, field: Floats, packing: float) -> Floats:
    """Return the packing at the start on the grid."""
    given = np.asarray(start, dtype=np.float64)
    if given.shape not in ((), field.shape):
        raise DriftError(
            f"start must be one volume fraction or one a grid cell, of the shape {field.shape}; "
            f"received the shape {given.shape}."
        )
    bad = given[~((given >= 0.0) & (given <= packing))]
    if bad.size:
        raise DriftError(
            f"start must be a volume fraction from 0 to the packing limit {packing:g} such as "
            f"0.02; received {bad[0]:g}."
        )
    mean = float(given.mean()) / packing
    if not 0.0 < mean < 1.0:
        raise DriftError(
            f"start must leave particles and room to move, a mean volume fraction above 0 and "
            f"below {packing:g} such as 0.02; received {mean * packing:g}."
        )
    return np.broadcast_to(given / packing, field.shape).copy()
