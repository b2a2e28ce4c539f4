"""A film at true scale on a graphics card: (20 um)^3 at 1 % of 14 nm particles, mesh and field on.

Run as ``python -m tests.benchmarks.true_film OUT [--count N] [--until S]``. It steps until it has
run for so many seconds and says what an outer step, a millisecond and a particle cost, and what has
formed in a cube cut out of the film, with a picture.
"""

import argparse
import dataclasses
import time
from pathlib import Path

import numpy as np

from sim.film.inner_steps import LONGEST_OUTER
from tests.benchmarks.card import system_of
from tests.reference.small_systems import state_of, unit_vectors

COUNT = 55_700_000
DIAMETER = 14e-9
SIDE = 20e-6 / DIAMETER
UNIT_S = 6.24e-6
"""d^2/D of such a particle in water, 3 pi 1e-3 Pa s d^3/kT, at 300 K."""
CUBE = 120.0
BOND = 1.3
"""Centres nearer than this count as bound, in diameters (about the minimum of soft cores)."""


def film_of(count):
    """Return the film, or a smaller patch of it, coupling 4, Langevin parameter 10 along x."""
    thickness = SIDE * min(1.0, (count / COUNT) ** (1.0 / 3.0))
    return dataclasses.replace(
        system_of(
            count, fraction=0.01, thickness=thickness, dt=LONGEST_OUTER, inner_steps=8,
            list_margin=1.0, dipole_sum="mesh", tolerance=1e-3,
        ),
        mesh_every=8,
    )  # fmt: skip


def loose_lattice(system, seed=1):
    """Return particles on a lattice, each moved at random as far as none can touch another."""
    count = system.count
    spacing = (system.sides[0] * system.sides[1] * system.thickness / count) ** (1.0 / 3.0)
    levels = int(system.thickness / spacing)
    across = int(np.ceil(np.sqrt(count / levels)))
    number = np.arange(count)
    column, level = number // levels, number % levels
    step = system.sides[0] / across, system.thickness / levels
    room = 0.5 * (min(step) - 1.1)
    places = np.random.default_rng(seed).uniform(-room, room, (count, 3))
    places[:, 0] += (column % across + 0.5) * step[0]
    places[:, 1] += (column // across + 0.5) * step[0]
    places[:, 2] += (level + 0.5) * step[1]
    return state_of(places, unit_vectors(count, seed))


def prepared(system):
    """Return an engine of the film; kernels are compiled while particles are placed."""
    from sim.engines.card.ahead import Ahead

    began = time.perf_counter()
    ahead = Ahead(system)
    start = loose_lattice(system)
    print(f"start {time.perf_counter() - began:.0f} s", flush=True)
    engine = ahead(system, start, 1)
    print(f"compiled {time.perf_counter() - began:.0f} s", flush=True)
    engine.compile()
    print(f"ready {time.perf_counter() - began:.0f} s", flush=True)
    return engine


def stepped(engine, until):
    """Step until so late; print the cost of an outer step now and then."""
    began, steps = time.perf_counter(), 0
    while time.perf_counter() < until:
        piece = time.perf_counter()
        engine.advance(8)
        steps += 8
        if steps in (8, 16, 32) or steps % 80 == 0:
            took = (time.perf_counter() - piece) / 8
            print(f"step {steps}: {took:.4f} s an outer step", flush=True)
    return steps, time.perf_counter() - began


def cube_of(engine):
    """Return places and directions of the particles in a cube in the middle of the film."""
    from sim.engines.card.arrays import as_positions
    from sim.kernels.card import layout

    batch, count = engine.batch, engine.system.count
    flags, content = batch.films.flags()[0], batch.films.content
    rows = batch.queue.view(content.rows).reshape(layout.rows_shape(count))
    with batch.queue.whole():
        shares = rows[flags[layout.BUFFER], 0, :, :3].copy().get()
    places = as_positions(shares, batch.films.periods)
    middle = 0.5 * np.array([*engine.system.sides, engine.system.thickness])
    inside = np.all(np.abs(places - middle) < 0.5 * CUBE, axis=1)
    directions = batch.queue.get(content.directions, (0, flags[layout.SIDE]))
    return places[inside] - middle + 0.5 * CUBE, directions[:, inside].T


def chains(places):
    """Return the number of bound particles of each chain's particle, and the mean length."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    pairs = cKDTree(places).query_pairs(BOND, output_type="ndarray")
    graph = coo_matrix((np.ones(len(pairs)), pairs.T), shape=(len(places),) * 2)
    number, label = connected_components(graph, directed=False)
    sizes = np.bincount(label, minlength=number)
    return sizes[label], len(places) / number


def picture(path, places, directions, sizes, words):
    """Draw a slab of the cube: particles in their size, coloured by the length of their chain."""
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt
    from matplotlib.collections import EllipseCollection

    slab = np.abs(places[:, 2] - 0.5 * CUBE) < 6.0
    order = np.argsort(places[slab, 2])
    shown, colour = places[slab][order], np.minimum(sizes[slab][order], 8)
    figure, axes = plt.subplots(figsize=(10, 9))
    ones = np.ones(len(shown))
    discs = EllipseCollection(
        ones, ones, np.zeros(len(shown)), units="xy", offsets=shown[:, :2],
        offset_transform=axes.transData, array=colour, cmap="viridis",
    )  # fmt: skip
    axes.add_collection(discs)
    axes.quiver(
        shown[:, 0], shown[:, 1], *directions[slab][order][:, :2].T, scale=90, width=8e-4,
        headwidth=2,
    )  # fmt: skip
    axes.set(xlim=(0, CUBE), ylim=(0, CUBE), aspect="equal", xlabel="x / d, the field", title=words)
    figure.colorbar(discs, label="particles of its chain, 8 for more")
    figure.savefig(path, dpi=110)


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--count", type=int, default=COUNT)
    parser.add_argument("--until", type=float, default=120.0)
    given = parser.parse_args()
    began = time.perf_counter()
    system = film_of(given.count)
    print(f"{system.count} particles, mesh {system.mesh.points}, range {system.mesh.cutoff}")
    engine = prepared(system)
    before = engine.observe()
    print(f"dipolar {before['dipolar']:.4f} kT, {engine.memory() / 1e9:.1f} GB", flush=True)
    steps, spent = stepped(engine, began + given.until)
    print(f"{steps} outer steps in {spent:.1f} s, {spent / steps:.4f} s each", flush=True)
    after = engine.observe()
    time_s = steps * system.dt * UNIT_S
    places, directions = cube_of(engine)
    sizes, mean = chains(places)
    words = (
        f"{system.count} particles after {time_s * 1e6:.1f} us: mean chain {mean:.2f}, "
        f"{np.mean(sizes > 1):.2f} of all bound"
    )
    print(
        f"{engine.memory() / system.count:.0f} bytes a particle; a millisecond of the film takes "
        f"{spent / time_s * 1e-3 / 3600:.2f} h; dipolar {after['dipolar']:.4f} kT, magnetisation "
        f"{after['magnetisation']}; lists {engine.timing['lists_built']}; {words}; longest "
        f"{sizes.max()}",
        flush=True,
    )
    picture(given.out / "true_film.png", places, directions, sizes, words)


if __name__ == "__main__":
    main()
