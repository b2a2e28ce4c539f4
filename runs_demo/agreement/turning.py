"""Chains in a turning field: length against the Mason number, lag, break-up, and flow.

Mason number Mn = 144 eta omega/(mu0 M^2), M the magnetisation of a particle, as Melle and others
write it with M = chi H (from memory): here omega d^2/(3 lambda D0).
"""

import numpy as np

from analysis.pictures import record, style
from runs_demo.agreement import laws
from runs_demo.agreement.case import BENCH, Case, affordable, film
from runs_demo.agreement.row import Row

NAME = "turning"
TITLE = "Turning field"
SECTIONS = ("relaxation",)
"""What is measured in its runs, beside rest and chains."""
THICKNESS, FRACTION, COUPLING, STRONG = 12.0, 0.02, 8.0, 30.0
RATES = (1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0)
"""omega d^2/D0."""
WITH_FLOW = (8.0, 32.0)
MELLE = "Melle, Calderón, Rubio, Fuller, Phys. Rev. E 68, 041503 (2003): Mn^(−1/2), from memory"
BALANCE = "balance of torques on a straight chain, closed form"


def name_of(rate, kind):
    """Return the name of a case."""
    return f"rate_{rate:g}_{kind}"


def cases(seconds):
    """Return the cases, sized so that one of weight 1 takes so many seconds."""
    made = []
    for rate in RATES:
        weight = 2.0 if rate <= 2.0 else 0.7
        count = round(1000 * max(1.0, min(4.0, seconds / 120.0)))
        time = min(
            max(12.0, 10.0 * 2.0 * np.pi / rate), affordable(weight * seconds, count, COUPLING)
        )
        made.append(_case(rate, "free", count, time, weight * seconds))
    for rate in WITH_FLOW:
        time = affordable(3.0 * seconds, 240, COUPLING, "hydrodynamic")
        made.append(_case(rate, "flow", 240, time, 3.0 * seconds))
        made.append(_case(rate, "pair", 240, time, 0.2 * seconds))
    return made


def _case(rate, kind, count, time, seconds):
    strength = BENCH.strength(COUPLING, STRONG)
    changes = {
        "particles.magnetisation": BENCH.magnetisation(COUPLING),
        "particles.volume_fraction": FRACTION,
        "film.count": count,
    }
    grow = {"field.strength": strength, "run.duration": BENCH.time(5.0), "output.frames": 2}
    turn = {
        "field.strength": None,
        "field.steps": [{
            "kind": "rotate", "duration": BENCH.time(time), "strength": strength,
            "direction": [1, 0, 0], "axis": [0, 0, 1], "frequency": BENCH.frequency(rate),
        }],
        "motion.flow": "hydrodynamic" if kind == "flow" else "none",
        "run.duration": BENCH.time(time),
    }  # fmt: skip
    return Case(
        NAME, name_of(rate, kind), film(NAME, changes | turn),
        {"rate": rate, "kind": kind, "count": count, "time": time}, seconds,
        (film(NAME, changes | grow),),
    )  # fmt: skip


def numbers(measured, case):
    """Return what is kept of a run: averages over its second half, and how far it still moves."""
    told = measured.numbers
    series = measured.curves["time_series"]
    third = len(series.weight_mean_length) // 3
    return {
        "mean": told["chains"]["mean_length"],
        "weight_mean": told["chains"]["weight_mean_length"],
        "chain_lag_deg": told["relaxation"].get("chain_lag_deg"),
        "moment_lag_deg": told["relaxation"].get("magnetisation_lag_deg"),
        "thirds": [
            float(np.mean(series.weight_mean_length[k * third : (k + 1) * third])) for k in range(3)
        ],
        "turned": case.about["rate"] * measured.run.times[-1] / BENCH.time_s / (2.0 * np.pi),
    }


def series_of(found, kind):
    """Return (rate, weight mean, error) of the runs of a kind that have a length."""
    told = [(rate, found.get(name_of(rate, kind))) for rate in RATES]
    return [
        (rate, one["weight_mean"]["value"], one["weight_mean"]["error"] or 0.0)
        for rate, one in told
        if one is not None and one["weight_mean"]["value"] is not None
    ]


def exponent(found):
    """Return (power of the length in the rate, error) where chains are torn: above pairs.

    Of the weight mean less one, which is nothing where all are single.
    """
    points = [point for point in series_of(found, "free") if point[0] >= 4.0 and point[1] > 1.3]
    if len(points) < 3:
        return None, None
    x = np.log([point[0] for point in points])
    y = np.log([point[1] for point in points])
    slope, rest = np.polyfit(x, y, 1)
    scatter = np.sum((y - slope * x - rest) ** 2) / (len(x) - 2)
    return float(slope), float(np.sqrt(scatter / np.sum((x - x.mean()) ** 2)))


