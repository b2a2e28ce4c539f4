"""Magnetisation and initial susceptibility of dipoles against the modified mean field."""

import numpy as np

from analysis.pictures import record, style
from runs_demo.agreement import laws
from runs_demo.agreement.case import BENCH, Case, film
from runs_demo.agreement.row import Row

NAME = "magnetisation"
TITLE = "Magnetisation of interacting dipoles"
SECTIONS = ("magnetisation",)
"""What is measured in its runs, beside rest and chains."""
THICKNESS, COUNT = 16.0, 600
ROOM = THICKNESS - 1.0
CURVES = ((1.0, 0.1), (2.0, 0.1), (3.0, 0.05), (4.0, 0.05))
"""(Coupling, volume fraction) of the curves; those of susceptibilities alone follow."""
WITHOUT = ((1.0, 0.05), (1.0, 0.2), (2.0, 0.05), (3.0, 0.1))
SAME = (1.0, 0.15)
"""As much susceptibility of single dipoles as in the third curve, from a third of its coupling."""
WEAK = 0.4
"""Langevin parameter of the weak field that initial susceptibilities are taken from.

A film's mean moment deviates by as much in each structure as its fluctuations are made of: one
structure in this field tells a susceptibility to 15 %, one without a field to 100 %.
"""
COLOURS = (style.FIRST, style.SECOND, style.THIRD, style.MARK)
FIELDS = (0.5, 1.0, 2.0, 5.0)
SHOWN = (0.5, 2.0)
"""Of the fields, those in the table."""
SOURCE = "Ivanov, Kuznetsova, Phys. Rev. E 64, 041405 (2001), from memory"
WITHIN, REASON = 0.03, "windows and pairs beyond first order"


def local(fraction):
    """Return the volume fraction where centres can be."""
    return fraction * THICKNESS / ROOM


def name_of(coupling, fraction, alpha):
    """Return the name of a case."""
    return f"coupling_{coupling:g}_fraction_{fraction:g}_alpha_{alpha:g}"


def cases(seconds):
    """Return the cases, sized so that one of weight 1 takes so many seconds."""
    weak = [
        _case(*pair, WEAK, (1.4 if pair[0] > 2.0 else 0.9) * seconds)
        for pair in (*CURVES, *WITHOUT)
    ]
    told = [_case(*SAME, SHOWN[0], 0.9 * seconds)]
    told += [_case(*pair, a, (0.8 if a in SHOWN else 0.3) * seconds) for pair in CURVES
             for a in FIELDS]  # fmt: skip
    return weak + told


def _case(coupling, fraction, alpha, seconds):
    return Case(
        NAME,
        name_of(coupling, fraction, alpha),
        film(NAME, {
            "particles.magnetisation": BENCH.magnetisation(coupling),
            "particles.volume_fraction": fraction,
            "film.count": COUNT,
            "field.strength": BENCH.strength(coupling, alpha),
            "run.wall_time": f"{max(1.0, seconds):.6g} s",
            "run.structures": 400,
        }),
        {"fraction": fraction, "coupling": coupling, "alpha": alpha, "count": COUNT},
        seconds,
    )  # fmt: skip


def numbers(measured, _):
    """Return what is kept of a run."""
    told = measured.numbers
    return {
        "rest": told["equilibration"]["reached"],
        "sweeps": told["equilibration"]["sweeps"],
        "relative": told["magnetisation"]["relative"],
        "mean": told["chains"]["mean_length"],
        "rings": told["chains"]["ring_share"],
    }


def susceptibility(found, coupling, fraction):
    """Return (initial susceptibility of the volume that holds centres, its error).

    From the weak field; how much less than its initial slope a curve has there is taken from the
    law, 1 to 3 %.
    """
    one = found.get(name_of(coupling, fraction, WEAK))
    if one is None or one["relative"]["value"] is None:
        return None, None
    chi = laws.langevin_susceptibility(coupling, local(fraction))
    law = float(laws.mean_field_magnetisation(WEAK, chi))
    scale = laws.mean_field_susceptibility(chi) / law
    return scale * one["relative"]["value"], scale * (one["relative"]["error"] or 0.0)


def rows(found):
    """Return the lines of the table."""
    return _susceptibility_rows(found) + _curve_rows(found)


def _susceptibility_rows(found):
    table = []
    for coupling, fraction in sorted((*CURVES, *WITHOUT)):
        chi = laws.langevin_susceptibility(coupling, local(fraction))
        value, error = susceptibility(found, coupling, fraction)
        table.append(Row(
            f"initial susceptibility, λ = {coupling:g}, φ = {fraction:g}, χ_L = {chi:.2f}", SOURCE,
            laws.mean_field_susceptibility(chi), value, error, WITHIN, REASON,
        ))  # fmt: skip
    return table


