"""From parameters in SI to the arrays and numbers that an engine steps on, in reduced units."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from sim import material, time_step
from sim.units import ReducedUnits

if TYPE_CHECKING:
    from sim.parameters import Parameters
    from sim.particles import Particles

__all__ = ["FieldStage", "ReducedSystem", "reduce"]

Floats = NDArray[np.float64]

# A drift longer than the cap is shortened and counted; one longer than the limit stops the run.
DRIFT_CAP = 0.1
DRIFT_LIMIT = 3.0
# List margins that cost least on both sides of this step (flat optima, measured).
LONG_STEP = 2.5e-4
MARGIN_SHORT, MARGIN_LONG = 0.5, 0.8


@dataclass(frozen=True)
class FieldStage:
    """One stage of the applied field, reduced: from ``first`` to ``last`` in ``duration``."""

    kind: Literal["hold", "ramp"]
    duration: float
    first: tuple[float, float, float]
    last: tuple[float, float, float]


@dataclass(frozen=True)
class ReducedSystem:
    """A film as an engine sees it; lengths in d0, energies in kT, times in d0^2/D0.

    Attributes
    ----------
    units : ReducedUnits
        What one unit is in SI.
    radius, moment, mobility, turning : float64 (N,)
        Half the steric diameter; moment (two at distance r have the energy m^2/r^3); D_i/D0;
        rotational diffusion of the moment.
    sides : tuple of float
    thickness : float
    steric : str
        "surfactant" or "soft_core".
    strength : float
        Strength of the soft core in kT; the windows have it too.
    shell, grafting : float
        Thickness of the shell, molecules an area of the core.
    dipole_sum : str
        "cutoff" or "exact".
    cutoff : float
        Range of the cut-off sum.
    tolerance : float
        Relative error of the exact sum.
    field : tuple of FieldStage
    dt, dt_s : float
        Step, reduced and in s.
    steps : int
        Steps of the whole run.
    limit : str
        What limits the step, in words.
    list_margin : float
        Beyond the range of the forces, a pair is listed up to this distance.
    precision : str
        Of the pair arithmetic.
    seed : int
    turning_capped : bool
        Whether the turning of some moments was slowed to what the step allows.
    """

    units: ReducedUnits
    radius: Floats
    moment: Floats
    mobility: Floats
    turning: Floats
    sides: tuple[float, float]
    thickness: float
    steric: Literal["surfactant", "soft_core"]
    strength: float
    shell: float
    grafting: float
    dipole_sum: Literal["cutoff", "exact"]
    cutoff: float
    tolerance: float
    field: tuple[FieldStage, ...]
    dt: float
    dt_s: float
    steps: int
    limit: str
    list_margin: float
    precision: Literal["float32", "float64"]
    seed: int
    turning_capped: bool = False

    @property
    def count(self) -> int:
        """Number of particles."""
        return len(self.radius)


def _stages(parameters: Parameters, units: ReducedUnits) -> tuple[FieldStage, ...]:
    """Return the programme with its starting values filled in; a ramp starts from what was."""
    stages = []
    before = (0.0, 0.0, 0.0)
    for step in parameters.field.steps:
        x, y, z = step.vector
        last = (x / units.field_t, y / units.field_t, z / units.field_t)
        first = before if step.kind == "ramp" else last
        stages.append(FieldStage(step.kind, step.duration / units.time_s, first, last))
        before = last
    return tuple(stages)


def _turning(
    parameters: Parameters, particles: Particles, units: ReducedUnits, brownian: Floats
) -> Floats:
    """Return the rotational diffusion of the moments: the body's, and the Neel rate if asked."""
    if parameters.particles.moment == "blocked":
        return brownian
    volume = np.pi / 6.0 * particles.magnetic_diameter**3
    neel = material.neel_time(
        volume,
        parameters.particles.anisotropy,
        parameters.particles.attempt_time,
        parameters.carrier.temperature,
    )
    return brownian + 0.5 * units.time_s / np.asarray(neel)


def reduce(parameters: Parameters, particles: Particles) -> ReducedSystem:
    """Return the reduced system of a run.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    particles : Particles
        Its particles, SI.

    Returns
    -------
    ReducedSystem
        The step is the file's, or the longest that ``sim.time_step`` allows, rounded down to
        three digits and so independent of the duration.
    """
    carrier = parameters.carrier
    units = ReducedUnits.of(parameters.particles.diameter, carrier.viscosity, carrier.temperature)
    radius = 0.5 * particles.diameter / units.length_m
    moment = particles.moment / units.moment_am2
    brownian = 3.0 / (2.0 * radius) ** 3  # kT/(pi eta d^3) in units of D0/d0^2
    shell = parameters.particles.shell_thickness / units.length_m
    grafting = parameters.repulsion.grafting_density * units.length_m**2
    largest_field = parameters.field.largest / units.field_t
    allowed = time_step.limits(
        parameters.repulsion, radius, moment, brownian, largest_field, shell, grafting
    )
    chosen = parameters.run.time_step
    dt_s = time_step.round_down(allowed.shortest * units.time_s) if chosen is None else chosen
    dt = dt_s / units.time_s
    wanted = _turning(parameters, particles, units, brownian)
    steepness = time_step.local_langevin(radius, moment, largest_field)
    turning = np.maximum(np.minimum(wanted, time_step.TURNING_SHARE / (dt * steepness)), brownian)
    return ReducedSystem(
        units=units,
        radius=radius,
        moment=moment,
        mobility=0.5 / radius,
        turning=turning,
        sides=(particles.sides[0] / units.length_m, particles.sides[1] / units.length_m),
        thickness=particles.thickness / units.length_m,
        steric=parameters.repulsion.kind,
        strength=parameters.repulsion.strength,
        shell=shell,
        grafting=grafting,
        dipole_sum=parameters.dipoles.sum,
        cutoff=parameters.dipoles.cutoff_diameters,
        tolerance=parameters.dipoles.tolerance,
        field=_stages(parameters, units),
        dt=dt,
        dt_s=dt_s,
        steps=max(1, math.ceil(parameters.run.duration / dt_s * (1.0 - 1e-9))),
        limit=allowed.reason if chosen is None else "the parameter file",
        list_margin=MARGIN_SHORT if dt < LONG_STEP else MARGIN_LONG,
        precision=parameters.run.precision,
        seed=parameters.run.seed,
        turning_capped=bool(np.any(turning < wanted)),
    )