def rows(found):
    """Return the lines of the table."""
    value, error = exponent(found)
    table = [Row(
        "power of the weight mean in the rate, λ = 8, φ = 0.02, no flow", MELLE, -0.5, value, error,
        0.2, "an exponent of one decade",
    )]  # fmt: skip
    for rate in (8.0, 16.0, 32.0):
        one = found.get(name_of(rate, "free"))
        if one is None:
            continue
        table.append(Row(
            f"weight mean length, ω d²/D0 = {rate:g}, no flow", BALANCE,
            float(laws.torn_length(rate, COUPLING)), one["weight_mean"]["value"],
            one["weight_mean"]["error"], 0.5, "the longest that holds, without noise",
        ))  # fmt: skip
    table += [_lag_row(found, rate) for rate in (1.0, 4.0, 16.0)]
    return table + [row for rate in WITH_FLOW if (row := _flow_row(found, rate)) is not None]


def _lag_row(found, rate):
    """Return whether chains trail by less than the 45 degrees at which the torque is largest."""
    one = found.get(name_of(rate, "free"))
    lag = None if one is None else (one["chain_lag_deg"] or {}).get("value")
    error = None if lag is None else one["chain_lag_deg"]["error"]
    return Row(
        f"lag of chains, ω d²/D0 = {rate:g}, no flow", BALANCE, "below 45°", lag, error,
        limits=(-np.inf, 45.0),
        found_text="-" if lag is None else f"{lag:.1f}° ± {error:.1f}°",
    )  # fmt: skip


def _flow_row(found, rate):
    free, stirred = (found.get(name_of(rate, kind)) for kind in ("pair", "flow"))
    if free is None or stirred is None:
        return None
    one, other = free["weight_mean"], stirred["weight_mean"]
    value = other["value"] / one["value"]
    error = value * np.hypot(
        (one["error"] or 0) / one["value"], (other["error"] or 0) / other["value"]
    )
    # a rod of n in a shared liquid turns sooner, and holds where D_rot is as large: n at equal drag
    alone = laws.torn_length(rate, COUPLING)
    gain = float(laws.rod_turning(alone, with_flow=True) / laws.rod_turning(alone))
    return Row(
        f"weight mean with flow over that without, ω d²/D0 = {rate:g}",
        "drag of rods, Tirado, Garcia de la Torre (1980), from memory: √ of the gain in D_rot",
        float(np.sqrt(gain)), value, float(error), 0.25, "torques balanced for one length",
    )  # fmt: skip


@record.figure(
    "Length in a turning field",
    "Weight mean length against the Mason number ω d²/(3λ D₀), no flow (circles), with flow "
    "(squares) and small films without (crosses). Line: longest chain that the torques hold; "
    "dashed: power −1/2.",
)
def torn_lengths(found):
    """Draw lengths against the Mason number."""
    with style.publication():
        figure = style.new_figure()
        axes = figure.subplots()
        grid = np.geomspace(0.7, 90.0, 80)
        mason = 1.0 / (3.0 * COUPLING)
        axes.plot(mason * grid, laws.torn_length(grid, COUPLING), color=style.INK, linewidth=0.9)
        looks = (
            ("free", "o", style.FIRST, "no flow"),
            ("flow", "s", style.SECOND, "with flow"),
            ("pair", "x", style.THIRD, "small, no flow"),
        )
        for kind, marker, colour, name in looks:
            points = series_of(found, kind)
            if points:
                x, y, bars = (np.array(part) for part in zip(*points, strict=True))
                axes.errorbar(mason * x, y, bars, fmt=marker, color=colour, label=name,
                              markersize=4.5, zorder=3)  # fmt: skip
        axes.plot(mason * grid, 5.0 * grid**-0.5, "--", color=style.QUIET, linewidth=0.8)
        axes.set(xlabel="Mason number", ylabel="weight mean length", xscale="log", yscale="log")
        if axes.get_legend_handles_labels()[0]:
            axes.legend()
    return figure


@record.figure(
    "Lag",
    "Angle by which chains (circles) and moments (squares) trail the field, no flow, against the "
    "Mason number; 45° is where a chain breaks.",
)
def lags(found):
    """Draw lags against the Mason number."""
    with style.publication():
        figure = style.new_figure()
        axes = figure.subplots()
        looks = (("chain_lag_deg", "o", style.FIRST, "chains"),
                 ("moment_lag_deg", "s", style.SECOND, "moments"))  # fmt: skip
        for key, marker, colour, name in looks:
            points = [
                (rate / (3.0 * COUPLING), one[key]["value"], one[key]["error"] or 0.0)
                for rate in RATES
                if (one := found.get(name_of(rate, "free"))) and (one[key] or {}).get("value")
            ]
            if points:
                x, y, bars = zip(*points, strict=True)
                axes.errorbar(x, y, bars, fmt=marker, color=colour, label=name, markersize=4.5)
        axes.axhline(45.0, color=style.QUIET, linewidth=0.8, linestyle="--")
        axes.set(xlabel="Mason number", ylabel="angle behind the field (°)", xscale="log")
        if axes.get_legend_handles_labels()[0]:
            axes.legend(loc="lower right")
    return figure


FIGURES = {one.name: one for one in (torn_lengths, lags)}
