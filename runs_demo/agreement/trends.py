"""Signs of the measured trends of the spacing in films, its size, and the time of response.

The measured films hold particles of 10 nm, of which a column of theirs needs millions: here beads
of half a micrometre stand for them, whose columns are as far apart. Signs can be compared; what
sizes would need is told.
"""

import math

from analysis.pictures import record, style
from runs_demo.agreement import laws
from runs_demo.agreement.case import BOLTZMANN, MU0, TEMPERATURE, Case, Scale, affordable, film
from runs_demo.agreement.columns import column_numbers, way
from runs_demo.agreement.row import AGREES, DIFFERS, MISSING, UNSURE, Row

NAME = "trends"
TITLE = "Trends of the spacing"
SECTIONS = ("spacing",)
"""What is measured in its runs, beside rest and chains."""
BEADS = Scale(0.5e-6, 0.5e-6, 0.89e-3)
HONG = "Hong and others, Magnetohydrodynamics 35, 297 (1999), abstract"
HORNG = "Horng, Hong, Yeung, Yang, Appl. Opt. 37, 2674 (1998), abstract: several µm"
YANG = "Yang and others, J. Magn. Magn. Mater. (2004), abstract: begins after tens of ms"
PLAIN = {"field_mt": 6.0, "ramp": 0.01, "fraction": 0.04, "thickness_um": 5.0, "kelvin": 298.15}
PAIRS = {
    "field": ("field_mt", 4.0, 8.0, -1),
    "ramp": ("ramp", 0.5, 0.01, -1),
    "concentration": ("fraction", 0.02, 0.08, -1),
    "thickness": ("thickness_um", 3.0, 10.0, 1),
    "temperature": ("kelvin", 275.0, 345.0, 1),
}
"""What is changed, from and to (a ramp lasts this share of a run), and the sign measured."""
SEEDS = (61, 62, 63)
"""As many are run as the budget is worth: one below 60 s a weight of 1, all above 600 s."""
GROWS = ("fraction", "thickness_um")
"""What the number of beads grows with."""
AREA_UM2 = 200.0
STRONG = 100.0
"""Langevin parameter of the beads: they stand along the field, whatever magnetised them."""
SHARE, CORE_MAGNETISATION, CORE_M = 0.1, 446e3, 10e-9
"""Beads: a tenth of each is cores of magnetite (A/m) of 10 nm."""
RAMP_FIELD_MT, RAMP_COUNT = 3.5, 200
SECONDS_A_STEP = 5e-6
"""Of one bead that its neighbours magnetise, on one core of a server."""


def cases(seconds):
    """Return the cases, sized so that one of weight 1 takes so many seconds."""
    seeds = SEEDS[: 1 if seconds < 60.0 else 2 if seconds < 600.0 else 3]
    return [
        _case(f"{name}_{side}_{seed}", seed, seconds, pair, side == "high")
        for name, pair in PAIRS.items()
        for side in ("low", "high")
        for seed in seeds
    ]


def bead_magnetisation(field_mt, kelvin):
    """Return the magnetisation of a lone bead in A/m, by Langevin's law of its cores."""
    core = CORE_MAGNETISATION * math.pi / 6.0 * CORE_M**3
    alpha = core * 1e-3 * field_mt / (BOLTZMANN * kelvin)
    return SHARE * CORE_MAGNETISATION * float(laws.langevin(alpha))


def bead_coupling(field_mt, kelvin):
    """Return the coupling of two lone beads."""
    moment = bead_magnetisation(field_mt, kelvin) * math.pi / 6.0 * BEADS.diameter_m**3
    return MU0 * moment**2 / (4.0 * math.pi * BEADS.diameter_m**3 * BOLTZMANN * kelvin)


def _case(name, seed, seconds, pair, high):
    """Return one end of a pair, followed as long as the other end."""
    key, *ends, _ = pair
    both = [PLAIN | {key: value} for value in ends]
    given = both[high]
    if key == "ramp":
        return _ramp_case(name, seed, 3.0 * seconds, given)
    seconds *= 1.5
    coupling, most = _coupling(given), max(_coupling(one) for one in both)
    volume = AREA_UM2 * given["thickness_um"] * max(1.0, seconds / 240.0) ** 0.5
    count = round(given["fraction"] * volume / (math.pi / 6.0 * (1e6 * BEADS.diameter_m) ** 3))
    moment = BEADS.moment(coupling) * math.sqrt(given["kelvin"] / TEMPERATURE)
    strength = STRONG * BOLTZMANN * given["kelvin"] / moment
    magnetisation = bead_magnetisation(given["field_mt"], given["kelvin"])
    largest = count * max(one[key] for one in both) / given[key] if key in GROWS else count
    time = min(40.0, affordable(seconds, largest, most))
    return Case(
        NAME, name,
        film("columns", {
            "particles.magnetisation": f"{magnetisation / 1e3:.8g} kA/m",
            "particles.volume_fraction": given["fraction"],
            "carrier.temperature": f"{given['kelvin']:g} K",
            "film.thickness": f"{given['thickness_um']:g} um",
            "film.count": count,
            "field.strength": f"{1e3 * strength:.8g} mT",
            "run.duration": BEADS.time(time),
            "run.seed": seed,
        }),
        {**given, "seed": seed, "count": count, "coupling": coupling, "time": time}, seconds,
    )  # fmt: skip


