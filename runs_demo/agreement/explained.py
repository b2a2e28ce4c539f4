"""Where runs and publication part: by how much, and what a change of what was suspected showed.

Sentences are made from the results, so that they say what these hold.
"""

import math

from runs_demo.agreement import (
    column_energy,
    columns,
    decay,
    growth,
    laws,
    lengths,
    magnetisation,
    trends,
)
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
        "Suspected: next neighbours alone, as the law has it, where each bond of a long chain "
        "gains up to 0.4 λ from further neighbours. Put to the test by films whose dipoles end at "
        f"{lengths.NEXT_ONLY:g} d:",
    ]
    for in_field in (True, False):
        for coupling in lengths.STRONGEST:
            words += [
                told for fraction in lengths.FRACTIONS
                if (told := _next_only(found, fraction, coupling, in_field))
            ]  # fmt: skip
    words.append(
        "In the field these meet the law. Without it they fall short of it, more so at the larger "
        "fraction: particles in each other's way, which an ideal mixture leaves out."
    )
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
        f"{whole['mean']['value']:.2f} ± {whole['mean']['error']:.2f}, the same with dipoles "
        f"within {lengths.NEXT_ONLY:g} d alone {alone['mean']['value']:.2f} ± "
        f"{alone['mean']['error']:.2f}{stiff}."
    )


def _growth(found):
    """Single particles, bundles, and flow."""
    words = [
        "Exponents are those of the weight mean from 2 to 20, of large films also beyond. Power "
        "1/2 belongs to chains that find each other by diffusion alone; these, of coupling 8, pull "
        "each other from several diameters away (suspected, not tested by weaker coupling).",
    ]
    for name, one in sorted(found.items()):
        plain, strict = growth.spread_of_collapse(one), None
        if "strict" in one["late"][-1]:
            strict = growth.spread_of_collapse(one, "strict")
        if plain is not None and strict is not None:
            words.append(
                f"Suspected: bundles, groups that touch sidewise. {name.replace('_', ' ')}: "
                f"{one['branched']:.0%} of the particles are in branched groups; distributions are "
                f"off by {plain[0]:.0%}, and by {strict[0]:.0%} where bonds within 27° of both "
                "moments alone are counted, which join fewer chains to their neighbours; noise "
                f"alone makes {plain[1]:.0%} and {strict[1]:.0%}."
            )
    pairs = [(found.get(growth.name_of(0.01, kind))) for kind in ("free", "large")]
    off = [growth.spread_of_collapse(one) for one in pairs]
    if None not in off:
        count = [sum(one["late"][0]["counts"][k] * k for k in range(len(one["late"][0]["counts"])))
                 for one in pairs]  # fmt: skip
        words.append(
            f"Suspected: few chains. At φ = 0.01 distributions of {count[0]} particles are off by "
            f"{off[0][0]:.0%}, those of {count[1]} by {off[1][0]:.0%}: what the small films part "
            "by is the number of their chains."
        )
    for fraction in growth.LARGE_TIME:
        one = found.get(growth.name_of(fraction, "large"))
        if one is not None and "strict" in one["late"][-1]:
            plain, strict = (growth.late_exponent(one, rule)[0] for rule in ("counts", "strict"))
            words.append(
                f"Suspected: bundles in exponents beyond 20. φ = {fraction:g}, from a quarter of "
                f"the time on: power {plain:.2f}, and {strict:.2f} where bonds within 27° alone "
                "count. Chains that meet sidewise make the growth faster than that of single ones."
            )
    paces = [pace for phi in growth.FRACTIONS if (pace := growth.slowing(found, phi)[0])]
    if paces:
        words.append(
            "Flow: the small films with and without it start from the same places. It slows the "
            f"first bonds to {min(paces):.2f} to {max(paces):.2f} of the pace, since particles "
            "must squeeze out the liquid between."
        )
    return words


