"""Chain lengths at rest, without a field and in a strong one, against the theory of chains."""

import math

from analysis.pictures import record, style
from runs_demo.agreement import laws
from runs_demo.agreement.case import BENCH, Case, film
from runs_demo.agreement.row import Row

NAME = "lengths"
TITLE = "Chain lengths at rest"
FRACTIONS, COUPLINGS = (0.01, 0.03), (2.0, 3.0, 4.0, 5.0)
STRONG = 200.0
"""Langevin parameter of the strong field: moments deviate by 0.1 rad, less beside neighbours."""
THICKNESS = 12.0
ROOM = THICKNESS - 1.0
"""Height left to the centres, in diameters: both windows keep them half a diameter off."""
NEXT_ONLY = 1.5
"""Range of the dipoles in diameters that leaves next neighbours alone, which the law knows."""
STRONGEST = tuple(one for one in COUPLINGS if one >= 4.0)
"""Couplings at which that is tried."""
LAW = "Mendelev, Ivanov, Phys. Rev. E 70, 051502 (2004), ⟨n⟩ = 1/2 + √(1/4 + φq), from memory"
STAR = "Andreu, Camacho, Faraudo, Soft Matter 7, 2336 (2011), N* = √(φ e^(2λ−1)), from memory"
SHAPE = "Reynolds and others, EPL 116, 28001 (2016): geometric"


def local(fraction):
    """Return the volume fraction where centres can be."""
    return fraction * THICKNESS / ROOM


def name_of(fraction, coupling, in_field, next_only=False):
    """Return the name of a case."""
    name = f"fraction_{fraction:g}_coupling_{coupling:g}_{'field' if in_field else 'none'}"
    return f"{name}_next" if next_only else name


def cases(seconds):
    """Return the cases, sized so that one of weight 1 takes so many seconds."""
    return [
        _case(fraction, coupling, in_field, seconds, next_only)
        for coupling in reversed(COUPLINGS)
        for fraction in FRACTIONS
        for in_field in (True, False)
        for next_only in ((False, True) if coupling in STRONGEST else (False,))
    ]


def _case(fraction, coupling, in_field, seconds, next_only):
    # As long as five weight means of a geometric law, as far as that can be paid for.
    star = laws.aggregation_number(local(fraction), coupling)
    longest = 2.0 * max(1.2, star) - 1.0
    along = max(24.0, min(5.0 * longest, 90.0)) if in_field else 24.0
    across = (14.0 if in_field else 24.0) * max(1.0, seconds / 120.0) ** 0.5
    count = max(300, round(6.0 / math.pi * fraction * THICKNESS * along * across))
    if not in_field:
        along = math.sqrt(math.pi / 6.0 * count / (fraction * THICKNESS))
    weight = 0.5 if next_only or coupling < 3.0 else 1.5 if coupling < 4.0 else 2.5
    sum_of = {"dipoles.sum": "cutoff", "dipoles.tolerance": None} if next_only else {}
    return Case(
        NAME,
        name_of(fraction, coupling, in_field, next_only),
        film(NAME, {
            "particles.magnetisation": BENCH.magnetisation(coupling),
            "particles.volume_fraction": fraction,
            "film.count": None,
            "film.width": BENCH.widths(count, fraction, THICKNESS, along),
            "field.strength": BENCH.strength(coupling, STRONG if in_field else 0.0),
            "run.wall_time": f"{max(1.0, weight * seconds):.6g} s",
        } | sum_of),
        {"fraction": fraction, "coupling": coupling, "in_field": in_field, "count": count},
        weight * seconds, range_d=NEXT_ONLY if next_only else None,
    )  # fmt: skip


def numbers(measured, _):
    """Return what is kept of a run."""
    told = measured.numbers
    chains, derived = told["chains"], told["derived"]
    return {
        "rest": told["equilibration"]["reached"],
        "sweeps": told["equilibration"]["sweeps"],
        "structures": told["equilibration"]["independent_structures"],
        "sides": _sides(told["equilibration"]["sides"]),
        "mean": chains["mean_length"],
        "weight_mean": chains["weight_mean_length"],
        "rings": chains["ring_share"],
        "distribution": chains["distribution"],
        "all_neighbours": derived["predicted_mean_length"],
    }


def _sides(sides):
    """Return mean lengths of both films, from single particles and from long chains."""
    row = sides["mean_length"]
    names = ("from_singles", "from_singles_error", "from_chains", "from_chains_error")
    return {name: row[name] for name in names}