def _coupling(given):
    return bead_coupling(given["field_mt"], given["kelvin"])


def _ramp_case(name, seed, seconds, given):
    """Return a film whose beads are magnetised as the field grows."""
    coupling = bead_coupling(RAMP_FIELD_MT, given["kelvin"])
    step = 4e-4 / coupling
    time = min(25.0, step * seconds / (SECONDS_A_STEP * RAMP_COUNT))
    ramp = given["ramp"] * time
    strength = f"{RAMP_FIELD_MT:g} mT"
    steps = [
        {"kind": "ramp", "duration": BEADS.time(ramp), "strength": strength},
        {"kind": "hold", "duration": BEADS.time(time - ramp), "strength": strength},
    ]
    return Case(
        NAME, name,
        film(NAME, {
            "film.count": RAMP_COUNT,
            "field.steps": steps,
            "run.duration": BEADS.time(time),
            "run.seed": seed,
        }),
        {**given, "field_mt": RAMP_FIELD_MT, "seed": seed, "count": RAMP_COUNT,
         "coupling": coupling, "time": time},
        seconds,
    )  # fmt: skip


def numbers(measured, _):
    """Return what is kept of a run."""
    return column_numbers(measured) | {"way": way(measured.run)}


def mean_of(found, name, side):
    """Return (mean distance of columns in um over the seeds, its error)."""
    told = [found.get(f"{name}_{side}_{seed}") for seed in SEEDS]
    values = [
        1e6 * one["way"]["distance_m"][-1] for one in told if one and one["way"]["distance_m"]
    ]
    if not values:
        return None, None
    mean = sum(values) / len(values)
    # of the number of columns, and of what two seeds differ by
    columns = 30.0 * len(values)
    scatter = abs(values[0] - values[-1]) / 2.0 if len(values) > 1 else 0.0
    return mean, max(scatter, 0.25 * mean / math.sqrt(columns))


def rows(found):
    """Return the lines of the table."""
    table = [_sign_row(found, name) for name in PAIRS]
    value, _ = mean_of(found, "thickness", "high")
    told = MISSING if value is None else AGREES if 1.0 <= value <= 10.0 else DIFFERS
    table.append(Row(
        "size of the spacing, beads of 0.5 µm in 10 µm of film", HORNG, "several µm", told=told,
        found_text="-" if value is None else f"{value:.1f} µm",
    ))  # fmt: skip
    return [*table, _response_row(found)]


def _sign_row(found, name):
    key, low, high, sign = PAIRS[name]
    first, second = mean_of(found, name, "low"), mean_of(found, name, "high")
    published = "up" if sign > 0 else "down"
    what = f"spacing with {name} ({key}, {low:g} to {high:g})"
    if first[0] is None or second[0] is None:
        return Row(what, HONG, published, told=MISSING)
    change = second[0] - first[0]
    error = math.hypot(first[1], second[1])
    told = UNSURE if abs(change) < 3.0 * error else AGREES if change * sign > 0 else DIFFERS
    text = f"{first[0]:.2f} to {second[0]:.2f} µm, {change:+.2f} ± {error:.2f}".replace("-", "−")
    return Row(what, HONG, published, told=told, found_text=text)


def _response_row(found):
    one = found.get(f"field_high_{SEEDS[0]}")
    told, text = MISSING, "-"
    if one is not None and len(one["way"]["time_s"]) > 2:
        times, distances = one["way"]["time_s"], one["way"]["distance_m"]
        middle = 0.5 * (distances[0] + distances[-1])
        at = next((t for t, d in zip(times, distances, strict=True) if d >= middle), times[-1])
        text = f"{1e3 * at:.0f} ms to half of the change"
        told = AGREES if 3.0 <= 1e3 * at <= 300.0 else DIFFERS
    return Row("response to the field, beads of 0.5 µm in water", YANG, "tens of ms", told=told,
               found_text=text)  # fmt: skip


@record.figure(
    "Trends",
    "Distance of columns at the low and the high end of what is changed, two seeds each; the arrow "
    "in each name is the sign that was measured.",
    wide=True,
)
def spacing_trends(found):
    """Draw the distance at both ends of each change."""
    with style.publication():
        figure = style.new_figure(width=style.DOUBLE_COLUMN)
        axes = figure.subplots()
        for k, (name, (_, low, high, _)) in enumerate(PAIRS.items()):
            for side, place in (("low", k - 0.15), ("high", k + 0.15)):
                mean, error = mean_of(found, name, side)
                if mean is None:
                    continue
                colour = style.FIRST if side == "low" else style.SECOND
                axes.errorbar([place], [mean], [error], fmt="o", color=colour, markersize=4.5)
                axes.annotate(
                    f"{low if side == 'low' else high:g}", (place, mean), va="center",
                    textcoords="offset points", xytext=(6, 0), fontsize=style.SMALL_POINTS,
                )  # fmt: skip
        axes.set_xticks(
            range(len(PAIRS)), [f"{n} {'↑' if p[3] > 0 else '↓'}" for n, p in PAIRS.items()]
        )
        axes.set(ylabel="distance of columns (µm)")
        axes.margins(y=0.25)
    return figure


FIGURES = {spacing_trends.name: spacing_trends}
