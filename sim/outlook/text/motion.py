"""What `chainfilm check` says of motion: inertia, windows, fields that turn, and the step."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from sim.film.time_step import STEPS_PER_PERIOD, too_long_step
from sim.outlook.programme import recorded_spans, swinging_steps
from sim.physics.units import duration_text, format_quantity

if TYPE_CHECKING:
    from sim.outlook.look_ahead import Outlook
    from sim.parameters.types import FieldStep, Parameters

UNDERDAMPED = 0.25
"""A pair swings where k D tau exceeds this: m x'' + x'/mu + k x = 0 is then underdamped."""
HEAVY_SHARE = 0.05
"""Share of the Brown time from which on a momentum time shows in how moments relax."""


def is_heavy(outlook: Outlook) -> bool:
    """Say whether inertia in this run is so large that it changes how moments relax."""
    if outlook.system.spin_time is None:
        return False
    return outlook.spin_time > HEAVY_SHARE * outlook.brown_time


def programme(parameters: Parameters) -> list[dict[str, Any]]:
    """Return the field programme as plain numbers in SI; an endless step has no end.

    Returns
    -------
    list of dict
        ``kind``, ``start_s``, ``end_s`` (None without end), ``vector_t``, ``frequency_hz``,
        ``phase_rad`` and ``axis`` of each step; of moving magnets as `sim.outlook.programme` says.
    """
    if parameters.field.is_followed:
        return recorded_spans(parameters)
    found = []
    start = 0.0
    for step in parameters.field.steps:
        end = start + step.duration
        found.append(
            {
                "kind": step.kind,
                "start_s": start,
                "end_s": end if math.isfinite(end) else None,
                "vector_t": list(step.vector),
                "frequency_hz": step.frequency,
                "phase_rad": step.phase,
                "axis": list(step.axis),
            }
        )
        start = end
    return found


def dynamics_sentences(parameters: Parameters, outlook: Outlook) -> list[str]:
    """Say when inertia matters, and what a field that turns does."""
    swinging = swinging_steps(parameters)
    return [_inertia(parameters, outlook), *(_turning(step, outlook) for step in swinging)]


def _inertia(parameters: Parameters, outlook: Outlook) -> str:
    """Say how long momentum lasts, and whether this run shows it."""
    momentum = duration_text(outlook.momentum_time)
    if parameters.run.dynamics == "brownian":
        share = outlook.brown_time / outlook.momentum_time
        until = duration_text(10.0 * outlook.momentum_time)
        return (
            f"A particle forgets its momentum within {momentum}, {share:.2g} times sooner than it "
            f"turns: inertia shows only at times up to about {until}, "
            f'and only for those is dynamics = "langevin" worth its shorter steps.'
        )
    steps = outlook.system.dt_s / outlook.momentum_time
    return (
        f"Particles have inertia: momentum lasts {momentum}, or {1.0 / steps:.2g} steps. Structure "
        f'and slower rates are those of dynamics = "brownian", whose steps are longer.'
    )


def _turning(step: FieldStep, outlook: Outlook) -> str:
    """Say what a field that oscillates or turns does to one moment and to a pair."""
    pace = 2.0 * math.pi * step.frequency
    steps = 1.0 / (step.frequency * outlook.system.dt_s)
    text = (
        f"The field {'turns' if step.kind == 'rotate' else 'oscillates'} at "
        f"{format_quantity(step.frequency, 'frequency')}, a period in {steps:.4g} steps"
    )
    if step.kind == "oscillate":
        return f"{text}; the Brown time is {pace * outlook.brown_time:.2g} of its angular period."
    strongest = max(outlook.langevin, 1e-300)
    share = 2.0 * pace * outlook.brown_time / strongest
    lag = f"lags by {math.degrees(math.asin(share)):.2g} degrees" if share < 1.0 else "falls behind"
    if outlook.system.induced:
        lag = "follows at once"
    # A touching pair of equal dipoles in a strong field, freely draining: omega = 6 lambda D0/d^2.
    limit = 6.0 * outlook.coupling / outlook.diffusion_time / (2.0 * math.pi)
    return (
        f"{text}; without noise the median moment {lag}, and a touching pair follows a strong "
        f"field up to about {format_quantity(limit, 'frequency', 2)}, a chain of N "
        f"to about 7/N^2 of that."
    )


def dynamics_cautions(parameters: Parameters, outlook: Outlook) -> list[str]:
    """Say where the step, the masses or the windows need care."""
    system = outlook.system
    found = []
    if system.dt > system.longest_dt:
        found.append(too_long_step(system))
    shortest = parameters.field.shortest_period
    if parameters.run.time_step is not None and shortest < STEPS_PER_PERIOD * system.dt_s:
        found.append(
            f"A period of the field takes only {shortest / system.dt_s:.2g} steps; it should take "
            f"at least {STEPS_PER_PERIOD}."
        )
    field = parameters.field.largest / system.units.field_t
    reduced_spin = outlook.spin_time / system.units.time_s
    spread = reduced_spin * float(np.max(3.0 * system.moment * field))
    if system.induced:  # nothing turns
        spread = 0.0
    swings = _stiffness(outlook) * outlook.momentum_time / system.units.time_s
    if parameters.run.dynamics == "brownian" and max(swings, spread) > UNDERDAMPED:
        found.append(
            "Inertia matters here: bound pairs or moments in the field swing before the liquid "
            'stops them. Their rates need dynamics = "langevin"; the structure does not.'
        )
    if parameters.run.dynamics == "langevin" and parameters.run.mass_factor > 1.0:
        found.append(
            f"Masses are {parameters.run.mass_factor:g} times the true ones: what happens within "
            f"about {duration_text(10.0 * outlook.momentum_time)} is not that of the film."
        )
    if is_heavy(outlook):
        found.append(
            f"Momentum lasts {duration_text(outlook.momentum_time)}, no longer short beside the "
            f"Brown time of {duration_text(outlook.brown_time)}: the structure is right, but no "
            "relaxation of the magnetisation is quoted."
        )
    if parameters.motion.is_stirred:
        found.append(
            "The flow that particles stir up moves them, windows included: within 0.015 of a lone "
            "particle's mobility for pairs in the film, 0.035 near a window. Touching pairs move "
            "4 to 5 % faster than real ones, as their forces are at their centres alone. Left out "
            "are lubrication (1.05 diameters apart two approach at 0.39 in the place of 0.13 of a "
            "lone one's mobility, so that they meet 3 % too early), flow by particles that turn "
            "(rows of 5 and more in a turning field are up to 8 % too slow, rows that fall in a "
            "field 1 % too fast) and slip (over a tenth of the radius it makes all 8 % faster)."
        )
    elif parameters.windows.hindered_mobility:
        found.append(
            "Windows slow the motion along and across them within a few diameters; how they slow "
            "turning, and what two particles near a window do to each other's flow, is left out."
        )
    return found


def _stiffness(outlook: Outlook) -> float:
    """Return the curvature of the median pair's potential at its minimum, in kT/d0^2."""
    pair = outlook.pair
    place = int(np.argmin(abs(pair.distance_m - pair.minimum_distance_m)))
    place = min(max(place, 1), len(pair.distance_m) - 2)
    x = pair.distance_m[place - 1 : place + 2] / outlook.system.units.length_m
    bent = np.polyfit(x, pair.total_kt[place - 1 : place + 2], 2)[0]
    return max(2.0 * float(bent), 0.0)
