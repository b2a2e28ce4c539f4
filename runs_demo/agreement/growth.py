"""Growth after the field is switched on: exponents, collapse of the distributions, and flow."""

import itertools
import math

import numpy as np

from analysis.pictures import record, style
from runs_demo.agreement.case import BENCH, Case, affordable, affordable_on_card, film
from runs_demo.agreement.chains_of import counts, means
from runs_demo.agreement.row import Row

NAME = "growth"
TITLE = "Growth after switch-on"
THICKNESS, COUPLING, STRONG = 12.0, 8.0, 30.0
FRACTIONS = (0.01, 0.03, 0.1)
COUNTS = {0.01: 2400, 0.03: 3000, 0.1: 5000}
LARGE, LARGE_TIME = 30_000, {0.003: 150.0, 0.01: 60.0}
"""Particles of the films on a graphics card, and how long each fraction is followed (d^2/D0)."""
STRICT = 0.8
"""Least alignment of a recount: a bond then leans by less than 27 degrees to its moments."""
ON_CARD = True
"""Whether a graphics card may take its largest films."""
WITH_FLOW = {0.01: 200, 0.03: 200, 0.1: 300}
REFERENCE = "Miyazima, Meakin, Family, Phys. Rev. A 36, 1421 (1987): 1/2, from memory"
MEASURED = (
    "Promislow, Gast, Fermigier, J. Chem. Phys. 102, 5492 (1995): 0.50 to 0.75; Domínguez-García "
    "and others, Phys. Rev. E 76, 051403 (2007): 0.43 to 0.67; from memory"
)
COLLAPSE = "Vicsek, Family, Phys. Rev. Lett. 52, 1669 (1984): n_s s² a function of s/S, from memory"
FLOW = "Spielman, J. Colloid Interface Sci. 33, 562 (1970): drainage slows doublets, from memory"
LOWEST, HIGHEST = 2.0, 20.0
"""Weight means between which exponents are fitted: before, single particles join; beyond, chains
touch sidewise, and groups of several count as one."""
COLLAPSED = 0.1
"""By how much distributions may part beyond noise, and be told to be one curve."""
BEYOND = (20.0, 200.0)
"""The same of large films, which still have hundreds of chains there."""


def name_of(fraction, kind):
    """Return the name of a case; kinds are free, pair (small, no flow), flow and large (card)."""
    return f"fraction_{fraction:g}_{kind}"


def cases(seconds, device="cpu"):
    """Return the cases, sized so that one of weight 1 takes so many seconds."""
    made = []
    for fraction, most in LARGE_TIME.items() if device == "gpu" else ():
        time = min(most, affordable_on_card(4.0 * seconds, LARGE, COUPLING))
        made.append(_case(fraction, "large", LARGE, time, 4.0 * seconds))
    for fraction in FRACTIONS:
        size = max(1.0, min(4.0, seconds / 120.0))
        count = round(COUNTS[fraction] * size)
        time = min({0.01: 300.0, 0.03: 150.0, 0.1: 80.0}[fraction],
                   affordable(1.5 * seconds, count, COUPLING))  # fmt: skip
        made.append(_case(fraction, "free", count, time, 1.5 * seconds))
        count = WITH_FLOW[fraction]
        time = affordable(2.5 * seconds, count, COUPLING, "hydrodynamic")
        made.append(_case(fraction, "flow", count, time, 2.5 * seconds))
        made.append(_case(fraction, "pair", count, time, 0.1 * seconds))
    return made


def _case(fraction, kind, count, time, seconds):
    area = np.pi / 6.0 * count / (fraction * THICKNESS)
    along = np.sqrt(area) if kind == "large" else area / 14.0
    return Case(
        NAME, name_of(fraction, kind),
        film(NAME, {
            "particles.magnetisation": BENCH.magnetisation(COUPLING),
            "particles.volume_fraction": fraction,
            "film.count": None,
            "film.width": BENCH.widths(count, fraction, THICKNESS, max(along, 14.0)),
            "field.strength": BENCH.strength(COUPLING, STRONG),
            "motion.flow": "hydrodynamic" if kind == "flow" else "none",
            "run.duration": BENCH.time(time),
            "output.frames": 80 if kind == "large" else 240,
        }),
        {"fraction": fraction, "kind": kind, "count": count, "time": time,
         "device": "gpu" if kind == "large" else "cpu"}, seconds,
    )  # fmt: skip


