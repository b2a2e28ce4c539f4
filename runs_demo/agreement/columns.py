"""Spacing of columns in a field through the film, against its thickness.

Columns of several chains need chains that are still short when they meet: the coupling grows in
stairs, each run from the end of the one before, as it does where a field grows slowly. The moments
of the beads stand along a strong field, with the size that the field of each stair would give.
"""

import math

import numpy as np

import analysis
from analysis.pictures import record, style
from runs_demo.agreement import column_energy, laws
from runs_demo.agreement.case import (
    BOLTZMANN,
    TEMPERATURE,
    Case,
    Scale,
    affordable_on_card,
    film,
)
from runs_demo.agreement.row import Row

NAME = "columns"
TITLE = "Spacing of columns"
SECTIONS = ("spacing",)
"""What is measured in its runs, beside rest and chains."""
BEADS = Scale(0.5e-6, 0.5e-6, 0.89e-3)
FRACTION, COUPLING, STRONG, COLUMNS = 0.04, 20.0, 100.0, 64
STAIRS = (4.0, 5.0, 6.0, 7.0, 8.0, 10.0, 14.0)
"""Couplings on the way to the last one; each has the same share of the clock."""
THICKNESSES_UM = (5.0, 10.0, 20.0, 50.0)
SHORT = "short"
OTHERS = {SHORT: {}, "at_once": {"stairs": ()}, "coupling_40": {"coupling": 40.0},
          "seed_2": {"seed": 52}, "sizes": {"spread": 0.1}}  # fmt: skip
"""What is changed in the thinnest film, in a fifth of its time, to see what the spacing hangs
on; the first of them is changed in nothing else."""
TOLD = {SHORT: "in a fifth of it", "at_once": "in a field that is on at once",
        "coupling_40": "up to the coupling 40", "seed_2": "from another start",
        "sizes": "with 10 % of size spread"}  # fmt: skip
LEAST_TIME = 1.0
"""Films that a budget cannot follow for so long (d^2/D0) have no columns, and are left out."""
ON_CARD = True
"""Whether a graphics card may take its films."""
PACE = 900.0
"""Particles times d^2/D0 that a core makes a second of such films up to the coupling 7.5."""
SHARED = 3.0
"""Films that share a card."""
SOURCE = "Liu and others, Int. J. Mod. Phys. B 8 (1994), abstract: d = 1.49 L^0.34 µm"
LOWEST = f"{SOURCE}; found: lowest energy, closed form (`column_energy.py`)"
DIAMETER_UM = 0.5
SINGLE = math.sqrt(math.pi / (6.0 * FRACTION)) * math.sqrt(2.0 / math.sqrt(3.0))
"""Distance of single straight chains of touching beads through the whole film, on a triangular
lattice, in diameters; it grows as the contact of the beads to the power -1/2."""


def cases(seconds, device="cpu"):
    """Return the cases, sized so that one of weight 1 takes so many seconds."""
    made = []
    for thickness in reversed(THICKNESSES_UM):
        # the thinnest film is as quick on a core, and its variants must be comparable
        where = "cpu" if thickness == THICKNESSES_UM[0] else device
        weight = 7.0 if where == "gpu" else 8.0
        made.append(_case(f"thickness_{thickness:g}", thickness, weight * seconds, where))
    made = [case for case in made if case.about["time"] > LEAST_TIME]
    others = OTHERS.items()
    return made + [_case(name, 5.0, 1.6 * seconds, "cpu", **change) for name, change in others]


def affordable(seconds, count, coupling, device="cpu"):
    """Return the time in d^2/D0 that such a film can be followed in so many seconds."""
    if device == "gpu":
        return affordable_on_card(seconds / SHARED, count, coupling)
    return PACE * seconds / count * min(1.0, 7.5 / coupling)


def _case(name, thickness, seconds, device, coupling=COUPLING, seed=51, spread=0.0, stairs=STAIRS):
    side = math.sqrt(COLUMNS * math.sqrt(3.0) / 2.0) * float(laws.emulsion_spacing(thickness))
    count = round(FRACTION * side**2 * thickness / (math.pi / 6.0 * DIAMETER_UM**3))
    share = 1.0 / (len(stairs) + 1)
    changes = {
        "particles.size_spread": spread,
        "film.thickness": f"{thickness:g} um",
        "film.count": count,
        "run.seed": seed,
    }
    times = [affordable(share * seconds, count, one, device) for one in (*stairs, coupling)]
    films = [
        film(NAME, changes | stair(BEADS, one, time))
        for one, time in zip((*stairs, coupling), times, strict=True)
    ]
    return Case(
        NAME, name, films[-1],
        {"thickness_um": thickness, "coupling": coupling, "spread": spread, "count": count,
         "time": sum(times), "device": device, "stairs": [*stairs, coupling]},
        seconds, tuple(films[:-1]), (share,) * len(stairs),
    )  # fmt: skip