def geometric_fit(distribution):
    """Return (chi squared, degrees) of a distribution beyond pairs against a geometric law.

    Lengths of which fewer than 1 in 1000 chains are, and those without an error, are left out;
    the ratio of the law is that of the numbers themselves, by weighted least squares.
    """
    rows = [
        (one["length"], one["fraction_of_chains"], one["error"])
        for one in distribution
        if one["length"] >= 3 and one["fraction_of_chains"] > 1e-3 and one["error"]
    ]
    if len(rows) < 4:
        return None
    lengths = [row[0] for row in rows]
    logs = [math.log(row[1]) for row in rows]
    weights = [(row[1] / row[2]) ** 2 for row in rows]
    whole = sum(weights)
    x = sum(w * n for w, n in zip(weights, lengths, strict=True)) / whole
    y = sum(w * v for w, v in zip(weights, logs, strict=True)) / whole
    slope = sum(
        w * (n - x) * (v - y) for w, n, v in zip(weights, lengths, logs, strict=True)
    ) / sum(w * (n - x) ** 2 for w, n in zip(weights, lengths, strict=True))
    chi = sum(
        w * (v - y - slope * (n - x)) ** 2 for w, n, v in zip(weights, lengths, logs, strict=True)
    )
    return chi, len(rows) - 2, slope


def rows(found):
    """Return the lines of the table."""
    table = []
    for in_field in (False, True):
        for coupling in COUPLINGS:
            for fraction in FRACTIONS:
                one = found.get(name_of(fraction, coupling, in_field))
                table.append(_length_row(fraction, coupling, in_field, one))
    for coupling in COUPLINGS[1:]:
        for fraction in FRACTIONS:
            one = found.get(name_of(fraction, coupling, True))
            table.append(_star_row(fraction, coupling, one))
    table += [
        _shape_row(found.get(name_of(0.03, coupling, True)), coupling) for coupling in (3.0, 4.0)
    ]
    table.append(_shape_row(found.get(name_of(0.03, 4.0, True, True)), 4.0, ALONE))
    return table + [
        _length_row(fraction, coupling, in_field, one, ALONE)
        for in_field in (False, True)
        for coupling in STRONGEST
        for fraction in FRACTIONS
        if (one := found.get(name_of(fraction, coupling, in_field, True))) is not None
    ]


def _mean(one):
    """Return (mean length, its error), that of both sides of the film where they disagree."""
    if one is None or one["mean"]["value"] is None:
        return None, None
    sides = one["sides"]
    value, error = one["mean"]["value"], one["mean"]["error"]
    if not one["rest"]:
        error = max(error or 0.0, abs(sides["from_singles"] - sides["from_chains"]) / 2.0)
    return value, error


ALONE = f", dipoles within {NEXT_ONLY:g} d alone"
"""Said of films whose particles feel their next neighbours only: the cause put to the test."""


def _length_row(fraction, coupling, in_field, one, changed=""):
    law = laws.mean_length(local(fraction) * laws.bond_constant(coupling, in_field))
    value, error = _mean(one)
    where = "in a strong field" if in_field else "without a field"
    rest = "" if one is None or one["rest"] else ", not at rest"
    return Row(
        f"mean length {where}, λ = {coupling:g}, φ = {fraction:g}{changed}{rest}", LAW, law, value,
        error, 0.05, "next neighbours alone: a lower estimate where chains are long",
    )  # fmt: skip


def _star_row(fraction, coupling, one):
    value, error = _mean(one)
    return Row(
        f"mean length against N*, strong field, λ = {coupling:g}, φ = {fraction:g}", STAR,
        max(1.0, laws.aggregation_number(local(fraction), coupling)), value, error,
        2.0, "good within a factor of 2",
    )  # fmt: skip


def _shape_row(one, coupling, changed=""):
    what = (
        "χ²/degrees of ln(share), lengths from 3 on, in the field, "
        f"λ = {coupling:g}, φ = 0.03{changed}"
    )
    fit = None if one is None else geometric_fit(one["distribution"])
    if fit is None:
        return Row(what, SHAPE, 1.0)
    chi, degrees, _ = fit
    return Row(
        what, SHAPE, 1.0, chi / degrees, math.sqrt(2.0 / degrees), 0.5, "errors share frames"
    )


LOOKS = ((0.01, style.FIRST, "o"), (0.03, style.SECOND, "s"))
"""Colour and marker of each fraction."""


