"""Signs of the measured trends of the spacing in films, its size, and the time of response.

The measured films hold particles of 10 nm, of which a column of theirs needs millions: here beads
of half a micrometre stand for them, whose columns are as far apart. Signs can be compared; what
sizes would need is told.
"""

import math

from analysis.pictures import record, style
from runs_demo.agreement import laws
from runs_demo.agreement.case import BOLTZMANN, MU0, Case, Scale, film
from runs_demo.agreement.columns import BEADS, affordable, column_numbers, stair, ways
from runs_demo.agreement.row import Row

NAME = "trends"
TITLE = "Trends of the spacing"
SECTIONS = ("spacing",)
"""What is measured in its runs, beside rest and chains."""
HONG = "Hong and others, Magnetohydrodynamics 35, 297 (1999), abstract"
HORNG = "Horng, Hong, Yeung, Yang, Appl. Opt. 37, 2674 (1998), abstract: several µm"
YANG = "Yang and others, J. Magn. Magn. Mater. (2004), abstract: begins after tens of ms"
PLAIN = {"field_mt": 6.0, "ramp": 0.875, "fraction": 0.04, "thickness_um": 5.0, "kelvin": 298.15}
PAIRS = {
    "field": ("field_mt", 4.0, 8.0, -1),
    "ramp": ("ramp", 0.875, 0.0, -1),
    "concentration": ("fraction", 0.02, 0.08, -1),
    "thickness": ("thickness_um", 3.0, 10.0, 1),
    "temperature": ("kelvin", 275.0, 345.0, 1),
}
"""What is changed, from and to (a ramp lasts this share of a run), and the sign measured."""
SEEDS = (61, 62, 63)
STAIRS = (0.35, 0.45, 0.52, 0.6, 0.68, 0.8, 0.9)
"""Shares of its last strength in which a field grows; each has the same share of the clock."""
AT_ONCE_FRAMES = 240
"""Frames of films whose field is on at once: their response is over in a hundredth of the run."""
GROWS = ("fraction", "thickness_um")
"""What the number of beads grows with."""
AREA_UM2 = 200.0
SMALL, SMALL_AREA_UM2, SMALL_BEADS = "small_beads", 40.0, Scale(0.2e-6, 0.2e-6, 0.89e-3)
"""Beads of which d^2/D0 is a sixteenth, to see what the time of response hangs on."""
SHARE, CORE_MAGNETISATION, CORE_M = 0.1, 446e3, 10e-9
"""Beads: a tenth of each is cores of magnetite (A/m) of 10 nm."""


def cases(seconds):
    """Return the cases, sized so that one of weight 1 takes so many seconds."""
    made = [
        _case(f"{name}_{side}_{seed}", seed, seconds, pair, side == "high")
        for name, pair in PAIRS.items()
        for side in ("low", "high")
        for seed in SEEDS
    ]
    return [*made, _small(seconds)]


def _small(seconds):
    """Return a film of smaller beads in a field that is on at once."""
    thickness = PLAIN["thickness_um"]
    volume = math.pi / 6.0 * (1e6 * SMALL_BEADS.diameter_m) ** 3
    count = round(PLAIN["fraction"] * SMALL_AREA_UM2 * thickness / volume)
    coupling = _coupling(PLAIN)
    time = affordable(seconds, count, coupling)
    changes = {
        "particles.core_diameter": f"{1e6 * SMALL_BEADS.core_m:g} um",
        "film.thickness": f"{thickness:g} um",
        "film.count": count,
        "run.seed": SEEDS[0],
        "output.frames": AT_ONCE_FRAMES,
    }
    return Case(
        NAME, SMALL, film("columns", changes | stair(SMALL_BEADS, coupling, time)),
        {"count": count, "coupling": coupling, "time": time, "stairs": [coupling]}, seconds,
    )  # fmt: skip


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
    """Return one end of a pair, followed as long as the other end.

    Beads are magnetised as the field grows: each run, from the end of the one before, has the
    moments that its field gives a lone bead.
    """
    key, *ends, _ = pair
    both = [PLAIN | {key: value} for value in ends]
    given = both[high]
    volume = AREA_UM2 * given["thickness_um"] * max(1.0, seconds / 240.0) ** 0.5
    count = round(given["fraction"] * volume / (math.pi / 6.0 * (1e6 * BEADS.diameter_m) ** 3))
    largest = count * max(one[key] for one in both) / given[key] if key in GROWS else count
    share = 1.0 / (len(STAIRS) + 1)
    changes = {
        "particles.volume_fraction": given["fraction"],
        "carrier.temperature": f"{given['kelvin']:g} K",
        "film.thickness": f"{given['thickness_um']:g} um",
        "film.count": count,
        "run.seed": seed,
    }
    steps = [
        (
            _coupling(given, of),
            affordable(share * seconds, largest, max(_coupling(one, of) for one in both)),
        )
        for of in (*STAIRS, 1.0)
    ]
    if not given["ramp"]:  # at once, and as long in all
        steps = [(steps[-1][0], sum(time for _, time in steps))]
        changes["output.frames"] = AT_ONCE_FRAMES
    kelvin = given["kelvin"]
    films = [film("columns", changes | stair(BEADS, *one, kelvin)) for one in steps]
    shares = (share,) * (len(films) - 1)
    return Case(
        NAME, name, films[-1],
        {**given, "seed": seed, "count": count, "coupling": steps[-1][0],
         "time": sum(time for _, time in steps), "stairs": [one for one, _ in steps]},
        seconds, tuple(films[:-1]), shares,
    )  # fmt: skip