def stair(beads, coupling, time, kelvin=TEMPERATURE):
    """Return what a film of beads has of its own while the coupling stays so for a time.

    The field is strong enough for the moments to stand along it, whatever magnetised them.
    """
    moment = beads.moment(coupling) * math.sqrt(kelvin / TEMPERATURE)
    strength = STRONG * BOLTZMANN * kelvin / moment
    magnetisation = moment / (math.pi / 6.0 * beads.core_m**3)
    return {
        "particles.magnetisation": f"{magnetisation / 1e3:.8g} kA/m",
        "field.strength": f"{1e3 * strength:.8g} mT",
        "run.duration": beads.time(time),
    }


def numbers(measured, case):
    """Return what is kept of a run: distances of columns at the end, and on the way there."""
    return column_numbers(measured) | {"way": ways(measured.run, case)}


def column_numbers(measured):
    """Return what the columns of a run are like: number, distances, lengths."""
    told = measured.numbers
    columns = told["spacing"]["columns"]
    return {
        "count": columns.get("count"),
        "neighbours": columns.get("neighbour_distance_m"),
        "nearest": columns.get("nearest_m"),
        "peak": told["spacing"]["structure_factor_m"],
        "order": columns.get("hexagonal_order_local"),
        "weight_mean": told["chains"]["weight_mean_length"],
        "spanning": told["chains"]["spanning_share"],
        "time_s": float(measured.run.times[-1]),
    }


def ways(run, case):
    """Return times in s and distances of columns in m on the way, over all stairs of a case.

    Particles within three quarters of a diameter of the middle plane are joined where their feet
    are nearer than 1.5 diameters: each group is a column. The distance is that of a triangular
    lattice of as many in the area. Times count from the first stair on, and couplings stand beside
    them.
    """
    place = run.path.parent.parent
    runs = [analysis.open_run(place / f"before_{k}") for k in range(len(case.before))]
    told = {"time_s": [], "distance_m": [], "coupling": [], "columns": []}
    began = 0.0
    for one, coupling in zip([*runs, run], case.about["stairs"], strict=True):
        # two frames of each stair, and a dozen of the last, closer at its start
        many = 12 if one is run else 2
        for frame in np.unique(np.geomspace(1, max(one.frames - 1, 1), many).astype(int)):
            if frame >= one.frames:
                continue
            count = feet(one.positions(int(frame)), one.sides, one.thickness, _diameter(one))
            if count:
                area = float(np.prod(one.sides))
                told["time_s"].append(began + float(one.times[frame] - one.times[0]))
                told["distance_m"].append(math.sqrt(2.0 * area / (math.sqrt(3.0) * count)))
                told["coupling"].append(coupling)
                told["columns"].append(int(count))
        began += float(one.times[-1] - one.times[0])
    return told


def _diameter(run):
    return float(np.median(run.diameters))


