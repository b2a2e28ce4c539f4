"""Where runs and publication part: by how much, and what a change of what was suspected showed.

Sentences are made from the results, so that they say what these hold.
"""

import math

from runs_demo.agreement import columns, decay, laws, lengths, trends
from runs_demo.agreement.case import BENCH
from runs_demo.agreement.row import DIFFERS

LEAST = 3
"""How many comparisons are named that agree least."""


def least(lines):
    """Return (comparison, row) of those that agree least, the worst row of each comparison.

    Of rows that differ, by the logarithm of found over published.
    """
    worst = {}
    for comparison, row in lines:
        if row.verdict != DIFFERS or row.away is None or row.found * row.published <= 0.0:
            continue
        away = abs(math.log(row.found / row.published))
        if away > worst.get(comparison.NAME, (0.0,))[0]:
            worst[comparison.NAME] = (away, comparison, row)
    ranked = sorted(worst.values(), key=lambda one: -one[0])
    return [(comparison, row) for _, comparison, row in ranked[:LEAST]]


def sentences(name, found):
    """Return what is said below the figures of a comparison."""
    told = EXPLAINED.get(name)
    return () if told is None else told(found)


def _lengths(found):
    """Neighbours beyond the next, flexible chains, and rest."""
    words = [
        "Weakly coupled films follow the law of mass action with the bond constant of their own "
        "spheres; the constant as printed, for hard spheres of strong coupling, is lower by a "
        "third to a half.",
        "Suspected: next neighbours alone, as the law has it, where each bond of a long chain gains "
        "up to 0.4 λ from further neighbours. Put to the test by films whose dipoles end at "
        f"{lengths.NEXT_ONLY:g} d:",
    ]
    for in_field in (True, False):
        for coupling in lengths.STRONGEST:
            words += [
                told for fraction in lengths.FRACTIONS
                if (told := _next_only(found, fraction, coupling, in_field))
            ]  # fmt: skip
    still = sum(not one["rest"] for one in found.values())
    words.append(
        f"Suspected: time. {still} of {len(found)} films had not come to rest when their share of "
        "the budget was used up; their error is then half of what both sides differ by. More "
        "minutes bring the sides together, and can move λ = 5 by that much."
    )
    return words


def _next_only(found, fraction, coupling, in_field):
    """Return what taking further neighbours away did to a film; empty where it was not tried."""
    whole, alone = (
        found.get(lengths.name_of(fraction, coupling, in_field, next_only))
        for next_only in (False, True)
    )
    if whole is None or alone is None or None in (whole["mean"]["value"], alone["mean"]["value"]):
        return ""
    law = laws.mean_length(lengths.local(fraction) * laws.bond_constant(coupling, in_field))
    where = "Strong field" if in_field else "No field"
    stiff = f"; a stiff chain with all neighbours {whole['all_neighbours']:.1f}" if in_field else ""
    return (
        f"{where}, λ = {coupling:g}, φ = {fraction:g}: law {law:.2f}, film "
        f"{whole['mean']['value']:.2f} ± {whole['mean']['error']:.2f}, the same with dipoles within "
        f"{lengths.NEXT_ONLY:g} d alone {alone['mean']['value']:.2f} ± "
        f"{alone['mean']['error']:.2f}{stiff}."
    )


def _growth(_):
    """Single particles, bundles, and flow."""
    return (
        "Exponents are those of the weight mean from 2 to 20. Power 1/2 belongs to chains that "
        "find each other by diffusion alone; these, of coupling 8, pull each other from several "
        "diameters away, and are nearest to it in the most dilute film.",
        "Suspected: bundles. Beyond 20 particles, chains touch sidewise and groups of several "
        "count as one: in the densest film the weight mean passes 20 within 0.2 d²/D0 and goes on "
        "to hundreds. No exponent of single chains is quoted there, and scaled distributions part "
        "where that begins.",
        "Flow: the small films with and without it start from the same places. It slows the first "
        "bonds to 0.5 to 0.75 of the pace, since particles must squeeze out the liquid between.",
    )


def _magnetisation(_):
    """Few independent fluctuations, and chains."""
    return (
        "In a field, films of couplings 1 and 2 follow the law within 3 %. At coupling 3 it fails "
        "in a weak field: chains form, and turn as one. It is good up to a coupling of about 2 "
        "(from memory).",
        "Initial susceptibilities from fluctuations need some hundreds of independent structures; "
        "at this budget their errors are 15 % and more, and decide nothing. The weak field of the "
        "curves (α = 0.5) is the sharper test here.",
    )


