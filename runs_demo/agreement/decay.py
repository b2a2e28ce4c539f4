"""Decay after switch-off: how chains of each length forget their direction, and fall apart.

A straight chain that turns by its own diffusion forgets its direction as
<P2(u(0).u(t))> = exp(-6 D_rot t) (P. Debye, Polare Molekeln, 1929), D_rot by closed form where
each sphere drags alone, by Tirado and Garcia de la Torre where all share the liquid. Chains are
followed as long as none of their links has opened.
"""

import numpy as np

from analysis.pictures import record, style
from runs_demo.agreement import columns, laws
from runs_demo.agreement.case import BENCH, Case, affordable, film
from runs_demo.agreement.chains_of import chains, counts, ends, means, members
from runs_demo.agreement.row import Row

NAME = "decay"
TITLE = "Decay after switch-off"
SECTIONS = ("relaxation",)
"""What is measured in its runs, beside rest and chains."""
THICKNESS, FRACTION, STRONG = 12.0, 0.01, 30.0
STIFF, WEAK = 8.0, 4.0
"""Coupling of chains that last while they turn, and of chains that fall apart."""
APART = {"apart": WEAK, "apart_5": 5.0}
"""Films whose chains fall apart, and their coupling."""
FREED = "freed"
"""Columns of beads that lose their moments, to see what the time of decay hangs on."""
FREED_COUNT, FREED_UM, FREED_STEP = 600, 5.0, 1e-4
"""Beads, thickness in um, and the step in d^2/D0."""
LENGTHS = (2, 3, 4, 5, 6, 8)
SEEDS = (0, 1, 2, 3)
GROWN = 1.5
"""d^2/D0 of growth before: then most chains have two to six particles."""
DEBYE = "Debye 1929, D of a row of spheres: closed form"
ROD = "Tirado, Garcia de la Torre, J. Chem. Phys. 73, 1986 (1980), from memory"
YANG = "Yang and others, J. Magn. Magn. Mater. (2004), abstract: several to tens of ms"


def cases(seconds):
    """Return the cases, sized so that one of weight 1 takes so many seconds."""
    made = []
    for seed in SEEDS:
        made.append(_case("free", "none", seed, 2000, 5.0, 0.7 * seconds))
        made.append(_case("flow", "hydrodynamic", seed, 1000, 4.0, 2.4 * seconds))
    return [*made, *(_apart(*one, seconds) for one in APART.items()), _freed(seconds)]


def _case(name, flow, seed, count, most, seconds):
    """Return a film of chains that turn; at most so long, as the shorter ones have turned then."""
    changes = {
        "particles.magnetisation": BENCH.magnetisation(STIFF),
        "particles.volume_fraction": FRACTION,
        "film.count": count,
        "run.seed": 41 + seed,
    }
    grow = {
        "field.strength": BENCH.strength(STIFF, STRONG),
        "run.duration": BENCH.time(GROWN),
        "output.frames": 2,
    }
    time = min(most, affordable(seconds, count, STIFF, flow))
    off = {"run.duration": BENCH.time(time), "motion.flow": flow}
    return Case(
        NAME, f"{name}_{seed}", film(NAME, changes | off),
        {"flow": flow, "seed": seed, "count": count, "time": time}, seconds,
        (film(NAME, changes | grow),),
    )  # fmt: skip


def _apart(name, coupling, seconds):
    """Return a film whose chains fall apart."""
    count = 3000
    changes = {
        "particles.magnetisation": BENCH.magnetisation(coupling),
        "particles.volume_fraction": 0.03,
        "film.count": count,
    }
    grow = {
        "field.strength": BENCH.strength(coupling, STRONG),
        "run.duration": BENCH.time(min(30.0, affordable(0.6 * seconds, count, coupling))),
        "output.frames": 2,
    }
    time = min(20.0, affordable(0.4 * seconds, count, coupling))
    return Case(
        NAME, name, film(NAME, changes | {"run.duration": BENCH.time(time)}),
        {"flow": "none", "count": count, "coupling": coupling, "time": time}, seconds,
        (film(NAME, changes | grow),),
    )  # fmt: skip