def _coupling(given, share=1.0):
    return bead_coupling(share * given["field_mt"], given["kelvin"])


def numbers(measured, case):
    """Return what is kept of a run."""
    return column_numbers(measured) | {"way": ways(measured.run, case)}


def mean_of(found, name, side):
    """Return (mean distance of columns in um over the seeds, its error)."""
    kept = [one["way"] for seed in SEEDS if (one := found.get(f"{name}_{side}_{seed}"))]
    kept = [way for way in kept if way["distance_m"]]
    if not kept:
        return None, None
    values = [1e6 * way["distance_m"][-1] for way in kept]
    mean = sum(values) / len(values)
    # of the number of columns, or of what seeds scatter by where that is more
    columns = sum(way["columns"][-1] for way in kept)
    scatter = 0.0
    if len(values) > 1:
        squares = sum((one - mean) ** 2 for one in values)
        scatter = math.sqrt(squares / (len(values) - 1) / len(values))
    return mean, max(scatter, 0.25 * mean / math.sqrt(columns))


def rows(found):
    """Return the lines of the table."""
    table = [_sign_row(found, name) for name in PAIRS]
    value, error = mean_of(found, "thickness", "high")
    table.append(Row(
        "size of the spacing, beads of 0.5 µm in 10 µm of film", HORNG, "several µm (1 to 10)",
        value, error, limits=(1.0, 10.0),
        found_text="-" if value is None else f"{value:.2f} ± {error:.2f} µm",
    ))  # fmt: skip
    return [
        *table,
        _response_row(found.get(f"ramp_high_{SEEDS[0]}"), BEADS),
        _response_row(found.get(SMALL), SMALL_BEADS),
    ]


def _sign_row(found, name):
    key, low, high, sign = PAIRS[name]
    first, second = mean_of(found, name, "low"), mean_of(found, name, "high")
    published, limits = ("up", (0.0, math.inf)) if sign > 0 else ("down", (-math.inf, 0.0))
    what = f"spacing with {name} ({key}, {low:g} to {high:g})"
    if first[0] is None or second[0] is None:
        return Row(what, HONG, published, limits=limits)
    change = second[0] - first[0]
    error = math.hypot(first[1], second[1])
    text = f"{first[0]:.2f} to {second[0]:.2f} µm, {change:+.2f} ± {error:.2f}".replace("-", "−")
    return Row(what, HONG, published, change, error, limits=limits, found_text=text)


def response_s(one):
    """Return the time in s of half of the change of the distance, from its first frame on."""
    times, distances = one["way"]["time_s"], one["way"]["distance_m"]
    middle = 0.5 * (distances[0] + distances[-1])
    return next((t for t, d in zip(times, distances, strict=True) if d >= middle), times[-1])


def _response_row(one, beads):
    at, text = None, "-"
    if one is not None and len(one["way"]["time_s"]) > 2:
        at = 1e3 * response_s(one)
        text = f"{at:.0f} ms to half of the change"
    what = f"response to the field, beads of {1e6 * beads.diameter_m:g} µm in water"
    return Row(
        what, YANG, "tens of ms (10 to 100), within a factor of 3", at, None, 3.0,
        "the order of magnitude alone", (10.0, 100.0), text,
    )  # fmt: skip


@record.figure(
    "Trends",
    "Distance of columns at the low and the high end of what is changed, mean of all seeds; the "
    "arrow in each name is the sign that was measured.",
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