def feet(positions, sides, thickness, diameter):
    """Return how many columns pass the middle plane."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    near = np.abs(positions[:, 2] - 0.5 * thickness) < 0.75 * diameter
    places = np.mod(positions[near, :2], sides)
    places[places >= sides] = 0.0
    if not len(places):
        return 0
    pairs = cKDTree(places, boxsize=sides).query_pairs(1.5 * diameter, output_type="ndarray")
    ones = np.ones(len(pairs))
    graph = coo_matrix((ones, (pairs[:, 0], pairs[:, 1])), shape=(len(places),) * 2)
    return connected_components(graph, directed=False)[0]


def distance(one):
    """Return (distance of columns in um, its error): the last one on the way, by their number."""
    if one is None or not one["way"]["distance_m"]:
        return None, None
    value = 1e6 * one["way"]["distance_m"][-1]
    # half of the relative scatter of a number of columns, which is half of that of random ones
    return value, value * 0.25 / math.sqrt(one["way"]["columns"][-1])


def power(found):
    """Return (exponent of the distance in the thickness, error)."""
    points = [
        (thickness, *distance(found.get(f"thickness_{thickness:g}")))
        for thickness in THICKNESSES_UM
    ]
    points = [point for point in points if point[1] is not None]
    if len(points) < 3:
        return None, None
    x = np.log([point[0] for point in points])
    y = np.log([point[1] for point in points])
    error = np.array([point[2] / point[1] for point in points])
    slope, cover = np.polyfit(x, y, 1, w=1.0 / error, cov="unscaled")
    return float(slope[0]), float(math.sqrt(cover[0, 0]))


def rows(found):
    """Return the lines of the table."""
    value, error = power(found)
    reason = "±0.1, chosen before any run; 0.34 to 0.7 are measured in different systems"
    table = [
        Row("exponent of the column distance in the thickness", SOURCE, 0.34, value, error, 0.3,
            reason),
        Row("exponent of the column distance in the thickness, lowest energy", LOWEST, 0.34,
            column_energy.lowest_power(THICKNESSES_UM), None, 0.3, reason),
    ]  # fmt: skip
    for thickness in THICKNESSES_UM:
        value, error = distance(found.get(f"thickness_{thickness:g}"))
        law = float(laws.emulsion_spacing(thickness))
        table.append(Row(
            f"column distance (µm), L = {thickness:g} µm, λ = 20, φ = 0.04", SOURCE, law, value,
            error, 0.1, "scatter of the measurement, not known",
        ))  # fmt: skip
    return table


@record.figure(
    "Distance of columns",
    "Points: distance of columns by their number in mid-film, at the end of each run; open: the "
    "thinnest film changed. Line: law measured on an emulsion; dashed: columns of lowest energy; "
    "dotted: single chains of touching beads through the whole film.",
)
def column_distance(found):
    """Draw the distance against the thickness."""
    with style.publication():
        figure = style.new_figure()
        axes = figure.subplots()
        grid = np.geomspace(4.0, 60.0, 50)
        axes.plot(grid, laws.emulsion_spacing(grid), color=style.INK, label="1.49 L^0.34 µm")
        axes.axhline(DIAMETER_UM * SINGLE, color=style.QUIET, linestyle=":", label="single chains")
        lowest = [column_energy.lowest(thickness)[1] for thickness in THICKNESSES_UM]
        axes.plot(THICKNESSES_UM, lowest, "--", color=style.QUIET, label="lowest energy")
        points = [
            (thickness, *distance(found.get(f"thickness_{thickness:g}")))
            for thickness in THICKNESSES_UM
        ]
        points = [point for point in points if point[1] is not None]
        if points:
            x, y, bars = zip(*points, strict=True)
            axes.errorbar(x, y, bars, fmt="o", color=style.FIRST, label="λ = 20", markersize=4.5)
        changed = [
            value for name in OTHERS if (value := distance(found.get(name))[0]) is not None
        ]  # fmt: skip
        axes.plot([THICKNESSES_UM[0]] * len(changed), changed, "s", color=style.SECOND,
                  fillstyle="none", label="5 µm, changed")  # fmt: skip
        axes.set(xlabel="thickness (µm)", ylabel="distance of columns (µm)", xscale="log",
                 yscale="log", ylim=(0.8, 14.0))  # fmt: skip
        axes.minorticks_off()
        axes.set_xticks(THICKNESSES_UM, [f"{one:g}" for one in THICKNESSES_UM])
        axes.set_yticks([1, 2, 3, 4, 6, 10], ["1", "2", "3", "4", "6", "10"])
        axes.legend(loc="lower right", ncols=2, fontsize=style.SMALL_POINTS)
    return figure


@record.figure(
    "Columns coarsen",
    "Distance of columns on the way, over that of the measured law; one line a thickness. The "
    "coupling grows from 4 to 20 in eight stairs.",
)
def coarsening(found):
    """Draw distances over the law against time."""
    with style.publication():
        figure = style.new_figure()
        axes = figure.subplots()
        for thickness, colour in zip(
            THICKNESSES_UM, (*style.CHAIN_COLOURS[0], style.MARK), strict=True
        ):
            one = found.get(f"thickness_{thickness:g}")
            if one is None or not one["way"]["time_s"]:
                continue
            law = float(laws.emulsion_spacing(thickness))
            axes.plot(one["way"]["time_s"], [1e6 * d / law for d in one["way"]["distance_m"]],
                      "o-", color=colour, label=f"{thickness:g} µm")  # fmt: skip
        axes.axhline(1.0, color=style.QUIET, linestyle="--", linewidth=0.8)
        axes.set(xlabel="time in the field (s)", ylabel="distance over the law", xscale="log",
                 ylim=(0.3, 1.3))  # fmt: skip
        if axes.get_legend_handles_labels()[0]:
            axes.legend(loc="upper left", ncols=2)
    return figure


FIGURES = {one.name: one for one in (column_distance, coarsening)}