def _freed(seconds):
    """Return beads in columns that lose their moments at once: diffusion alone takes them apart."""
    beads, coupling = columns.BEADS, columns.COUPLING
    changes = {"film.thickness": f"{FREED_UM:g} um", "film.count": FREED_COUNT}
    grown = columns.affordable(0.8 * seconds, FREED_COUNT, coupling)
    time = min(1.0, columns.affordable(0.2 * seconds, FREED_COUNT, WEAK))
    free = changes | {
        # the least moment that a file may ask for: a coupling of 0.04
        "particles.core_diameter": "0.3 um",
        "particles.shell_thickness": "100 nm",
        "particles.magnetisation": "1 kA/m",
        "field.strength": "0 mT",
        # what pressed the beads together is gone at once: the step of free ones would be too long
        "run.time_step": beads.time(FREED_STEP),
        "run.duration": beads.time(time),
        "output.frames": 160,
    }
    return Case(
        NAME, FREED, film("columns", free),
        {"flow": "none", "count": FREED_COUNT, "time": time}, seconds,
        (film("columns", changes | columns.stair(beads, coupling, min(20.0, grown))),),
    )  # fmt: skip


def numbers(measured, case):
    """Return what is kept of a run: correlations of each length, or times of the whole film."""
    told, run = measured.numbers, measured.run
    if case.name == FREED:
        return {"contacts": _contacts(run)}
    if case.name in APART:
        kept = {
            key: told["relaxation"][f"{key}_decay_time_s"]
            for key in ("length", "alignment", "magnetisation")
        }
        kept["bond_life_s"] = told["chains"]["bond_life_theory_s"]
        kept["bond_life_seen_s"] = told["chains"]["bond_life_standing_s"]
        kept["falls"] = {
            rule: _falls(run, least) for rule, least in (("rule", None), ("distance", -1.0))
        }
        return kept
    found = chains(run, 0)
    times = (run.times - run.times[0]) / BENCH.time_s
    return {"curves": {str(n): _correlation(run, members(found, n, n), times) for n in LENGTHS}}