def numbers(measured, _):
    """Return what is kept of a run: means in time and four distributions."""
    run = measured.run
    times = run.times / BENCH.time_s
    # frames that lie evenly over the logarithm of time
    wanted = np.geomspace(max(times[1], 1e-3), times[-1], 60)
    frames = sorted({int(np.argmin(np.abs(times - one))) for one in wanted})
    tables = {frame: counts(run, frame) for frame in frames}
    both = [means(tables[frame]) for frame in frames]
    late = [int(np.argmin(np.abs(times - times[-1] * share))) for share in (0.1, 0.25, 0.5, 1.0)]
    return {
        "time": [float(times[frame]) for frame in frames],
        "mean": [one[0] for one in both],
        "weight_mean": [one[1] for one in both],
        "chains": [int(tables[frame].sum()) for frame in frames],
        "late": [
            {
                "time": float(times[frame]),
                "counts": counts(run, frame).tolist(),
                "strict": counts(run, frame, STRICT).tolist(),
            }
            for frame in late
        ],
        "spanning": measured.numbers["chains"]["spanning_share"]["value"],
        "branched": measured.numbers["chains"]["branched_share"]["value"],
    }


def exponent(one, lowest=LOWEST, highest=HIGHEST):
    """Return (exponent of the weight mean in time, error) while it grows between two lengths.

    Points are taken as known to 1/sqrt(chains); the error is that of the scatter about the line,
    or a quarter of the change from its first half to its second where that is larger.
    """
    if one is None:
        return None, None
    time, value = np.array(one["time"]), np.array(one["weight_mean"])
    used = (value > lowest) & (value < highest)
    if used.sum() < 6 or value[used][-1] < 1.5 * value[used][0]:
        return None, None
    x, y = np.log(time[used]), np.log(value[used])
    slope, rest = np.polyfit(x, y, 1)
    scatter = np.std(y - slope * x - rest, ddof=2) / (np.std(x) * np.sqrt(len(x)))
    half = len(x) // 2
    bend = np.polyfit(x[half:], y[half:], 1)[0] - np.polyfit(x[:half], y[:half], 1)[0]
    return float(slope), float(max(scatter, abs(bend) / 4.0))


def late_exponent(one, rule):
    """Return (exponent of the weight mean from a quarter of the time on, error), by a bond rule.

    Sizes are known to 1/sqrt(chains); the error is what that makes of the slope between both ends,
    or a quarter of the change from its first half to its second where that is larger.
    """
    late = one["late"][1:]
    tables = [np.array(table[rule], dtype=float) for table in late]
    x = np.log([table["time"] for table in late])
    y = np.log([means(table)[1] for table in tables])
    slopes = np.diff(y) / np.diff(x)
    noise = np.sqrt(1.0 / tables[0].sum() + 1.0 / tables[-1].sum()) / (x[-1] - x[0])
    return float(np.polyfit(x, y, 1)[0]), float(max(abs(slopes[-1] - slopes[0]) / 4.0, noise))


def scaled(table, rule="counts"):
    """Return s/S and n_s s^2 per particle in bins of equal width in ln s, and their errors."""
    number = np.array(table[rule], dtype=float)
    length = np.arange(len(number))
    particles, size = float(number @ length), means(number)[1]
    edges = np.unique(np.round(np.geomspace(1.0, max(len(number), 2), 12)).astype(int))
    x, y, error = [], [], []
    for low, high in itertools.pairwise(edges):
        inside = (length >= low) & (length < high)
        chains = number[inside].sum()
        if chains < 5:
            continue
        middle = np.sqrt(low * max(low, high - 1))
        x.append(middle / size)
        y.append(float(number[inside].sum() / inside.sum() * middle**2 / particles))
        error.append(y[-1] / np.sqrt(chains))
    return np.array(x), np.array(y), np.array(error)