def _columns(found):
    """What was changed in the thinnest film, and how little the distance moved."""
    value, _ = columns.distance(found.get("thickness_5"))
    if value is None:
        return ()
    changed = [
        f"{name.replace('_', ' ')} {other:.2f}"
        for name in columns.OTHERS
        if (other := columns.distance(found.get(name))[0]) is not None
    ]
    way = found["thickness_5"]["way"]
    first, last = 1e6 * way["distance_m"][1], 1e6 * way["distance_m"][-1]
    single = columns.DIAMETER_UM * columns.SINGLE
    return (
        f"The distances found, {value:.2f} µm in the thinnest film, are nearly those of single "
        f"chains through the whole film ({single:.2f} µm): these columns hold little more than one "
        "chain, where the law asks for 2 (5 µm) to 8 (50 µm) chains in each.",
        f"Changed in the thinnest film, with {value:.2f} µm unchanged: {', '.join(changed)} µm. "
        "Neither coupling nor sizes close the gap; 10 % of size spread and twice the coupling move "
        "it by a tenth of a µm.",
        f"Suspected: time. The thinnest film stands still, {first:.2f} µm after "
        f"{way['time_s'][1]:.1f} s and {last:.2f} µm after {way['time_s'][-1]:.1f} s: in register "
        "chains repel each other at any distance, and a field that is on at once freezes them "
        "where they grew. The thicker films still coarsen. In the emulsion, too, the pattern "
        "hung on how fast the field grew (same abstract): weak chains can join sidewise first.",
        "What would be needed: fields that grow within minutes (1e3 d²/D0), thickness 50 µm and "
        "54 000 beads: work for a graphics card (--device gpu), not for a core.",
    )


def _trends(found):
    """What scale allows, and what would be needed."""
    seeds = len({name.rpartition("_")[2] for name in found})
    return (
        f"{seeds} film{'s' if seeds > 1 else ''} at each end: a difference below three errors "
        "decides nothing. Concentration is far beyond that. Field and temperature change little "
        "once bonds are strong, and a ramp that lasts half of a run of a few d²/D0 is not the "
        "measured one, of seconds to minutes.",
        "The measured films hold particles of 10 nm. Columns 2 µm apart in 10 µm of such a film "
        f"are bundles of some 2000 chains, and 50 of them {_particles():.0e} particles, for which "
        "tens of ms are some 1e3 times d²/D0: within what a card holds, not within what it steps "
        "through in a day.",
        f"Beads whose columns are as far apart turn slower: d²/D0 is {trends.BEADS.time_s:.2f} s "
        "here, so that hundreds of ms for half of the change are their own time, not that of the "
        "measured film.",
    )


def _particles():
    """Return how many particles of 14 nm, a twentieth of the film, stand under 50 columns."""
    area = 50.0 * math.sqrt(3.0) / 2.0 * 2.0**2
    return 0.05 * area * 10.0 / (math.pi / 6.0 * 0.014**3)


def _turning(_):
    """How long steady states take, and flow."""
    return (
        "Lengths fall with the power that was measured, and stand at the length that the torques "
        "hold. At the two slowest rates chains still grew when the run ended, so that they are "
        "left out of the exponent.",
        "Chains trail by less than 45° up to the Mason number 0.7, and by more beyond: there they "
        "break and join at every turn. With flow both lengths agree with the drag of rods within "
        "what one turn of a small film tells.",
    )


def _decay(found):
    """What falls first after switch-off."""
    words = [
        "Directions are forgotten as rows of spheres do, without flow within errors of a tenth, "
        "with it within those of a few dozen chains. A rest near 0.1 stays at long times: chains "
        "that have met others by then turn with them.",
    ]
    one = found.get("apart")
    if one is not None and one["length"]["value"] is not None:
        fall = one["length"]["value"] / BENCH.time_s
        words.append(
            f"Lengths at λ = 4 fall within {fall:.2f} d²/D0, where bonds live for "
            f"{decay.life_of(one):.1f} by detailed balance. Suspected: what a mean length says. It "
            "is 1/(1 − b), b the bonds a particle, and has lost 1 − 1/e of its way from 4 to 1.7 "
            "when 43 % of the bonds that must go are gone: after 0.55 lives, 0.7 d²/D0."
        )
        words.append(
            "Suspected: the bond rule. The same with 800 particles, tried beside the table: 0.18 "
            "by distance and alignment, 0.27 by distance alone; the magnetisation takes 1.2. So "
            "moments that turn out of line account for a third of what is left, and the rest, a "
            "factor of 2.6, lies within what the estimate of a life is good for."
        )
        words.append(
            f"The measured tens of ms are those of columns a µm thick. These chains are one "
            f"particle thick, and {fall * BENCH.time_s * 1e6:.0f} µs are a sixth of d²/D0; what is "
            "40 times as thick spreads by diffusion in 40² times as long, which is ten ms."
        )
    return words


EXPLAINED = {
    "lengths": _lengths, "growth": _growth, "magnetisation": _magnetisation, "columns": _columns,
    "trends": _trends, "turning": _turning, "decay": _decay,
}  # fmt: skip
