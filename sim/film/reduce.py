"""From checked parameters to the film that an engine sees, in reduced units."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.common.arrays import Floats
from analysis.common.blocks import largest_of_each, of_each
from analysis.common.errors import InputError
from sim.film import inner_steps, time_step
from sim.film.added_stiffness import crowded_distance
from sim.film.body_push import body_push, pushed_step
from sim.film.core_contact import contact_stiffness
from sim.film.field_programme import field_stages
from sim.interactions import dipolar
from sim.interactions.added import AddedPairs
from sim.interactions.dipole_plan import DipolePlan, plan_dipoles, steps_between_sums
from sim.interactions.flow.plan import plan_flow
from sim.interactions.gravity import body_forces
from sim.interactions.steric import StericLaw
from sim.physics import beads, material
from sim.physics.units import ReducedUnits

if TYPE_CHECKING:
    from sim.film.particles import Particles
    from sim.parameters.types import Parameters
from sim.film.reduced_system import ReducedSystem

MARGIN_SHORT, MARGIN_LONG, MARGIN_OUTER = 0.5, 0.8, 1.0
DRIFT_CAP = 0.1

DRIFT_LIMIT = 3.0

LONG_STEP = 2.5e-4


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
    feedback = beads.CHAIN_FEEDBACK / (2.0 * radius) ** 3
    return beads.self_consistent(moment, core_langevin, largest_field, feedback)


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
    turning = inner_steps.mean_turning(system)
    pace = 2.0 * math.pi * system.dt / shortest_period
    every = 1  # induced moments follow the field at once
    if not system.induced:
        every = steps_between_sums(turning * system.dt, pace, system.tolerance)
    plan: DipolePlan = plan_dipoles(
        system.sides, system.thickness, system.moment, system.radius, system.tolerance, every
    )
    return replace(system, dipole_sum=plan.sum, mesh=plan.mesh, mesh_every=plan.every)


def _stirred(system: ReducedSystem) -> ReducedSystem:
    """Return a system whose particles are carried by the flow that all stir up."""
    try:
        plan = plan_flow(system.sides, system.thickness, system.radius)
    except ValueError as error:
        raise InputError(f'[motion] flow must be "none" for this film: {error.args[0]}') from error
    return replace(system, flow=plan)


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
    """Return a system with the steps of a whole run of ``duration`` s."""
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
        The step is the file's; else the longest that ``sim.film.time_step`` allows, in as many
        inner steps as ``sim.film.inner_steps`` says, shortened so that whole steps fill the time
        from frame to frame.
    """
    carrier = parameters.carrier
    units = ReducedUnits.of(parameters.particles.diameter, carrier.viscosity, carrier.temperature)
    radius = of_each(lambda diameter: 0.5 * diameter / units.length_m, particles.diameter)
    moment = of_each(lambda of: of / units.moment_am2, particles.moment)
    core_langevin = dipolar.core_langevin_parameter(parameters, units.field_t)
    # kT/(pi eta d^3) in units of D0/d0^2
    brownian = of_each(lambda radius: 3.0 / (2.0 * radius) ** 3, radius)
    if core_langevin > 0.0:  # the moment of a bead follows the field without turning
        brownian = np.zeros_like(radius)
    law = StericLaw.asked_for(parameters, units.length_m)
    largest_field = parameters.field.largest / units.field_t
    added = AddedPairs.asked_for(parameters, units.length_m)
    momentum_time, spin_time = _inertia(parameters, particles, units)
    strongest = _strongest_moment(radius, moment, core_langevin, largest_field)
    sides = (particles.sides[0] / units.length_m, particles.sides[1] / units.length_m)
    thickness = particles.thickness / units.length_m
    body = body_forces(parameters, units)
    push = body_push(
        radius,
        moment,
        law.shell,
        (body.core_weight, body.shell_weight),
        parameters.field.steepest * units.length_m / units.field_t,
    )
    squares = of_each(lambda radius: 4.0 * radius**2, radius)
    layers = max(1.0, float(np.sum(squares)) / (sides[0] * sides[1]))
    core_stiffness = contact_stiffness(law, radius, moment, added, layers * float(push.max()))
    allowed = time_step.limits(
        law, radius, strongest, brownian, largest_field, added, parameters.repulsion.strength,
        crowded_distance(radius, sides, thickness), layers * float(push.max()),
    )  # fmt: skip
    pushed = pushed_step(radius, push, parameters.repulsion.strength, layers)
    allowed = (
        allowed.with_cores(core_stiffness, radius, law.shell)
        .with_push(pushed)
        .with_inertia(momentum_time, spin_time)
        .with_period(parameters.field.shortest_period / units.time_s)
    )
    chosen = parameters.run.time_step
    sampled = parameters.run.is_sampled
    interval = frame_interval or parameters.run.duration / parameters.output.frames
    dt_s = chosen
    if dt_s is None:  # moments are slowed down by what the step of the run cannot follow
        dt_s = time_step.round_down(allowed.shortest * units.time_s)
        if not sampled:
            dt_s = _whole_step(dt_s, interval, begun_with)
    dt = dt_s / units.time_s
    wanted = _turning(parameters, particles, units, brownian)
    steepness = time_step.local_langevin(radius, moment, largest_field)
    turning = of_each(
        lambda wanted, steepness, brownian: np.maximum(
            np.minimum(wanted, time_step.TURNING_SHARE / (dt * steepness)), brownian
        ),
        wanted, steepness, brownian,
    )  # fmt: skip
    system = ReducedSystem(
        units=units,
        radius=radius,
        moment=moment,
        mobility=of_each(lambda radius: 0.5 / radius, radius),
        turning=turning,
        sides=sides,
        thickness=thickness,
        repulsion=replace(law, shell=max(law.shell, 1e-9)),
        window_strength=parameters.repulsion.strength,
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
        turning_capped=largest_of_each(np.less, turning, wanted) > 0.0,
        dynamics=parameters.run.dynamics,
        momentum_time=momentum_time,
        spin_time=spin_time,
        hindered=parameters.windows.hindered_mobility,
        longest_dt=math.inf if chosen is None else allowed.shortest,
        longest_dt_reason="" if chosen is None else allowed.reason,
        added=added,
        added_reach=added.reach(float(radius.max())),
        core_langevin=core_langevin,
        core_stiffness=core_stiffness,
        body=body,
    )
    if parameters.motion.is_stirred and not sampled:
        system = _stirred(system)
    plain = system
    if chosen is None and not sampled:
        longest = interval / inner_steps.STEPS_PER_FRAME
        if begun_with is not None and frame_interval is None:
            longest = begun_with
        fastest = largest_of_each(np.multiply, turning, steepness)
        system = inner_steps.with_inner_steps(system, allowed, fastest, longest, MARGIN_OUTER)
    if parameters.dipoles.sum == "mesh":
        shortest_period = parameters.field.shortest_period / units.time_s
        system = with_mesh(system, shortest_period)
        if system.inner_steps > 1 and not inner_steps.can_split(system):
            system = with_mesh(plain, shortest_period)  # few dipoles, which are summed exactly
    if sampled:
        return replace(system, steps=parameters.run.sweeps)
    if chosen is None:
        system = _dividing(system, interval, begun_with)
    if system.flow is not None:
        longest = inner_steps.longest_outer_step(system)
        every = min(system.flow.most_steps(), int(longest / system.dt))
        system = replace(system, flow_every=max(1, every))
    return _with_steps(system, parameters.run.duration)