def _falls(run, alignment):
    """Return times in s in which the mean length, and the bonds a particle, fall by 1 - 1/e.

    Of the way from the first frame to the mean of the last quarter. ``alignment`` is that of the
    bonds, None for the run's own; their number is 1 - 1/mean length.
    """
    lengths = np.array([means(counts(run, frame, alignment))[0] for frame in range(run.frames)])
    times = run.times - run.times[0]
    return {
        "length_s": _fallen(times, lengths),
        "bonds_s": _fallen(times, 1.0 - 1.0 / lengths),
        "first": float(lengths[0]),
        "last": float(np.mean(lengths[-(len(lengths) // 4) :])),
    }


def _fallen(times, values):
    """Return when a series has gone 1 - 1/e of the way to the mean of its last quarter."""
    last = float(np.mean(values[-(len(values) // 4) :]))
    level = last + (values[0] - last) / np.e
    beyond = np.flatnonzero(values <= level)
    if not len(beyond) or not beyond[0]:
        return None
    k = int(beyond[0])
    share = (values[k - 1] - level) / (values[k - 1] - values[k])
    return float(times[k - 1] + share * (times[k] - times[k - 1]))


def _contacts(run):
    """Return when contacts within 1.2 diameters have fallen by 1 - 1/e, and how many there are."""
    from scipy.spatial import cKDTree

    box = [*run.sides, 0.0]  # not periodic across
    diameter = float(np.median(run.diameters))
    held = []
    for frame in range(run.frames):
        places = run.positions(frame).copy()
        places[:, :2] = np.mod(places[:, :2], run.sides)
        places[:, :2][places[:, :2] >= run.sides] = 0.0
        pairs = cKDTree(places, boxsize=box).query_pairs(1.2 * diameter, output_type="ndarray")
        held.append(2.0 * len(pairs) / run.count)
    values = np.array(held)
    return {
        "fall_s": _fallen(run.times - run.times[0], values),
        "first": float(values[0]),
        "last": float(np.mean(values[-(len(values) // 4) :])),
    }


def _correlation(run, rows, times):
    """Return times, correlations of direction and how many chains are still whole at each."""
    curve = {"time": [], "correlation": [], "chains": []}
    if not rows:
        return curve
    first, _ = ends(run.positions(0), rows, run.sides)
    whole = np.ones(len(rows), dtype=bool)
    for frame in range(run.frames):
        now, longest = ends(run.positions(frame), rows, run.sides)
        whole &= longest < 1.5 * run.diameters[0]
        if not whole.any():
            break
        cosine = np.sum(first * now, axis=1)[whole]
        curve["time"].append(float(times[frame]))
        curve["correlation"].append(float(np.mean(1.5 * cosine**2 - 0.5)))
        curve["chains"].append(int(whole.sum()))
    return curve


def pooled(found, flow, n):
    """Return times, correlation and its error from all seeds, weighted by chains."""
    curves = [
        one["curves"][str(n)]
        for name, one in sorted(found.items())
        if name.startswith("flow_" if flow else "free_") and one["curves"][str(n)]["time"]
    ]
    if not curves:
        return None
    frames = min(len(curve["time"]) for curve in curves)
    weights = np.array([curve["chains"][:frames] for curve in curves], dtype=float)
    values = np.array([curve["correlation"][:frames] for curve in curves])
    count = weights.sum(axis=0)
    mean = (weights * values).sum(axis=0) / count
    # P2 of directions spread at random scatters by 1/sqrt(5), less at the start
    error = np.sqrt(np.maximum(1.0 - mean**2, 0.02) / 5.0 / count)
    return np.array(curves[0]["time"][:frames]), mean, error


def decay_time(found, flow, n):
    """Return (time in which the correlation falls to 1/e, its error), None where not reached.

    By a line through the logarithm between 0.97 and 0.25, weighted by its error.
    """
    curve = pooled(found, flow, n)
    if curve is None:
        return None, None
    time, mean, error = curve
    end = np.argmax(mean < 0.25) if np.any(mean < 0.25) else len(mean)
    used = np.flatnonzero((np.arange(len(mean)) < end) & (mean < 0.97) & (mean > 0.25))
    if len(used) < 3 or mean[used].min() > 0.75:
        return None, None
    weight = (mean[used] / error[used]) ** 2
    rate = -np.sum(weight * time[used] * np.log(mean[used])) / np.sum(weight * time[used] ** 2)
    # neighbouring frames show the same chains: the error is that of the best single frame
    relative = np.min(error[used] / mean[used] / np.abs(np.log(mean[used])))
    return float(1.0 / rate), float(relative / rate)


def rows(found):
    """Return the lines of the table."""
    table = []
    for flow in (False, True):
        for n in LENGTHS[:5]:
            value, error = decay_time(found, flow, n)
            if value is None and flow and n > 4:
                continue
            table.append(Row(
                f"time to forget direction (d²/D0), chains of {n}, {'with' if flow else 'no'} flow",
                ROD if flow else DEBYE, float(1.0 / (6.0 * laws.rod_turning(n, flow))), value,
                error, 0.25 if flow else 0.1,
                "no flow of turning spheres, windows" if flow else "chains bend and stretch",
            ))  # fmt: skip
    for name, coupling in APART.items():
        if name in found:
            table += _life_rows(found[name], coupling)
    return table + _film_rows(found)


def life_of(one):
    """Return the life of a bond by detailed balance in d^2/D0."""
    life = one["bond_life_s"]
    return (life["value"] if isinstance(life, dict) else life) / BENCH.time_s


BALANCED = "bond life by detailed balance, factor of a few (own estimate)"


def _life_rows(one, coupling):
    """Return how soon lengths fall, and the same with what is suspected changed."""
    scale, life = BENCH.time_s, life_of(one)
    length, seen, falls = one["length"], one["bond_life_seen_s"], one["falls"]
    where = f"(d²/D0), λ = {coupling:g}, φ = 0.03"
    told = [
        (f"time in which lengths fall after switch-off {where}", life, length["value"],
         length["error"]),
        (f"the same against bonds that open and form, counted by distance alone {where}",
         laws.fall_time(falls["distance"]["first"], falls["distance"]["last"], life),
         falls["distance"]["length_s"], None),
        (f"life of standing bonds, counted {where}", life, seen["value"], seen["error"]),
    ]  # fmt: skip
    return [
        Row(what, BALANCED, law, value / scale, None if error is None else error / scale, 3.0,
            "a factor of a few")
        for what, law, value, error in told
        if value is not None
    ]  # fmt: skip


def _film_rows(found):
    """Return the time of decay of chains, and that of columns of beads without moments."""
    told = []
    if "apart" in found and found["apart"]["length"]["value"] is not None:
        told.append(("decay of a film of chains of 24 nm after switch-off",
                     found["apart"]["length"]["value"]))  # fmt: skip
    if FREED in found and found[FREED]["contacts"]["fall_s"] is not None:
        told.append(("decay of columns of beads of 0.5 µm without moments",
                     found[FREED]["contacts"]["fall_s"]))  # fmt: skip
    return [
        Row(what, YANG, "1 to 100 ms", 1e3 * time, limits=(1.0, 100.0),
            found_text=f"{1e3 * time:.2g} ms")
        for what, time in told
    ]  # fmt: skip


@record.figure(
    "Forgetting the direction",
    "Points: time in which chains of one length forget their direction after switch-off, without "
    "flow and with it; lines: rows of spheres, each dragging alone, and rods in a shared liquid.",
)
def turning_times(found):
    """Draw the times against the length."""
    with style.publication():
        figure = style.new_figure()
        axes = figure.subplots()
        grid = np.linspace(2.0, 9.0, 60)
        for flow, colour, marker, name in (
            (False, style.FIRST, "o", "no flow"), (True, style.SECOND, "s", "with flow"),
        ):  # fmt: skip
            axes.plot(grid, 1.0 / (6.0 * laws.rod_turning(grid, flow)), color=colour)
            points = [(n, *decay_time(found, flow, n)) for n in LENGTHS]
            points = [point for point in points if point[1] is not None]
            if points:
                x, y, bars = zip(*points, strict=True)
                axes.errorbar(x, y, bars, fmt=marker, color=colour, label=name, markersize=4.5)
        axes.set(xlabel="particles in a chain", ylabel="decay time (d²/D₀)", yscale="log")
        if axes.get_legend_handles_labels()[0]:
            axes.legend()
    return figure


@record.figure(
    "Correlation of directions",
    "Lines: P2 of the angle from the direction at switch-off, chains that are still whole, no "
    "flow; dashed: exp(−6 D t) of rows of spheres.",
)
def direction_curves(found):
    """Draw the correlations of single lengths."""
    with style.publication():
        figure = style.new_figure()
        axes = figure.subplots()
        for n, colour in zip(LENGTHS[:4], (*style.CHAIN_COLOURS[0], style.MARK), strict=True):
            curve = pooled(found, False, n)
            if curve is None:
                continue
            time, mean, error = curve
            axes.plot(time, mean, color=colour, label=f"{n} particles")
            axes.fill_between(time, mean - error, mean + error, color=colour, alpha=0.2)
            law = np.exp(-6.0 * laws.rod_turning(n) * time)
            axes.plot(time, law, "--", color=colour, linewidth=0.8)
        axes.set(xlabel="time after switch-off (d²/D₀)", ylabel="P₂ of the angle turned",
                 xlim=(0.0, 6.0), ylim=(-0.1, 1.05))  # fmt: skip
        if axes.get_legend_handles_labels()[0]:
            axes.legend()
    return figure


FIGURES = {one.name: one for one in (turning_times, direction_curves)}
