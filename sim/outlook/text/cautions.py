"""Where the model, the patch or the bench need care: the cautions of `chainfilm check`."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analysis.common.conventions import LENGTHS_WANTED, SPACINGS_WANTED
from analysis.common.flow_factors import factors_of
from sim.film.added_stiffness import CLIMBED
from sim.magnets.safety import PUBLIC_LIMIT, magnet_cautions
from sim.outlook.look_ahead import CHAINING_COUPLING
from sim.outlook.text.beads import bead_cautions
from sim.outlook.text.film import along_and_across, side_by_side
from sim.outlook.text.forces import force_cautions
from sim.outlook.text.motion import dynamics_cautions
from sim.outlook.turning_moments import crossing_cores
from sim.physics.units import duration_text, format_quantity

if TYPE_CHECKING:
    from sim.outlook.look_ahead import Outlook
    from sim.parameters.types import Parameters

LOWEST_BARRIER = 10.0
"""Barriers in kT under which particles stick for good within a bench time."""

PRESSED = 0.95
"""Share of the solid diameter below which the rest of a pair is told to lie inside it."""


def cautions(parameters: Parameters, outlook: Outlook) -> list[str]:
    """Say where care is needed.

    Returns
    -------
    list of str
        Full sentences, the film's own first, those of every film and of the bench last.
    """
    return [
        *cautions_on_numbers(parameters, outlook),
        *_pressed_cores(parameters, outlook),
        *_model_limits(parameters, outlook),
        *magnet_cautions(parameters),
        *bench_cautions(parameters),
    ]


def cautions_on_numbers(parameters: Parameters, outlook: Outlook) -> list[str]:
    """Say what makes numbers of this very film doubtful; run files keep it for those who measure.

    What holds for every film is left out.
    """
    return [
        *_moment_model(parameters, outlook),
        *_barriers(outlook),
        *_endless_bonds(parameters, outlook),
        *_patch(parameters, outlook),
        *_free_moments(parameters, outlook),
        *force_cautions(parameters),
        *(
            _left_out(outlook)
            if parameters.run.is_sampled
            else dynamics_cautions(parameters, outlook)
        ),
    ]


def _left_out(outlook: Outlook) -> list[str]:
    """Say what has no energy in a sampled film."""
    body = outlook.system.body
    pulled = (body.core_weight != 0.0 or body.shell_weight != 0.0) and any(body.down[:2])
    if not pulled and not any(body.gradient):
        return []
    return [
        "What weight or a field gradient do along the film is left out: a periodic film has no "
        "energy for it. What they do across the film is sampled."
    ]


def _moment_model(parameters: Parameters, outlook: Outlook) -> list[str]:
    """Whether moments turn with the particle or inside it."""
    if parameters.particles.is_multicore:
        return bead_cautions(parameters, outlook)
    if parameters.run.is_sampled:  # either model has the same structure
        return []
    crossing = crossing_cores(parameters)
    sizes = parameters.particles
    is_blocked = sizes.moment == "blocked"
    found = []
    if crossing is None:
        if is_blocked:
            found.append(
                "Without anisotropy nothing holds a moment in its particle: "
                'moment = "superparamagnetic" fits; the structure is the same, only rates differ.'
            )
    else:
        low, high = (format_quantity(size, "length", 3) for size in crossing)
        core = format_quantity(sizes.core_diameter, "length")
        span = (
            f"particles turn as a whole sooner than their moment turns inside above a core of "
            f"{low} to {high} (for this anisotropy and viscosity and the two usual prefactors)"
        )
        if is_blocked and sizes.core_diameter < crossing[0]:
            found.append(
                f'moment = "blocked" does not fit a median core of {core}: {span}. The structure '
                f"is the same, but moments relax faster than this run shows."
            )
        elif not is_blocked and sizes.core_diameter > crossing[1]:
            found.append(
                f'moment = "superparamagnetic" does not fit a median core of {core}: {span}. The '
                f"structure is the same; the rates are those of whole particles anyway."
            )
        elif crossing[0] <= sizes.core_diameter <= crossing[1]:
            found.append(
                f"The median core of {core} lies where either moment model may fit: {span}. Only "
                f"rates depend on it."
            )
    if outlook.system.turning_capped:
        found.append(
            "Moments turn faster than the time step can follow and are slowed down: the structure "
            "is right, but no relaxation of the magnetisation is quoted."
        )
    return found


def _barriers(outlook: Outlook) -> list[str]:
    """Whether the repulsion keeps the cores apart."""
    pairs = (("median", outlook.pair), ("largest-tenth", outlook.pair_tail))
    weak = [
        f"{pair.barrier_kt:.1f} kT for {name} pairs"
        for name, pair in pairs
        if pair.barrier_kt < LOWEST_BARRIER
    ]
    touching = outlook.system.core_stiffness > 0.0
    if not weak and touching:
        return [
            f"The layers hold cores apart by less than the {CLIMBED:.0f} kT that a run may climb: "
            "some may touch, and then hold each other as hard spheres do; take a denser or thicker "
            "shell."
        ]
    if not weak:
        return []
    followed = "which this model does not follow"
    if outlook.system.added.contact_gap > 0.0 or touching:
        followed = "also in this run, whose step becomes short to follow it"
    return [
        f"The repulsion is too weak: head to tail the barrier between the bound state and touching "
        f"cores is {' and '.join(weak)}. Under about {LOWEST_BARRIER:.0f} kT particles stick for "
        f"good, {followed}; take a denser or thicker shell."
    ]


def _pressed_cores(parameters: Parameters, outlook: Outlook) -> list[str]:
    """Whether soft cores give way so far that solid parts lie in each other."""
    core = parameters.particles.core_diameter
    place = outlook.pair.minimum_distance_m
    if parameters.repulsion.kind != "soft_core" or place > PRESSED * core:
        return []
    return [
        f"Soft cores give way: head to tail the median pair rests at "
        f"{format_quantity(place, 'length', 3)}, {100.0 * (1.0 - place / core):.0f} % inside its "
        f"solid diameter of {format_quantity(core, 'length', 3)}, where the coupling is "
        f"{outlook.pair.coupling_at_minimum:.2g} in the place of {outlook.coupling:.2g}; a larger "
        "[repulsion] strength keeps them apart."
    ]


def _endless_bonds(parameters: Parameters, outlook: Outlook) -> list[str]:
    """Say whether bonds last longer than the run."""
    if parameters.run.is_sampled or outlook.coupling_tail < CHAINING_COUPLING:
        return []
    if outlook.bond_life < parameters.run.duration:
        return []
    return [
        f"Bonds in the largest tenth (coupling {outlook.coupling_tail:.2g}) last about "
        f"{duration_text(outlook.bond_life)} and hardly ever open within this run: its chains "
        f"remember how they grew."
    ]


def _patch(parameters: Parameters, outlook: Outlook) -> list[str]:
    """Say whether the patch is too small for what it is to show."""
    if outlook.coupling_largest < CHAINING_COUPLING:
        return []
    along, across = along_and_across(parameters, outlook)
    found = []
    spacings = across / side_by_side(parameters, outlook)
    if spacings < SPACINGS_WANTED:
        found.append(
            f"The patch is only {spacings:.2g} chain spacings wide across the field; for a spacing "
            f"of the chains it should be {SPACINGS_WANTED:.0f}."
        )
    # In a geometric law of lengths the weight mean is 2 <n> - 1.
    shortest, longest = (
        along / ((2.0 * mean - 1.0) * parameters.particles.diameter)
        for mean in (outlook.longest_at_end, outlook.expected_at_end)
    )
    if shortest < LENGTHS_WANTED:
        room = f"{longest:.2g}" if longest < LENGTHS_WANTED else f"{shortest:.2g} to {longest:.2g}"
        found.append(
            f"The patch is only {room} chain lengths long along the field (weight mean); "
            f"under {LENGTHS_WANTED:.0f}, chains close on themselves through its ends."
        )
    return found


def _model_limits(parameters: Parameters, outlook: Outlook) -> list[str]:
    """Say what every run leaves out."""
    found = []
    if parameters.dipoles.sum == "cutoff":
        reach = format_quantity(outlook.system.cutoff * parameters.particles.diameter, "length")
        found.append(
            f'Dipole forces beyond {reach} are left out (sum = "cutoff"), and with them the '
            f"repulsion of distant chain ends: spacings and figures are provisional."
        )
    if not parameters.run.is_sampled and not parameters.motion.is_stirred:
        found.append(_flow_left_out(outlook))
    return found


def _flow_left_out(outlook: Outlook) -> str:
    """Say by how much times are wrong without the flow that particles stir."""
    system = outlook.system
    thickness = system.thickness / (2.0 * float(system.radius.mean()))
    factors = factors_of(outlook.lengths.central, outlook.particles.volume_fraction, thickness)
    told = ", ".join(f"{name} {one.value:.2f} +- {one.error:.2f}" for name, one in factors.items())
    inside = all(one.inside for one in factors.values())
    nearest = "" if inside else ", by the nearest film measured"
    return (
        "The flow that particles stir in the liquid is left out. Times here over those with it, at "
        f"the predicted length: {told}{nearest}; below 1, a real film takes longer. Results give "
        'times as simulated and so corrected; [motion] flow = "hydrodynamic" simulates the flow.'
    )


def _free_moments(parameters: Parameters, outlook: Outlook) -> list[str]:
    """Say whether the field leaves moments free, which the predicted length does not know."""
    is_weak = math.isclose(parameters.field.largest, 0.0) or outlook.langevin_tail < 1.0
    if not is_weak or parameters.particles.is_multicore:  # beads have no moment but the field's
        return []
    return [
        "The field does not align the moments (Langevin parameter below 1): chains bend, and "
        "close into rings at strong coupling, which the predicted length leaves out."
    ]


def bench_cautions(parameters: Parameters) -> list[str]:
    """Say what the bench needs."""
    found = []
    field = parameters.field.largest
    if field > PUBLIC_LIMIT:
        found.append(
            f"The largest field of {format_quantity(field, 'field')} is above the 400 mT that "
            f"ICNIRP (2009) sets for any part of the public's body (occupational: 2 T for head "
            f"and trunk, 8 T for limbs)."
        )
    found.append(
        "Strong magnets snap together and shatter, pull tools, and are a surgical emergency when "
        "swallowed; keep people with implants where the field is below 0.5 mT and everybody below "
        "400 mT (ICNIRP 2009). Light: stay with lasers of class 2 (visible, up to 1 mW, IEC "
        "60825-1) unless trained staff are in charge; class 3R (up to 5 mW) can and 3B and 4 will "
        "hurt eyes, also by what windows and polished magnets reflect. Carrier liquids burn and "
        "irritate: read their safety sheets, ventilate, and do not breathe or spill nanoparticles. "
        "Local codes and the judgement of licensed practitioners come before anything that this "
        "program says."
    )
    return found