def spread_of_collapse(one, rule="counts"):
    """Return the relative deviation of scaled distributions from the last one, as RMS.

    Over the middle of the curve, s/S from 0.3 to 2, where single particles have no say.

    Returns
    -------
    tuple
        (deviation, that which noise of both distributions alone makes, points), or None.
    """
    if one is None or one["weight_mean"][-1] < 3.0:
        return None
    last = scaled(one["late"][-1], rule)
    deviations, noise = [], []
    for table in one["late"][1:-1]:
        x, y, error = scaled(table, rule)
        used = (x > 0.3) & (x < 2.0) & (x > last[0].min()) & (x < last[0].max())
        if not used.any():
            continue
        law = np.exp(np.interp(np.log(x[used]), np.log(last[0]), np.log(last[1])))
        of_law = np.interp(np.log(x[used]), np.log(last[0]), last[2] / last[1])
        deviations += list(y[used] / law - 1.0)
        noise += list(np.hypot(error[used] / y[used], of_law))
    if not deviations:
        return None
    rms = [math.sqrt(np.mean(np.square(one))) for one in (deviations, noise)]
    return *rms, len(deviations)


def beyond_noise(off, noise, points):
    """Return (deviation beyond what noise makes, its error).

    The error is that of a mean of squares, sqrt(2/points), at this deviation or at the room that it
    is given, whichever is larger.
    """
    beyond = math.sqrt(max(off**2 - noise**2, 0.0))
    error = math.sqrt(2.0 / points) * max(off, noise) ** 2
    return beyond, error / (2.0 * max(beyond, COLLAPSED))


def slowing(found, fraction, level=1.5):
    """Return the time to a mean length without flow over that with it, and its error."""
    reached = []
    for kind in ("pair", "flow"):
        one = found.get(name_of(fraction, kind))
        if one is None or max(one["mean"]) < level:
            return None, None
        mean = np.maximum.accumulate(one["mean"])
        at = int(np.argmax(mean >= level))
        count = one["chains"][at]
        reached.append((one["time"][at], 1.5 / np.sqrt(count)))
    value = reached[0][0] / reached[1][0]
    return value, value * float(np.hypot(reached[0][1], reached[1][1]))


def rows(found):
    """Return the lines of the table."""
    table = []
    for fraction in FRACTIONS:
        table += _exponent_rows(
            exponent(found.get(name_of(fraction, "free"))), f"φ = {fraction:g}, no flow"
        )
    for fraction in LARGE_TIME:
        one = found.get(name_of(fraction, "large"))
        for low, high in ((LOWEST, HIGHEST), BEYOND) if one is not None else ():
            where = f"φ = {fraction:g}, no flow, {LARGE} particles, from {low:g} to {high:g}"
            table += _exponent_rows(exponent(one, low, high), where)
        if one is not None:
            where = (
                f"φ = {fraction:g}, no flow, {LARGE} particles, from a quarter of the time on, "
                "bonds within 27° alone"
            )
            table += _exponent_rows(late_exponent(one, "strict"), where)
    films = [(fraction, "free") for fraction in FRACTIONS]
    films += [(fraction, "large") for fraction in LARGE_TIME if name_of(fraction, "large") in found]
    for fraction, kind in films:
        one = found.get(name_of(fraction, kind))
        size = f", {LARGE} particles" if kind == "large" else ""
        where = f"φ = {fraction:g}, no flow{size}"
        table.append(_collapse_row(spread_of_collapse(one), where))
        if one is not None and "strict" in one["late"][-1]:
            told = spread_of_collapse(one, "strict")
            table.append(_collapse_row(told, f"{where}, bonds within 27° alone"))
    for fraction in FRACTIONS:
        value, error = slowing(found, fraction)
        table.append(Row(
            f"time to mean length 1.5 without flow over that with it, φ = {fraction:g}", FLOW,
            "below 1", value, error, limits=(-math.inf, 1.0),
            found_text="-" if value is None else f"{value:.2f} ± {error:.2f}",
        ))  # fmt: skip
    return table