def _curve_rows(found):
    """Return a weak and a strong field of each curve."""
    table = []
    for coupling, fraction in CURVES:
        table += [_curve_row(found, coupling, fraction, alpha) for alpha in SHOWN]
    return [*table, _curve_row(found, *SAME, SHOWN[0])]


def _curve_row(found, coupling, fraction, alpha):
    chi = laws.langevin_susceptibility(coupling, local(fraction))
    one = found.get(name_of(coupling, fraction, alpha))
    value = {"value": None, "error": None} if one is None else one["relative"]
    return Row(
        f"M/M_s, λ = {coupling:g}, φ = {fraction:g}, α = {alpha:g}, χ_L = {chi:.2f}", SOURCE,
        float(laws.mean_field_magnetisation(alpha, chi)), value["value"], value["error"],
        WITHIN, REASON,
    )  # fmt: skip


def _points(found, coupling, fraction):
    """Return (field, magnetisation, error) of one curve."""
    told = [(alpha, found.get(name_of(coupling, fraction, alpha))) for alpha in FIELDS]
    return [
        (alpha, one["relative"]["value"], one["relative"]["error"] or 0.0)
        for alpha, one in told
        if one is not None and one["relative"]["value"] is not None
    ]


@record.figure(
    "Magnetisation",
    "Points: sampled films in a field along them, with one standard error; lines: modified mean "
    "field of second order, dotted: Langevin's law of single dipoles.",
)
def magnetisation_curves(found):
    """Draw magnetisations against the field."""
    with style.publication():
        figure = style.new_figure()
        axes = figure.subplots()
        grid = np.linspace(0.02, 6.0, 200)
        looks = zip(CURVES, COLOURS, "os^D", strict=True)
        for (coupling, fraction), colour, marker in looks:
            chi = laws.langevin_susceptibility(coupling, local(fraction))
            axes.plot(grid, laws.mean_field_magnetisation(grid, chi), color=colour)
            points = _points(found, coupling, fraction)
            if points:
                x, y, bars = zip(*points, strict=True)
                axes.errorbar(x, y, bars, fmt=marker, color=colour, markersize=4.5, zorder=3,
                              label=f"λ = {coupling:g}, φ = {fraction:g}")  # fmt: skip
        axes.plot(grid, laws.langevin(grid), ":", color=style.QUIET, label="single dipoles")
        axes.set(xlabel="Langevin parameter α of the applied field", ylabel="magnetisation M/Mₛ",
                 xlim=(0.0, 6.0), ylim=(0.0, 1.0))  # fmt: skip
        axes.legend(loc="lower right")
    return figure


@record.figure(
    "Initial susceptibility",
    "Points: from sampled films in a weak field (α = 0.4), over the susceptibility of single "
    "dipoles; shapes tell the coupling. Lines: modified mean field of first and second order.",
)
def initial_susceptibility(found):
    """Draw initial susceptibilities over Langevin's against Langevin's."""
    with style.publication():
        figure = style.new_figure()
        axes = figure.subplots()
        grid = np.linspace(0.0, 2.8, 100)
        for order, dash in ((1, "--"), (2, "-")):
            factor = 1.0 + grid / 3.0 + (grid**2 / 144.0 if order == 2 else 0.0)
            axes.plot(grid, factor, dash, color=style.QUIET,
                      label=f"{'second' if order == 2 else 'first'} order")  # fmt: skip
        looks = {1.0: ("o", style.FIRST), 2.0: ("s", style.SECOND), 3.0: ("^", style.THIRD),
                 4.0: ("D", style.MARK)}  # fmt: skip
        named = set()
        for coupling, fraction in sorted((*CURVES, *WITHOUT)):
            value, error = susceptibility(found, coupling, fraction)
            if value is None:
                continue
            chi = laws.langevin_susceptibility(coupling, local(fraction))
            marker, colour = looks[coupling]
            label = None if coupling in named else f"λ = {coupling:g}"
            named.add(coupling)
            axes.errorbar(chi, value / chi, error / chi, fmt=marker, color=colour, label=label,
                          markersize=4.5, zorder=3)  # fmt: skip
        axes.set(xlabel="susceptibility of single dipoles χ$_L$ = 8λφ", ylabel="χ/χ$_L$")
        axes.legend(loc="upper left")
    return figure


FIGURES = {one.name: one for one in (magnetisation_curves, initial_susceptibility)}
