"""Figures of what the flow that particles stir up changes: growth, decay, diffusion, factors.

    python -m tests.benchmarks.flow_pictures [JOBS.jsonl] [--folder FOLDER]

from lines with curves that `tests.benchmarks.flow_factors` wrote, and the table that is in use;
without lines, the table alone. Beside the
diffusion of chains stands that of rods in endless liquid: M. M. Tirado and J. Garcia de la Torre,
J. Chem. Phys. 71, 2581 (1979) (from memory); beside the growth the rate at which two dipoles meet,
by quadrature (`tests/published/test_flow_pairs.py`).
"""

import argparse
import json
import math
from pathlib import Path

import numpy as np

from analysis.common.flow_factors import DECAY, GROWTH, TURNING
from analysis.pictures import style
from sim.interactions.flow.plan import plan_flow
from tests.benchmarks.demo_picture import make_small
from tests.published.test_flow_pairs import factor_of_meeting
from tests.reference.flow import DenseFlow

FOLDER = Path("runs_demo/growing_chains")
LENGTHS = (1, 2, 3, 5, 7, 10, 14, 20)
THICKNESS = 12.0
WIDE = 60.0
PLACES = {"stirred": ("with flow", style.FIRST), "plain": ("without", style.SECOND)}


def row_mobility(n):
    """Return the mobility of a straight row midway in a film, along it and across in the film."""
    radius = np.full(n, 0.5)
    flow = DenseFlow(plan_flow((WIDE, WIDE), THICKNESS, radius), radius)
    place = np.arange(n) + 0.5 * (WIDE - n)
    flow.see(np.stack([place, np.full(n, 30.2), np.full(n, 0.5 * THICKNESS)], axis=1))
    found = []
    for axis in (0, 1):
        matrix = np.zeros((n, n))
        for i in range(n):
            force = np.zeros((3, n))
            force[axis, i] = 1.0
            matrix[:, i] = (flow.smooth_velocity(force) + flow.near_velocity(force))[axis]
        found.append(1.0 / np.linalg.solve(matrix, np.ones(n)).sum())
    return found


def rod_mobility(n):
    """Return the mobility of a rod as long and thick as n spheres, along and across, over one's."""
    end = np.log(n) - 0.207 + 0.980 / n - 0.133 / n**2
    side = np.log(n) + 0.839 + 0.185 / n + 0.233 / n**2
    return 3.0 / (2.0 * n) * end, 3.0 / (4.0 * n) * side


def draw_curves(axes, result, upto):
    """Draw the mean length over time with and without flow."""
    for kind, (name, colour) in PLACES.items():
        times, lengths = (np.array(values) for values in result["curves"][kind])
        axes.plot(times, lengths, color=colour, label=name, linewidth=1.1)
    axes.set(xlabel="time ($d^2/D_0$)", ylabel="mean length (particles)", xlim=(0.0, upto))
    axes.set_ylim(1.0)
    style.legend_above(axes)


def draw_diffusion(axes):
    """Draw the diffusion of chains against their length."""
    found = np.array([row_mobility(n) for n in LENGTHS])
    n = np.array(LENGTHS, float)
    fine = np.linspace(2.0, 20.0, 60)
    end, side = rod_mobility(fine)
    axes.plot(n, found[:, 0], "o-", color=style.FIRST, markersize=3, label="along")
    axes.plot(n, found[:, 1], "s-", color=style.THIRD, markersize=3, label="across")
    axes.plot(n, 1.0 / n, color=style.SECOND, label="without flow")
    axes.plot(fine, end, ":", color=style.QUIET, linewidth=0.9, label="rods, no windows")
    axes.plot(fine, side, ":", color=style.QUIET, linewidth=0.9)
    axes.set(xscale="log", yscale="log", xlabel="particles in the chain", ylabel="$D/D_0$")
    axes.set_xticks([1, 2, 5, 10, 20], ["1", "2", "5", "10", "20"])
    axes.set_yticks([0.05, 0.1, 0.2, 0.5, 1.0], ["0.05", "0.1", "0.2", "0.5", "1"])
    axes.minorticks_off()
    axes.legend(fontsize=style.SMALL_POINTS, loc="lower left", frameon=False)


def draw_factors(axes):
    """Draw the table: growth by film, turning, decay."""
    fractions = sorted({fraction for fraction, _ in GROWTH})
    colours = dict(zip(fractions, (style.FIRST, style.SECOND, style.THIRD), strict=True))
    marks = dict(zip(sorted({thick for _, thick in GROWTH}), "^os", strict=False))
    for (fraction, thick), row in GROWTH.items():
        length, value, error = np.array(row).T
        axes.errorbar(
            length * (1.0 + 0.01 * thick / 12.0), value, error, fmt=marks[thick] + "-",
            color=colours[fraction], markersize=3, linewidth=0.8, capsize=1.5,
            label=f"growth, {100.0 * fraction:g} %, {thick:g} d",
        )  # fmt: skip
    for thick, row in TURNING.items():
        length, value, error = np.array(row).T
        axes.errorbar(
            length, value, error, fmt=marks[thick] + "--", color=style.MARK, markersize=3,
            linewidth=0.8, capsize=1.5, label=f"turning, {thick:g} d",
        )  # fmt: skip
    for at, (thick, row) in enumerate(DECAY.items()):
        _, value, error = np.array(row).T
        mean = np.average(value, weights=error**-2.0)
        axes.errorbar(
            27.0 * 1.15**at, mean, 1.0 / math.sqrt(np.sum(error**-2.0)), fmt=marks[thick],
            color=style.INK, markersize=3, capsize=1.5, label=f"decay, any length, {thick:g} d",
        )  # fmt: skip
    axes.axhline(factor_of_meeting(5.0), color=style.QUIET, linestyle=":", linewidth=0.9)
    axes.text(7.0, factor_of_meeting(5.0) + 0.01, "two dipoles meet", fontsize=style.SMALL_POINTS)
    axes.axhline(1.0, color=style.FAINT, linewidth=0.8, zorder=0)
    axes.set(xscale="log", xlabel="chain length (particles)", ylabel="time without over with flow")
    axes.set_xticks([1.5, 2, 3, 5, 10, 20], ["1.5", "2", "3", "5", "10", "20"])
    axes.minorticks_off()
    axes.legend(
        fontsize=style.SMALL_POINTS, loc="center left", bbox_to_anchor=(1.01, 0.5), frameon=False
    )


def main():
    """Draw the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("jobs", type=Path, nargs="?")
    parser.add_argument("--folder", type=Path, default=FOLDER)
    given = parser.parse_args()
    millimetre = style.MILLIMETRE
    names = ["flow_factors.png"]
    with style.publication():
        if given.jobs is not None:
            results = {one["job"]: one for one in map(json.loads, given.jobs.open())}
            figure = style.new_figure(width=170 * millimetre, height=62 * millimetre)
            grown, fallen, moved = figure.subplots(1, 3)
            draw_curves(grown, results["growth-0.03-12.0-0"], None)
            draw_curves(fallen, results["decay-0.01-30.0-0"], 0.8)
            draw_diffusion(moved)
            style.save(figure, given.folder / "with_flow.png")
            names.append("with_flow.png")
        figure = style.new_figure(width=130 * millimetre, height=70 * millimetre)
        draw_factors(figure.subplots())
        style.save(figure, given.folder / "flow_factors.png")
    for name in names:
        print(name, make_small(given.folder / name, given.folder / name), "bytes")


if __name__ == "__main__":
    main()