def _magnetisation(found):
    """Whether chains or the density of moments part films from the law."""
    words = [
        "Initial susceptibilities are taken from a weak field (α = 0.4), where one structure tells "
        "as much as fifty without a field.",
    ]
    coupling, fraction = magnetisation.CURVES[2]
    alpha = magnetisation.SHOWN[0]
    pairs = ((coupling, fraction), magnetisation.SAME)
    told = [_off(found, *pair, alpha) for pair in pairs]
    if None not in told:
        words.append(
            "Suspected: chains, which turn as one, not the density of moments. At "
            f"λ = {coupling:g}, φ = {fraction:g} a film is {told[0]} off the law (α = {alpha:g}); "
            f"one of the same χ_L whose particles hardly bind, λ = {magnetisation.SAME[0]:g}, "
            f"φ = {magnetisation.SAME[1]:g}, {told[1]}."
        )
    alike = ((1.0, 0.2), (2.0, 0.1), (4.0, 0.05))
    told = [_off(found, *pair, magnetisation.WEAK) for pair in alike]
    if None not in told:
        rows = ", ".join(f"{off} at λ = {c:g}" for off, (c, _) in zip(told, alike, strict=True))
        words.append(
            "The same at the χ_L of the strongest curve, in a field of "
            f"α = {magnetisation.WEAK:g}: {rows}. The law fails with the coupling, from 3 on."
        )
    return words


def _off(found, coupling, fraction, alpha):
    """Return by how much a magnetisation is off the law, as text; None where it was not run."""
    one = found.get(magnetisation.name_of(coupling, fraction, alpha))
    if one is None or one["relative"]["value"] is None:
        return None
    chi = laws.langevin_susceptibility(coupling, magnetisation.local(fraction))
    law = float(laws.mean_field_magnetisation(alpha, chi))
    off = f"{100.0 * (one['relative']['value'] / law - 1.0):+.0f}".replace("-", "−")
    return f"{off} ± {100.0 * (one['relative']['error'] or 0.0) / law:.0f} %"


def _columns(found):
    """What was changed, and where columns of lowest energy would stand."""
    words = []
    contact = laws.soft_contact(columns.COUPLING)
    for thickness in columns.THICKNESSES_UM:
        value, _ = columns.distance(found.get(f"thickness_{thickness:g}"))
        if value is not None:
            chains, lowest = column_energy.lowest(thickness)
            words.append(
                f"{thickness:g} µm: {value:.2f} µm found, {_chains(value, contact):.1f} chains a "
                f"column; "
                f"measured {float(laws.emulsion_spacing(thickness)):.2f} µm, "
                f"{_chains(float(laws.emulsion_spacing(thickness))):.1f} chains; of lowest energy "
                f"{lowest:.2f} µm, {chains} chains."
            )
    if words:
        words.append(
            f"Beads of ours rest {contact:.2f} d apart at λ = {columns.COUPLING:g} (Boltzmann "
            "average of a pair), by which their chains are counted; "
            "those of the emulsion and of lowest energy count as touching, and would stand "
            f"{100.0 * (contact**-0.5 - 1.0):.0f} % farther with beads as near. Less than one "
            "chain in the thinnest film: its chains reach from window to window at weak coupling, "
            f"with beads nearly d apart ({laws.soft_contact(8.0):.2f} d at λ = 8), and shrink as "
            "it grows."
        )
    power = column_energy.lowest_power(columns.THICKNESSES_UM)
    words.append(
        "Suspected: the interactions. Straight chains in columns of touching beads, laid where "
        f"their energy is lowest, stand apart as L^{power:.2f}, and somewhat farther than "
        "measured: the dipoles want columns of many chains, and the law of the emulsion lies "
        "between those and single chains."
    )
    changed = [
        f"{columns.TOLD[name]} {other:.2f} µm"
        for name in columns.OTHERS
        if (other := columns.distance(found.get(name))[0]) is not None
    ]
    thin, _ = columns.distance(found.get("thickness_5"))
    if changed and thin is not None:
        words.append(
            f"Suspected: time, in the thinnest film, {thin:.2f} µm in its whole time. Changed: "
            f"{', '.join(changed)}. Five times as long moves nothing: its chains reach from window "
            "to window before they bind sidewise, and then repel each other in register at any "
            "distance. Neither coupling nor sizes close the gap."
        )
    thick = found.get(f"thickness_{columns.THICKNESSES_UM[-1]:g}")
    if thick is not None:
        way, law = thick["way"], float(laws.emulsion_spacing(columns.THICKNESSES_UM[-1]))
        ends = dict(zip(way["coupling"], way["distance_m"], strict=True))
        steps = ", ".join(f"{1e6 * d:.2f} µm at λ = {c:g}" for c, d in ends.items())
        words.append(
            f"Suspected: time, in the thickest film ({way['columns'][-1]} columns at its end, "
            f"measured {law:.2f} µm): {steps}. Its columns merge from λ = 8 on and go on while the "
            "coupling grows; a slower ramp there would bring them further."
        )
    times = [one["way"]["time_s"][-1] for name, one in found.items() if name.startswith("thick")]
    if times:
        scale = columns.BEADS.time_s
        words.append(
            f"The coupling grew to 20 within {min(times) / scale:.0f} to {max(times) / scale:.0f} "
            f"d²/D0 ({min(times):.0f} to {max(times):.0f} s of these beads); fields of the "
            "experiment grow within minutes. Beads here are not magnetised by their neighbours: a "
            "card steps permanent moments, which in a strong field are as large."
        )
    return words