def _exponent_rows(told, where):
    """Return an exponent beside the law and beside what was measured."""
    value, error = told
    what = f"exponent of the weight mean in time, {where}"
    return [
        Row(what, REFERENCE, 0.5, value, error, 0.2, "a law of long times"),
        Row(
            what, MEASURED, "0.43 to 0.75", value, error, limits=(0.43, 0.75),
            found_text="-" if value is None else f"{value:.2f} ± {error:.2f}",
        ),
    ]  # fmt: skip


def _collapse_row(told, where):
    """Return whether scaled distributions of one film lie on one curve."""
    what, published = f"collapse of n_s s² over s/S, {where}", "one curve, within 10 %"
    limits = (0.0, COLLAPSED)
    if told is None:
        return Row(what, COLLAPSE, published, limits=limits)
    value, error = beyond_noise(*told)
    text = f"{value:.0%} ± {error:.0%} beyond noise (off by {told[0]:.0%}, noise {told[1]:.0%})"
    return Row(what, COLLAPSE, published, value, error, limits=limits, found_text=text)


LOOKS = (
    (0.003, style.MARK, "D"), (0.01, style.FIRST, "o"), (0.03, style.SECOND, "s"),
    (0.1, style.THIRD, "^"),
)  # fmt: skip
"""Fraction, colour and marker of each."""


@record.figure(
    "Growth",
    "Weight mean length after the field is switched on; lines: no flow, large films; dashed: no "
    "flow, 30 000 particles; open marks: with flow; dots: the same small film without. Grey: "
    "t^(1/2).",
)
def growth_curves(found):
    """Draw weight means against time."""
    with style.publication():
        figure = style.new_figure()
        axes = figure.subplots()
        top, named = 1.0, set()
        for fraction, colour, marker in LOOKS:
            for kind, look in (
                ("free", "-"), ("large", "--"), ("pair", ":"), ("flow", marker),
            ):  # fmt: skip
                one = found.get(name_of(fraction, kind))
                if one is None:
                    continue
                top = max(top, *one["weight_mean"])
                label = None if fraction in named else f"φ = {fraction:g}"
                named.add(fraction)
                axes.plot(one["time"], one["weight_mean"], look, color=colour, label=label,
                          fillstyle="none", markersize=2.6, linewidth=1.0)  # fmt: skip
        grid = np.array([0.3, 100.0])
        axes.plot(grid, 1.6 * grid**0.5, "--", color=style.QUIET, linewidth=0.8, label="power 1/2")
        axes.set(xlabel="time after switch-on (d²/D₀)", ylabel="weight mean length",
                 xscale="log", yscale="log", xlim=(0.03, None), ylim=(0.95, 1.3 * top))  # fmt: skip
        axes.legend(loc="upper left")
    return figure


@record.figure(
    "Collapse of the distributions",
    "Chains of s particles times s² a particle, over s/S, S the weight mean, at four times of one "
    "decade of a film without flow of each fraction, the largest there is; darker is later.",
)
def collapse(found):
    """Draw scaled distributions."""
    with style.publication():
        figure = style.new_figure()
        axes = figure.subplots()
        for fraction, colour, marker in LOOKS:
            one = found.get(name_of(fraction, "large"), found.get(name_of(fraction, "free")))
            if one is None:
                continue
            for k, table in enumerate(one["late"]):
                x, y, error = scaled(table)
                axes.errorbar(x, y, error, fmt=marker, color=colour, alpha=0.3 + 0.23 * k,
                              markersize=3, linewidth=0.6,
                              label=f"φ = {fraction:g}" if k == 3 else None)  # fmt: skip
        axes.set(xlabel="s/S", ylabel="s² n$_s$", xscale="log", yscale="log")
        if axes.get_legend_handles_labels()[0]:
            axes.legend(loc="upper left")
    return figure


FIGURES = {one.name: one for one in (growth_curves, collapse)}