@record.figure(
    "Mean length at rest",
    "Points: sampled films, without a field and in a strong one; open: with dipoles within 1.5 d "
    "alone. Solid: law of mass action with "
    "the bond constant of the simulated spheres by quadrature. Dotted: with the constant as "
    "printed, for hard spheres. Dashed, in the field: with all neighbours of a stiff chain. "
    "Dash-dotted: N*.",
    wide=True,
)
def mean_lengths(found):
    """Draw mean lengths against the coupling, one panel a field."""
    with style.publication():
        figure = style.new_figure(width=style.DOUBLE_COLUMN)
        panels = figure.subplots(1, 2)
        grid = [1.5 + 0.1 * k for k in range(41)]
        for axes, in_field in zip(panels, (False, True), strict=True):
            for fraction, colour, marker in LOOKS:
                _draw_laws(axes, grid, fraction, in_field, colour)
                _draw_found(axes, found, fraction, in_field, colour, marker)
            axes.set(
                xlabel="coupling λ", ylabel="mean length", yscale="log", ylim=(0.95, 60.0),
                title="strong field" if in_field else "no field",
            )  # fmt: skip
            if axes.get_legend_handles_labels()[0]:
                axes.legend(loc="upper left")
    return figure


def _draw_laws(axes, grid, fraction, in_field, colour):
    phi = local(fraction)
    axes.plot(
        grid, [laws.mean_length(phi * laws.bond_constant(c, in_field)) for c in grid], color=colour
    )
    axes.plot(
        grid, [laws.mean_length(phi * laws.printed_constant(c, in_field)) for c in grid], ":",
        color=colour,
    )  # fmt: skip
    if in_field:
        axes.plot(
            grid, [max(1.0, laws.aggregation_number(phi, c)) for c in grid], "-.", color=colour,
            linewidth=0.8,
        )  # fmt: skip


def _draw_found(axes, found, fraction, in_field, colour, marker):
    seen, theory = [], []
    for coupling in COUPLINGS:
        one = found.get(name_of(fraction, coupling, in_field))
        value, error = _mean(one)
        if value is not None:
            seen.append((coupling, value, error or 0.0))
            theory.append((coupling, one["all_neighbours"]))
    alone = []
    for coupling in STRONGEST:
        value, _ = _mean(found.get(name_of(fraction, coupling, in_field, True)))
        if value is not None:
            alone.append((coupling, value))
    if alone:
        axes.plot(*zip(*alone, strict=True), marker, color=colour, fillstyle="none", zorder=4)
    if not seen:
        return
    x, y, bars = zip(*seen, strict=True)
    axes.errorbar(
        x, y, bars, fmt=marker, color=colour, label=f"φ = {fraction:g}", markersize=4.5, zorder=3
    )
    if in_field:
        axes.plot(*zip(*theory, strict=True), "--", color=colour, linewidth=0.9)


@record.figure(
    "Shares of the lengths",
    "Share of chains of each length in a strong field, volume fraction 0.03, points with one "
    "standard error; lines: geometric law through the lengths from 3 on.",
)
def length_shares(found):
    """Draw length distributions beside geometric laws."""
    with style.publication():
        figure = style.new_figure()
        axes = figure.subplots()
        for coupling, colour, marker in zip(
            COUPLINGS[1:], (style.FIRST, style.SECOND, style.THIRD), "os^", strict=True
        ):
            one = found.get(name_of(0.03, coupling, True))
            if one is None:
                continue
            told = [row for row in one["distribution"] if row["fraction_of_chains"] > 3e-4]
            x = [row["length"] for row in told]
            y = [row["fraction_of_chains"] for row in told]
            bars = [min(row["error"] or 0.0, 0.9 * row["fraction_of_chains"]) for row in told]
            axes.errorbar(x, y, bars, fmt=marker, color=colour, label=f"λ = {coupling:g}")
            fit = geometric_fit(one["distribution"])
            if fit is not None and len(x) > 3:
                middle = sum(math.log(v) for v, n in zip(y, x, strict=True) if 3 <= n <= 12)
                chosen = [n for n in x if 3 <= n <= 12]
                at = sum(chosen) / len(chosen)
                level = middle / len(chosen)
                ends = [3, max(x)]
                axes.plot(ends, [math.exp(level + fit[2] * (n - at)) for n in ends], color=colour)
        axes.set(xlabel="particles in a chain", ylabel="share of chains", yscale="log",
                 ylim=(1e-4, 1.2))  # fmt: skip
        if axes.get_legend_handles_labels()[0]:
            axes.legend()
    return figure


FIGURES = {one.name: one for one in (mean_lengths, length_shares)}