def _chains(distance_um, contact=1.0):
    """Return how many chains, of beads so many diameters apart, stand in a column at a distance."""
    return contact * (distance_um / (columns.DIAMETER_UM * columns.SINGLE)) ** 2


def _trends(found):
    """What scale allows, and what would be needed."""
    words = [
        f"{len(trends.SEEDS)} films at each end; a difference below four errors, which are what "
        "films of several seeds scatter by, decides nothing. Fields grow in eight stairs. Field, "
        "ramp and temperature move the distance by less than a tenth: in 5 µm of film chains "
        "stand alone (see the columns), and what is alone cannot split or merge.",
    ]
    first, small = (found.get(name) for name in (f"ramp_high_{trends.SEEDS[0]}", trends.SMALL))
    if first is not None and small is not None:
        words.append(
            f"Suspected: slow beads. d²/D0 is {1e3 * trends.BEADS.time_s:.0f} ms for beads of "
            f"0.5 µm and {1e3 * trends.SMALL_BEADS.time_s:.0f} ms for beads of 0.2 µm. Half of the "
            f"change takes {1e3 * trends.response_s(first):.0f} ms with the large ones and "
            f"{1e3 * trends.response_s(small):.0f} ms with the small ones."
        )
    return [
        *words,
        "The measured films hold particles of 10 nm. Columns 2 µm apart in 10 µm of such a film "
        f"are bundles of some 2000 chains, and 50 of them {_particles():.0e} particles, for which "
        "tens of ms are some 1e3 times d²/D0: within what a card holds, not within what it steps "
        "through in a day.",
    ]


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
        "Directions are forgotten as rows of spheres do. A rest near 0.1 stays at long times: "
        "chains that have met others by then turn with them.",
    ]
    scale = BENCH.time_s
    for name, coupling in decay.APART.items():
        one = found.get(name)
        if one is None or one["length"]["value"] is None:
            continue
        rule, free = one["falls"]["rule"], one["falls"]["distance"]
        life = decay.life_of(one)
        law = laws.fall_time(free["first"], free["last"], life)
        words.append(
            f"λ = {coupling:g}: lengths fall within {one['length']['value'] / scale:.2f} d²/D0, "
            f"where bonds live for {life:.2f} by detailed balance, a law in order of magnitude. "
            f"Suspected: what a mean length says. Bonds form anew while others open; lengths that "
            f"fall from {free['first']:.2f} to {free['last']:.2f} by mass action take {law:.2f}. "
            "Suspected: the bond rule. "
            f"By distance alone they take {_told(free['length_s'])}, by distance and alignment "
            f"{_told(rule['length_s'])}: moments that turn out of line count as open bonds at once."
        )
    freed = found.get(decay.FREED)
    if freed is not None and freed["contacts"]["fall_s"] is not None:
        words.append(
            "Suspected: size. The measured tens of ms are those of columns a µm thick. Columns of "
            f"beads of 0.5 µm that lose their moments come apart within "
            f"{1e3 * freed['contacts']['fall_s']:.0f} ms (contacts from "
            f"{freed['contacts']['first']:.1f} to {freed['contacts']['last']:.1f} a bead), where "
            "chains of particles of 24 nm take microseconds."
        )
    return words


def _told(seconds):
    """Return a time in d^2/D0 as text."""
    return "a time not reached" if seconds is None else f"{seconds / BENCH.time_s:.2f}"


EXPLAINED = {
    "lengths": _lengths, "growth": _growth, "magnetisation": _magnetisation, "columns": _columns,
    "trends": _trends, "turning": _turning, "decay": _decay,
}  # fmt: skip
