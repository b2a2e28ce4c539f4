"""From parameters in SI to the arrays and numbers that an engine steps on, in reduced units."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from sim.film import inner_steps as split_plan
from sim.film import time_step
from sim.film.added_stiffness import crowded_distance
from sim.film.body_push import body_push, pushed_step
from sim.film.core_contact import contact_stiffness
from sim.film.field_programme import FieldStage, field_stages
from sim.interactions.added import added_pairs
from sim.interactions.dipole_plan import DipolePlan, plan_dipoles, steps_between_sums
from sim.interactions.gravity import gradient_components, gravity_law
from sim.interactions.steric import steric_law
from sim.physics import beads as bead_material
from sim.physics import material
from sim.physics.units import ReducedUnits

if TYPE_CHECKING:
    from sim.film.particles import Particles
    from sim.interactions.mesh.plan import MeshPlan
    from sim.parameters import Parameters

__all__ = ["ReducedSystem", "reduce", "with_mesh"]

Floats = NDArray[np.float64]

# A drift longer than the cap is shortened and counted; one longer than the limit stops the run.
DRIFT_CAP = 0.1
DRIFT_LIMIT = 3.0
# List margins that cost least on both sides of this step, and of outer steps (flat optima,
# measured).
LONG_STEP = 2.5e-4
MARGIN_SHORT, MARGIN_LONG, MARGIN_OUTER = 0.5, 0.8, 1.0


@dataclass(frozen=True)
class ReducedSystem:
    """A film as an engine sees it; lengths in d0, energies in kT, times in d0^2/D0.

    Attributes
    ----------
    units : ReducedUnits
        What one unit is in SI.
    radius, moment, mobility, turning : float64 (N,)
        Half the steric diameter; moment (two at distance r have the energy m^2/r^3), of induced
        ones the largest; D_i/D0; rotational diffusion of the moment, 0 for induced ones.
    sides : tuple of float
    thickness : float
    steric : str
        "surfactant" or "soft_core".
    strength : float
        Strength of the soft core in kT; the windows have it too.
    shell, grafting : float
        Thickness of the shell, molecules an area of the core.
    dipole_sum : str
        "mesh", "cutoff" or "exact"; "exact" too where a mesh does not pay.
    cutoff : float
        Range of the cut-off sum.
    tolerance : float
        Relative error of the mesh and of the exact sum.
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
    dynamics : str
        "brownian" or "langevin".
    momentum_time, spin_time : float64 (N,) or None
        Times in which a particle forgets its velocity and its rotation; None without inertia.
    hindered : bool
        Whether the windows slow the particles near them.
    noise : float
        Factor on the noise, for checks of a law without it; no key of a file sets it.
    longest_dt, longest_dt_reason : float, str
        Step that would have been chosen, and why, where the file gives one; infinite else.
    hamaker, smallest_gap, charging, screening : float
        Van der Waals and electrostatic forces as ``sim.interactions.added`` gives them.
    added_reach : float
        Range of both; 0 where there is none.
    core_weight, shell_weight : float
        Weight as ``sim.interactions.gravity`` gives it.
    down : tuple of float
        Where things fall.
    gradient : tuple of float
        dB_a/dx_b as (xx, yy, zz, xy, xz, yz).
    mesh : MeshPlan or None
        The mesh of the dipole sum "mesh".
    mesh_every : int
        Steps from one sum of the mesh to the next.
    induced : bool
        Whether the moments are m_s L(core_langevin b) along the local field b (multicore beads).
    saturation : float64 (N,) or None
        Their m_s, the same as ``moment``; None where moments are fixed.
    core_langevin : float
        Moment of one small core of a bead; 0 where moments are fixed.
    inner_steps : int
        Inner steps of a step: near pairs are summed again in each, all others once a step.
    core_stiffness : float
        Of cores that touch, in kT/d0^2; 0 where layers of surfactant keep them apart.
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
    dipole_sum: Literal["mesh", "cutoff", "exact"]
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
    dynamics: Literal["brownian", "langevin"] = "brownian"
    momentum_time: Floats | None = None
    spin_time: Floats | None = None
    hindered: bool = False
    noise: float = 1.0
    longest_dt: float = math.inf
    longest_dt_reason: str = ""
    hamaker: float = 0.0
    smallest_gap: float = 0.01
    charging: float = 0.0
    screening: float = 0.0
    added_reach: float = 0.0
    core_weight: float = 0.0
    shell_weight: float = 0.0
    down: tuple[float, float, float] = (0.0, 0.0, -1.0)
    gradient: tuple[float, float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    mesh: MeshPlan | None = None
    mesh_every: int = 1
    induced: bool = False
    saturation: Floats | None = None
    core_langevin: float = 0.0
    inner_steps: int = 1
    core_stiffness: float = 0.0

    @property
    def inner_dt(self) -> float:
        """The step in which particles move."""
        return self.dt / self.inner_steps

    @property
    def has_body_forces(self) -> bool:
        """Whether gravity or a gradient of the field acts."""
        curves = [stage.curve for stage in self.field if stage.curve is not None]
        if any(np.any(curve[:, :, 3:]) for curve in curves):
            return True
        return any(part != 0.0 for part in (self.core_weight, self.shell_weight, *self.gradient))

    @property
    def has_momenta(self) -> bool:
        """Whether the step carries momenta: inertia, or mobilities that depend on the place."""
        return self.dynamics == "langevin" or self.hindered

    @property
    def thermal_velocity(self) -> Floats | None:
        """Spread of each velocity component, sqrt(kT/m) = sqrt(D/momentum time)."""
        if self.momentum_time is None:
            return None
        return np.asarray(np.sqrt(self.mobility / self.momentum_time))

    @property
    def thermal_spin(self) -> Floats | None:
        """Spread of each component of the rotation vector a time unit, sqrt(kT/I)."""
        if self.spin_time is None:
            return None
        return np.asarray(np.sqrt(self.turning / self.spin_time))

    def drags(self) -> Floats:
        """Return tanh(dt/(2 tau)) of moving and turning, (2, N): 1 without inertia."""
        ones = np.ones(self.count)
        return np.array(
            [
                ones if time is None else np.tanh(0.5 * self.dt / time)
                for time in (self.momentum_time, self.spin_time)
            ]
        )

    @property
    def count(self) -> int:
        """Number of particles."""
        return len(self.radius)


def _inertia(
    parameters: Parameters, particles: Particles, units: ReducedUnits
) -> tuple[Floats | None, Floats | None]:
    """Return the momentum times of moving and turning, reduced; None where there is no inertia.

    A moment that turns inside its particle has no inertia of its own: it turns as without any.
    """
    if parameters.run.dynamics != "langevin":
        return None, None
    sizes, carrier = parameters.particles, parameters.carrier
    mass, inertia = material.mass_and_inertia(
        particles.core_diameter, particles.diameter, sizes.body_density, sizes.shell_density
    )
    factor = parameters.run.mass_factor / units.time_s
    moving = factor * material.momentum_time(mass, particles.diameter, carrier.viscosity)
    turning = factor * material.spin_time(inertia, particles.diameter, carrier.viscosity)
    blocked = sizes.moment == "blocked"
    return np.asarray(moving), np.asarray(turning) if blocked else None


def _turning(
    parameters: Parameters, particles: Particles, units: ReducedUnits, brownian: Floats
) -> Floats:
    """Return the rotational diffusion of the moments: the body's, and the Neel rate if asked."""
    if parameters.particles.moment != "superparamagnetic":
        return brownian
    volume = np.pi / 6.0 * particles.magnetic_diameter**3
    neel = material.neel_time(
        volume,
        parameters.particles.anisotropy,
        parameters.particles.attempt_time,
        parameters.carrier.temperature,
    )
    return brownian + 0.5 * units.time_s / np.asarray(neel)


def _strongest_moment(
    radius: Floats, moment: Floats, core_langevin: float, largest_field: float
) -> Floats:
    """Return the moments that a step has to follow: of beads those in a chain along the field."""
    if core_langevin == 0.0:
        return moment
    feedback = bead_material.CHAIN_FEEDBACK / (2.0 * radius) ** 3
    return bead_material.self_consistent(moment, core_langevin, largest_field, feedback)


def _body_forces(parameters: Parameters, units: ReducedUnits) -> dict[str, Any]:
    """Return weight and gradient of the field in reduced units."""
    law = gravity_law(parameters, units.length_m)
    return {
        "core_weight": law.core_weight,
        "shell_weight": law.shell_weight,
        "down": parameters.gravity.direction,
        "gradient": gradient_components(parameters, units),
    }


def with_mesh(system: ReducedSystem, shortest_period: float = math.inf) -> ReducedSystem:
    """Return a system whose dipoles are summed on the mesh that its tolerance needs.

    Parameters
    ----------
    system : ReducedSystem
        Any; how it summed its dipoles before does not matter.
    shortest_period : float
        Shortest period of the applied field, reduced.

    Returns
    -------
    ReducedSystem
        With ``dipole_sum`` "mesh"; or "exact" where a mesh does not pay.
    """
    weight = system.moment**2
    turning = float(np.sum(weight * system.turning) / max(float(weight.sum()), 1e-300))
    pace = 2.0 * math.pi * system.dt / shortest_period
    every = 1  # induced moments follow the field at once
    if not system.induced:
        every = steps_between_sums(turning * system.dt, pace, system.tolerance)
    plan: DipolePlan = plan_dipoles(
        system.sides, system.thickness, system.moment, system.radius, system.tolerance, every
    )
    return replace(system, dipole_sum=plan.sum, mesh=plan.mesh, mesh_every=plan.every)


def _dividing(system: ReducedSystem, interval: float, begun_with: float | None) -> ReducedSystem:
    """Return a system whose automatic step goes a whole number of times into a frame interval in s.

    Frames then follow each other by equal numbers of steps, as averages over time lags need. The
    step of a run that is continued stays, as long as the limits allow it.
    """
    step = _whole_step(system.dt_s, interval, begun_with)
    inner = math.ceil(system.inner_steps * step / system.dt_s * (1.0 - 1e-9))
    return replace(system, dt=step / system.units.time_s, dt_s=step, inner_steps=max(1, inner))


def _whole_step(longest: float, interval: float, begun_with: float | None) -> float:
    """Return the step in s that divides a frame interval, or that of a run that is continued."""
    if begun_with is not None and begun_with <= longest * (1.0 + 1e-9):
        return begun_with
    return interval / math.ceil(interval / longest * (1.0 - 1e-9))


def _with_steps(system: ReducedSystem, duration: float) -> ReducedSystem:
    """Return a system with the steps of a whole run of so many s."""
    return replace(system, steps=max(1, math.ceil(duration / system.dt_s * (1.0 - 1e-9))))


def reduce(
    parameters: Parameters,
    particles: Particles,
    begun_with: float | None = None,
    frame_interval: float | None = None,
) -> ReducedSystem:
    """Return the reduced system of a run.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    particles : Particles
        Its particles, SI.
    begun_with : float, optional
        Time step in s of a run that is continued: its frames keep their interval.
    frame_interval : float, optional
        That interval in s.

    Returns
    -------
    ReducedSystem
        The step is the file's; else the longest that ``sim.film.time_step`` allows, in as many inner
        steps as ``sim.film.inner_steps`` says, shortened so that whole steps fill the time from frame
        to frame.
    """
    carrier = parameters.carrier
    units = ReducedUnits.of(parameters.particles.diameter, carrier.viscosity, carrier.temperature)
    radius = 0.5 * particles.diameter / units.length_m
    moment = particles.moment / units.moment_am2
    core_langevin = bead_material.core_langevin_parameter(parameters, units.field_t)
    brownian = 3.0 / (2.0 * radius) ** 3  # kT/(pi eta d^3) in units of D0/d0^2
    if core_langevin > 0.0:  # the moment of a bead follows the field without turning
        brownian = np.zeros_like(radius)
    law = steric_law(parameters, units.length_m)
    largest_field = parameters.field.largest / units.field_t
    added = added_pairs(parameters, units.length_m)
    momentum_time, spin_time = _inertia(parameters, particles, units)
    strongest = _strongest_moment(radius, moment, core_langevin, largest_field)
    sides = (particles.sides[0] / units.length_m, particles.sides[1] / units.length_m)
    thickness = particles.thickness / units.length_m
    body = _body_forces(parameters, units)
    push = body_push(
        radius,
        moment,
        law.shell,
        (body["core_weight"], body["shell_weight"]),
        parameters.field.steepest * units.length_m / units.field_t,
    )
    layers = max(1.0, float(np.sum(4.0 * radius**2)) / (sides[0] * sides[1]))
    core_stiffness = contact_stiffness(law, radius, moment, added, layers * float(push.max()))
    allowed = time_step.limits(
        law, radius, strongest, brownian, largest_field, added, parameters.repulsion.strength,
        crowded_distance(radius, sides, thickness),
    )  # fmt: skip
    pushed = pushed_step(radius, push, parameters.repulsion.strength, layers)
    allowed = (
        allowed.with_cores(core_stiffness, radius, law.shell)
        .with_push(pushed)
        .with_inertia(momentum_time, spin_time)
        .with_period(parameters.field.shortest_period / units.time_s)
    )
    chosen = parameters.run.time_step
    interval = frame_interval or parameters.run.duration / parameters.output.frames
    dt_s = chosen
    if dt_s is None:  # moments are slowed down by what the step of the run cannot follow
        longest_s = time_step.round_down(allowed.shortest * units.time_s)
        dt_s = _whole_step(longest_s, interval, begun_with)
    dt = dt_s / units.time_s
    wanted = _turning(parameters, particles, units, brownian)
    steepness = time_step.local_langevin(radius, moment, largest_field)
    turning = np.maximum(np.minimum(wanted, time_step.TURNING_SHARE / (dt * steepness)), brownian)
    system = ReducedSystem(
        units=units,
        radius=radius,
        moment=moment,
        mobility=0.5 / radius,
        turning=turning,
        sides=sides,
        thickness=thickness,
        steric=parameters.repulsion.kind,
        strength=parameters.repulsion.strength,
        shell=law.shell,
        grafting=law.grafting,
        dipole_sum=parameters.dipoles.sum,
        cutoff=parameters.dipoles.cutoff_diameters,
        tolerance=parameters.dipoles.tolerance,
        field=field_stages(parameters, units),
        dt=dt,
        dt_s=dt_s,
        steps=1,
        limit=allowed.reason if chosen is None else "the parameter file",
        list_margin=MARGIN_SHORT if dt < LONG_STEP else MARGIN_LONG,
        precision=parameters.run.precision,
        seed=parameters.run.seed,
        turning_capped=bool(np.any(turning < wanted)),
        dynamics=parameters.run.dynamics,
        momentum_time=momentum_time,
        spin_time=spin_time,
        hindered=parameters.windows.hindered_mobility,
        longest_dt=math.inf if chosen is None else allowed.shortest,
        longest_dt_reason="" if chosen is None else allowed.reason,
        hamaker=added.attraction.hamaker,
        smallest_gap=added.attraction.smallest_gap,
        charging=added.repulsion.charging,
        screening=added.repulsion.screening,
        added_reach=added.reach(float(radius.max())),
        induced=core_langevin > 0.0,
        saturation=moment if core_langevin > 0.0 else None,
        core_langevin=core_langevin,
        core_stiffness=core_stiffness,
        **body,
    )
    plain = system
    if chosen is None:
        longest = interval / split_plan.STEPS_A_FRAME
        if begun_with is not None and frame_interval is None:
            longest = begun_with
        fastest = float(np.max(turning * steepness))
        system = split_plan.with_inner_steps(system, allowed, fastest, longest, MARGIN_OUTER)
    if parameters.dipoles.sum == "mesh":
        shortest_period = parameters.field.shortest_period / units.time_s
        system = with_mesh(system, shortest_period)
        if system.inner_steps > 1 and not split_plan.can_split(system):
            system = with_mesh(plain, shortest_period)  # few dipoles, which are summed exactly
    if chosen is None:
        system = _dividing(system, interval, begun_with)
    return _with_steps(system, parameters.run.duration)
