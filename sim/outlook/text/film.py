"""The numbers of an outlook in words: the table and the sentences of `chainfilm check`."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analysis.common.conventions import SETTLING_LIVES
from sim.outlook.chain_growth import GROWTH_BAND
from sim.outlook.look_ahead import CHAINING_COUPLING, LONGEST_SINGLE
from sim.outlook.text.beads import bead_rows, bead_sentences
from sim.outlook.text.cell import cell_sentences
from sim.outlook.text.dipoles import dipole_rows
from sim.outlook.text.forces import force_rows, force_sentences
from sim.outlook.text.magnets import magnet_rows, magnet_sentences
from sim.outlook.text.motion import dynamics_sentences
from sim.physics.units import duration_text, format_quantity

if TYPE_CHECKING:
    from sim.film.reduced_system import ReducedSystem
    from sim.outlook.look_ahead import Lengths, Outlook
    from sim.outlook.pair_potential import PairPotential
    from sim.parameters.types import Parameters

SHORTEST_VISIBLE = 400e-9
"""Shortest wavelength of visible light in air, in m."""


def _number(value: float) -> str:
    """Write a number with three significant digits."""
    return f"{value:.3g}"


def _length(value: float) -> str:
    """Write a mean chain length: three digits near 1, where the excess matters, else two."""
    return f"{value:.2f}" if value < 2.0 else f"{value:.2g}" if value < 100.0 else f"{value:.0f}"


def _times_over(value: float) -> str:
    """Write how many times something fits."""
    return f"{value:.2g}" if value < 10.0 else f"{value:.0f}"


def along_and_across(parameters: Parameters, outlook: Outlook) -> tuple[float, float]:
    """Room of the patch along the field and across it.

    Returns
    -------
    tuple of float
        Along the field, in m, infinite where the periodic patch does not limit chains because the
        field points across the film; and the smaller room across the field in the plane, in m.
    """
    x, y, z = parameters.field.direction
    sides = outlook.particles.sides
    if abs(z) > math.sqrt(0.5):
        return math.inf, min(sides)
    if parameters.field.largest == 0.0:
        return min(sides), min(sides)
    # A chain along (x, y) meets the next image of the patch after W_x/x or W_y/y.
    level = math.hypot(x, y)
    rooms = [side * level / abs(part) for side, part in zip(sides, (x, y), strict=True) if part]
    return min(rooms), sides[0] * sides[1] / min(rooms)


def side_by_side(parameters: Parameters, outlook: Outlook) -> float:
    """Distance of single chains beside each other in the plane of the film, in m.

    That of the line density; where chains lie in a film thinner than that, in one layer, their
    share of its volume over its thickness.
    """
    thickness = outlook.particles.thickness
    upright = abs(parameters.field.direction[2]) > math.sqrt(0.5)
    return outlook.spacing * (1.0 if upright else max(outlook.spacing / thickness, 1.0))


def _spacing_row(parameters: Parameters, outlook: Outlook) -> str:
    """Write the spacing of chains, in a film of one layer that in the layer too."""
    text = format_quantity(outlook.spacing, "length")
    apart = side_by_side(parameters, outlook)
    if apart == outlook.spacing:
        return text
    return f"{text} in bulk, {format_quantity(apart, 'length')} in the one layer of this film"


def _barrier(pair: PairPotential) -> str:
    """Write the barrier of a pair."""
    if math.isinf(pair.barrier_kt):
        return "none to climb (soft core)"
    return f"{pair.barrier_kt:.1f} kT"


def table(parameters: Parameters, outlook: Outlook) -> list[tuple[str, str]]:
    """Lay out the derived numbers, as label and value with its unit."""
    return [
        *_particle_rows(parameters, outlook),
        *bead_rows(parameters, outlook),
        *_pair_rows(outlook),
        *force_rows(parameters, outlook),
        *magnet_rows(parameters, outlook),
        *_run_rows(parameters, outlook),
    ]


def _particle_rows(parameters: Parameters, outlook: Outlook) -> list[tuple[str, str]]:
    sizes = parameters.particles
    moment = outlook.system.units.moment_am2 * math.sqrt(outlook.coupling)
    return [
        ("particles", f"{outlook.particles.count}"),
        ("volume fraction (core and shell)", _number(outlook.particles.volume_fraction)),
        ("median diameter (core and shell)", format_quantity(sizes.diameter, "length")),
        ("median moment", format_quantity(moment, "moment")),
        ("coupling, median particle", _number(outlook.coupling)),
        ("coupling, largest tenth", _number(outlook.coupling_tail)),
        ("largest field", format_quantity(parameters.field.largest, "field")),
        *_langevin_rows(parameters, outlook),
        ("diffusion time d^2/D0", duration_text(outlook.diffusion_time)),
        ("Brown time", duration_text(outlook.brown_time)),
        ("Neel time (two usual prefactors)", _neel_times(outlook)),
    ]


def _langevin_rows(parameters: Parameters, outlook: Outlook) -> list[tuple[str, str]]:
    """Return the rows on how strongly the field holds moments: of beads, those of their cores."""
    if parameters.particles.is_multicore:
        return [("Langevin parameter, a core of a bead", _number(outlook.langevin))]
    return [
        ("Langevin parameter, median particle", _number(outlook.langevin)),
        ("Langevin parameter, largest tenth", _number(outlook.langevin_tail)),
    ]


def _neel_times(outlook: Outlook) -> str:
    """Write the times of both prefactors; one where they read alike."""
    times = sorted((outlook.neel_time, outlook.neel_time_high_barrier))
    return " to ".join(dict.fromkeys(map(duration_text, times)))


def _pair_rows(outlook: Outlook) -> list[tuple[str, str]]:
    rows = []
    for name, pair in (("median", outlook.pair), ("largest tenth", outlook.pair_tail)):
        place = format_quantity(pair.minimum_distance_m, "length")
        rows += [
            (f"pair minimum, {name}", f"{pair.minimum_kt:.1f} kT at {place}"),
            (f"coupling at the minimum, {name}", _number(pair.coupling_at_minimum)),
            (f"barrier against touching cores, {name}", _barrier(pair)),
        ]
    return rows


def _run_rows(parameters: Parameters, outlook: Outlook) -> list[tuple[str, str]]:
    lengths, system = outlook.lengths, outlook.system
    band = f"{_length(lengths.central)} ({_length(lengths.low)} to {_length(lengths.high)})"
    large = lengths.aggregation_number >= 1000.0
    number = "over 1000" if large else f"{lengths.aggregation_number:.2g}"
    growth = []
    sampled = parameters.run.is_sampled
    if outlook.coupling_largest >= CHAINING_COUPLING and not sampled:
        growth = [
            ("mean length at the end of the run", _length(outlook.expected_at_end)),
            ("bond life, largest tenth", duration_text(outlook.bond_life)),
            ("time a film takes to come to rest", duration_text(outlook.film_time)),
        ]
    return [
        ("mean chain length in equilibrium", band),
        ("the same from neighbours alone (at least)", _neighbours_alone(lengths)),
        ("aggregation number N* (median particle)", number),
        ("chain spacing from the line density", _spacing_row(parameters, outlook)),
        *growth,
        *(_limit_rows(parameters) if sampled else _step_rows(parameters, system)),
        *dipole_rows(system),
        *([] if sampled else [("momentum time", duration_text(outlook.momentum_time))]),
    ]


def _neighbours_alone(lengths: Lengths) -> str:
    """Write the lower estimate, cut where the prediction is."""
    return _length(min(lengths.neighbours_only, lengths.longest))


def _step_rows(parameters: Parameters, system: ReducedSystem) -> list[tuple[str, str]]:
    """Return the rows on the time that is simulated and its steps."""
    return [
        ("simulated time", format_quantity(parameters.run.duration, "time")),
        ("time step", format_quantity(system.dt_s, "time")),
        *_inner_rows(system),
        ("limited by", system.limit),
        ("steps", f"{system.steps}"),
    ]


def _limit_rows(parameters: Parameters) -> list[tuple[str, str]]:
    """Return the rows on what ends a sampled run."""
    run = parameters.run
    wall = "no limit" if run.wall_time is None else duration_text(run.wall_time)
    return [
        ("independent structures wanted", f"{run.structures}"),
        ("sweeps at most", f"{run.sweeps}"),
        ("wall time at most", wall),
    ]


def _inner_rows(system: ReducedSystem) -> list[tuple[str, str]]:
    """Return the row on inner steps, if there are any."""
    if system.inner_steps == 1:
        return []
    inner = format_quantity(system.dt_s / system.inner_steps, "time", 3)
    return [("inner steps, for near pairs", f"{system.inner_steps} of {inner}")]


def _step_sentence(system: ReducedSystem) -> str:
    """Say how long a step is and what sets it."""
    step = f"The time step of {format_quantity(system.dt_s, 'time')} ({system.steps} steps)"
    if system.inner_steps == 1:
        return f"{step} is set by {system.limit}."
    inner = format_quantity(system.dt_s / system.inner_steps, "time", 3)
    return (
        f"{step} has {system.inner_steps} inner steps of {inner}, in which near pairs are summed "
        f"again; these are set by {system.limit}."
    )


def sentences(parameters: Parameters, outlook: Outlook) -> list[str]:
    """Say what to expect, in full sentences."""
    return [
        _verdict(outlook),
        *bead_sentences(parameters, outlook),
        *_lengths(outlook),
        *_times(parameters, outlook),
        *magnet_sentences(parameters, outlook),
        *cell_sentences(parameters),
        *force_sentences(parameters, outlook),
        _spacing(parameters, outlook),
        _patch(parameters, outlook),
        *([] if parameters.run.is_sampled else [_step_sentence(outlook.system)]),
        *([] if parameters.run.is_sampled else dynamics_sentences(parameters, outlook)),
    ]


def _verdict(outlook: Outlook) -> str:
    """Whether chains form at all."""
    median, largest = outlook.coupling, outlook.coupling_largest
    needed = "particles need about 2 to 3 to chain"
    if median >= CHAINING_COUPLING:
        if outlook.lengths.central < 1.5:
            return (
                f"Few and short chains: the coupling of {median:.2g} would do ({needed}), but at "
                f"this concentration most particles stay alone."
            )
        tail = outlook.coupling_tail
        rest = f", the largest tenth {tail:.2g}" if largest > 1.001 * median else ""
        return f"Chains form: the median particle has a coupling of {median:.2g}{rest}; {needed}."
    if largest < CHAINING_COUPLING:
        place = "in this field" if outlook.system.induced else "at any field"
        rest = f", that of the largest {largest:.2g}" if largest > 1.001 * median else ""
        return (
            f"No chains form {place}: the coupling of the mean particle is {median:.2g}{rest}"
            f"; {needed}. Chains seen in such a fluid come from clusters that it brings along, or "
            f"from larger particles than the file says."
        )
    return (
        f"The mean particle does not chain: its coupling is {median:.2g}, and {needed}. Only the "
        f"tail of the sizes can, {100.0 * outlook.strong_share:.2g} % of the particles with a "
        f"coupling above {CHAINING_COUPLING:g} (the largest: {largest:.2g}); so would clusters."
    )


def _lengths(outlook: Outlook) -> list[str]:
    """Predicted mean length with its band."""
    lengths = outlook.lengths
    if outlook.coupling_largest < CHAINING_COUPLING:
        return [
            f"The bond rule counts chance neighbours too, which alone give a mean length of about "
            f"{_length(lengths.central)}."
        ]
    central, low, high = (_length(x) for x in (lengths.central, lengths.low, lengths.high))
    text = (
        f"In equilibrium the mean chain length, single particles included, should be about "
        f"{central}, between {low} and {high}; neighbours alone give "
        f"{_neighbours_alone(lengths)} at least."
    )
    if lengths.single_chains > lengths.longest:
        text += (
            f" Single chains would become longer still, but from {LONGEST_SINGLE:.0f} particles on "
            f"two chains side by side are lower in energy than one: expect them to thicken."
            if lengths.longest == LONGEST_SINGLE
            else " Single chains would become longer still, but the film is no thicker than that."
        )
    return [text]


def _times(parameters: Parameters, outlook: Outlook) -> list[str]:
    """Compare the simulated time with the time that a film takes."""
    if parameters.run.is_sampled:
        return [
            "This run samples the film at rest by moves: it has no times, and says by itself "
            "whether a film from single particles and one from long chains have met."
        ]
    if outlook.coupling_largest < CHAINING_COUPLING:
        return []
    duration = parameters.run.duration
    simulated = format_quantity(duration, "time")
    lines = []
    if outlook.grown_length < outlook.lengths.central:
        lines.append(
            f"This run ends during growth: from single particles, diffusion lets chains reach a "
            f"mean length of about {_length(outlook.grown_length)} in {simulated}, and the "
            f"predicted length in about {duration_text(outlook.growth_time)}; long chains may grow "
            f"faster, up to {GROWTH_BAND:g} times that length."
        )
    life = duration_text(outlook.bond_life)
    lives = duration / outlook.bond_life
    if lives >= SETTLING_LIVES:
        lines.append(
            f"Bonds in the largest tenth last about {life}, so that {simulated} hold "
            f"{_times_over(lives)} bond lives: long enough for lengths to settle."
        )
    else:
        lines.append(
            f"Bonds in the largest tenth last about {life} beside {simulated} of simulated time; a "
            f"film takes about {duration_text(outlook.film_time)} to settle, so that the run's "
            f'lengths hold "after t = {simulated}" and are no property of the film.'
        )
    return lines


def _spacing(parameters: Parameters, outlook: Outlook) -> str:
    """Distance of chains, and what light makes of it."""
    apart = side_by_side(parameters, outlook)
    spacing = format_quantity(apart, "length", 3)
    layer = ", in the one layer that so thin a film holds" if apart > outlook.spacing else ""
    if outlook.coupling_largest < CHAINING_COUPLING:
        return (
            f"Straight chains of all particles would stand {spacing} apart (from their line "
            f"density{layer}); without chains there is no such spacing."
        )
    text = f"Single chains stand about {spacing} apart (from their line density{layer})"
    if apart < SHORTEST_VISIBLE:
        return (
            f"{text}, below the wavelength of visible light: such a film is a medium whose "
            f"refractive index depends on direction; it has neither slits nor diffraction orders "
            f"unless chains gather in bundles far wider than this patch shows."
        )
    return f"{text}, comparable with the wavelength of visible light or above it."


def _patch(parameters: Parameters, outlook: Outlook) -> str:
    """Measure the patch in units of what it is to show."""
    along, across = along_and_across(parameters, outlook)
    diameter = parameters.particles.diameter
    spacings = _times_over(across / side_by_side(parameters, outlook))
    text = f"The patch is {spacings} chain spacings wide across the field"
    if outlook.coupling_largest < CHAINING_COUPLING:
        return f"{text} and {_times_over(outlook.particles.thickness / diameter)} diameters thick."
    if math.isinf(along):
        room = outlook.particles.thickness / diameter
        return (
            f"{text}, and the film is {_times_over(room)} diameters thick, which bounds the chains."
        )
    chains = along / (outlook.expected_at_end * diameter)
    return (
        f"{text} and {_times_over(chains)} chain lengths long along it (chains as at the end of "
        f"the run)."
    )
