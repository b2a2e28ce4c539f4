"""A picture of a film at true scale: chains in a piece of its cube, and how they grow.

Run as ``python -m tests.benchmarks.true_picture DIR PICTURE`` on the folder of a measured run whose
frames hold a cut-out. Above a slab of the last frame, coloured by chain as on the page, below it
the mean lengths over time and the structure factor of the whole film from its maps.
"""

import argparse
from pathlib import Path

import numpy as np

import analysis
from analysis.chains.groups import find_chains
from analysis.pictures import style
from analysis.pictures.chain_colours import chain_colours
from analysis.pictures.film import TOP, draw_scale_bar, draw_view
from analysis.spacing.projected import MapFrames, structure_factor_of_counts
from tests.benchmarks.demo_picture import make_small

PIECE = np.array([1.3e-6, 0.42e-6, 0.12e-6])
"""Sides of the slab, m; it lies in the middle of the cube."""


def slab_of(run):
    """Return the slab of the last frame as figures of films take it."""
    frame = run.frames - 1
    positions, moments = run.positions(frame), run.moments(frame)
    diameters = run.diameters_of(frame)
    chains = find_chains(positions, moments, diameters, run.sides)
    low = 0.5 * (np.array([*run.sides, run.thickness]) - PIECE)
    held = ((positions >= low) & (positions < low + PIECE)).all(axis=1)
    places, own = positions[held] - low, chains.index[held]
    return {
        "positions": places, "diameters": diameters[held], "extent": tuple(PIECE),
        "is_part": True, "windows": (False, False),
        "colours": chain_colours(places, diameters[held], own, tuple(PIECE[:2])),
    }  # fmt: skip


def lengths(run, frame):
    """Return time in us, mean and weight mean length, share of single particles, longest chain."""
    chains = find_chains(
        run.positions(frame), run.moments(frame), run.diameters_of(frame), run.sides
    )
    size = chains.size.astype(float)
    alone = (size == 1).sum() / size.sum()
    weight = (size**2).sum() / size.sum()
    return run.times[frame] * 1e6, size.mean(), weight, alone, size.max()


def factor(run, frame):
    """Return wave numbers and the structure factor of the whole film around a circle of them."""
    counts = run.projected_count(frame)
    maps = MapFrames(run.cutout.film[:2], counts.shape, 14e-9, 100e-9, None)
    found = structure_factor_of_counts(counts, maps.grid)
    number = np.hypot(*np.meshgrid(maps.grid.qx, maps.grid.qy, indexing="ij")) * 1e-6
    bins = np.arange(0.5, number.max() / np.sqrt(2), 1.0)
    which = np.digitize(number, bins)
    means = [found[which == k].mean() for k in range(1, len(bins))]
    return 0.5 * (bins[1:] + bins[:-1]), np.array(means)


def draw(run, known=None):
    """Return the figure; of frames whose lengths are known they are not found again."""
    known = {} if known is None else known
    rows = [known.get(frame) or lengths(run, frame) for frame in range(1, run.frames)]
    with style.publication():
        figure = style.new_figure(style.DOUBLE_COLUMN, 5.0)
        figure.set_layout_engine("none")
        top = figure.add_axes((0.07, 0.5, 0.91, 0.42))
        film = slab_of(run)
        micrometre = 1e9 * PIECE
        draw_view(top, film, TOP, f"(a) {micrometre[2]:.0f} nm of the middle, "
                  f"{run.times[-1] * 1e6:.0f} µs after switch-on")  # fmt: skip
        draw_scale_bar(top, PIECE[0])
        left = figure.add_axes((0.07, 0.1, 0.39, 0.28))
        time, mean, weight, *_ = np.array(rows).T
        left.plot(time, mean, "o-", color=style.FIRST, label="mean")
        left.plot(time, weight, "s--", color=style.SECOND, label="weight mean")
        left.set(xlabel="Time (µs)", ylabel="Chain length (particles)", xlim=(0, None))
        left.set_title("(b) in the cube", loc="left")
        left.legend()
        right = figure.add_axes((0.59, 0.1, 0.39, 0.28))
        for frame, colour in ((run.frames // 2, style.SECOND), (run.frames - 1, style.FIRST)):
            right.plot(*factor(run, frame), color=colour, label=f"{run.times[frame] * 1e6:.0f} µs")
        right.set(xlabel="Wave number (µm⁻¹)", ylabel="Structure factor", xlim=(0, None))
        million = run.cutout.particles / 1e6
        right.set_title(f"(c) of all {million:.1f} million particles", loc="left")
        right.legend()
        return figure


def main():
    """Read the command line."""
    command = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    command.add_argument("folder", type=Path)
    command.add_argument("picture", type=Path)
    given = command.parse_args()
    figure = draw(analysis.open_run(given.folder))
    figure.savefig(given.picture, dpi=200)
    print(f"{given.picture}: {make_small(given.picture, given.picture) / 1000:.0f} kB")


if __name__ == "__main__":
    main()
