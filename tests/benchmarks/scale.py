"""What each part of a run and of its measurement costs a particle, against the number of these.

Run from the top of the project:
    python -m tests.benchmarks.scale [--counts 10000 100000 1000000] [PARTS]

Films are cubes at 1 % by volume, as a film of (20 um)^3 is one, with chains of eight particles
planted at random. Each part runs once to compile, then at each count; its peak of memory is what
the process holds at most meanwhile beyond what it held before (VmHWM of Linux). Seconds are of the
processor on one thread. The columns under "5.6e7" take the cost a particle of the largest
count: an extrapolation, not a measurement.
"""

import argparse
import ctypes
import gc
import math
import resource
import tempfile
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np

from analysis.chains.groups import find_chains
from analysis.kernels.slits import gaps_along
from analysis.measures.part import part_of
from analysis.spacing.distances import SpacingFrames
from analysis.spacing.waves import sum_on_grid, sum_one_by_one
from sim.engines.protocol import ENERGIES
from sim.files import checkpoint
from sim.files.run_file import Frame, RunWriter
from sim.files.selection import Selection, count_map
from sim.film.particles import draw
from sim.film.placing import random_state
from sim.film.reduce import reduce
from sim.parameters import from_text
from tests.benchmarks.machine import headline
from tests.unit.test_storage import record

DIAMETER = 14e-9
FRACTION = 0.01
LENGTH = 8
TRUE = 5.57e7
"""Particles of (20 um)^3."""
TEXT = """
[particles]
core_diameter = "10 nm"
shell_thickness = "2 nm"
volume_fraction = 0.01
[film]
thickness = "{thickness} nm"
count = {count}
[field]
strength = "50 mT"
direction = [1, 0, 0]
[run]
duration = "1 us"
"""


def planted(count):
    """Return a film of chains along x: places, moments, diameters, sides and thickness in SI."""
    side = DIAMETER * (count * math.pi / 6 / FRACTION) ** (1 / 3)
    rng = np.random.default_rng(count)
    start = rng.random((count // LENGTH, 3)) * side
    points = start[:, None] + np.arange(LENGTH)[:, None] * [1.02 * DIAMETER, 0, 0]
    points = (points.reshape(-1, 3) + 0.3e-9 * rng.standard_normal((len(start) * LENGTH, 3))) % side
    order = rng.permutation(len(points))
    moments = np.tile([1e-19, 0, 0], (len(points), 1))
    sides = np.array([side, side])
    return SimpleNamespace(
        points=points[order], moments=moments, diameters=np.full(len(points), DIAMETER),
        sides=sides, thickness=side, count=len(points),
    )  # fmt: skip


def chains_of(film):
    """Return the chains of a film, found once."""
    if not hasattr(film, "chains"):
        film.chains = find_chains(film.points, film.moments, film.diameters, film.sides)
    return film.chains


def sums_of(film):
    """Return empty sums over frames."""
    return SpacingFrames(film.sides, film.thickness, film.diameters, np.array([1.0, 0, 0]))


def long_chains(film):
    """Return the chain of each particle by its lowest one."""
    _, lowest = np.unique(chains_of(film).group, return_index=True)
    return lowest[film.chains.group]


def parameters_of(film):
    """Return the parameters of a film like it."""
    return from_text(TEXT.format(thickness=film.thickness * 1e9, count=film.count), "scale.toml")


def system_of(film):
    """Return the film in reduced units, with its drawn particles."""
    if not hasattr(film, "system"):
        film.particles = draw(parameters_of(film))
        film.system = reduce(parameters_of(film), film.particles)
    return film.system


def frame_of(film):
    """Return a frame of it."""
    return Frame(
        step=0, time=0.0, position=film.points, image=np.zeros((film.count, 3), np.int32),
        moment=film.moments.astype(np.float32), magnetisation=np.zeros(3), field=np.zeros(3),
        energies={},
    )  # fmt: skip


def write(film, cutout):
    """Write one frame into a file, whole or a cut-out."""
    sides = (*film.sides, film.thickness)
    selection = Selection.of((1e-6, 1e-6, 1e-6) if cutout else None, None, sides)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "run.h5"
        particles = SimpleNamespace(
            diameter=film.diameters, core_diameter=film.diameters, moment=film.moments[:, 0],
            sides=sides[:2], thickness=sides[2],
        )  # fmt: skip
        writer = RunWriter.create(path, record(), particles, ENERGIES, selection)
        writer.append(frame_of(film))
        writer.flush()
        writer.close()


def save_checkpoint(film):
    """Save as many numbers a particle as the processor's checkpoint holds with a mesh."""
    rows = {f"row{k}": film.points[:, k % 3].copy() for k in range(12)}
    with tempfile.TemporaryDirectory() as folder:
        kept = checkpoint.Checkpoint("a", 1, 1, {}, rows)
        checkpoint.save(Path(folder) / "checkpoint.h5", kept)
        checkpoint.load(Path(folder) / "checkpoint.h5")


def slits(film):
    """Look along one line, of which a frame has 200 and more."""
    line = np.array([0.0, 1.0])
    gaps_along(film.points, film.diameters, film.sides, 0 * line, line, film.sides[1])


def modes(film):
    """Return the modes that a measurement of it takes."""
    grid = sums_of(film).grid
    return len(grid.qx) // 2, len(grid.qy) - 1


def last_frame(film):
    """Return the part of it for pictures and viewers."""
    chains = chains_of(film)
    return part_of(
        {"positions": film.points, "moments": film.moments, "diameters": film.diameters,
         "chain_index": chains.index,
            "chain_length": chains.size[chains.group], "bonds": chains.bonds, "sides": film.sides,
         "thickness": film.thickness}
    )  # fmt: skip


def cut(film):
    """Write a cut-out of (1 um)^3."""
    write(film, cutout=True)


def whole(film):
    """Write a whole frame."""
    write(film, cutout=False)


PARTS = {
    "sizes drawn": (None, lambda film: draw(parameters_of(film))),
    "random start": (system_of, lambda film: random_state(film.system, 1)),
    "map of counts, 20 nm": (None, lambda film: count_map(
        film.points, film.sides, (int(film.sides[0] / 20e-9),) * 2)),
    "frame written, whole": (None, whole),
    "frame written, (1 um)^3": (None, cut),
    "checkpoint, there and back": (None, save_checkpoint),
    "chains": (None, lambda film: find_chains(
        film.points, film.moments, film.diameters, film.sides)),
    "S(q), transform": (None, lambda film: sum_on_grid(film.points, film.sides, modes(film))),
    "S(q), plain sum": (None, lambda film: sum_one_by_one(film.points, film.sides, modes(film))),
    "distances of chains": (chains_of, lambda film: sums_of(film)._add_distances(
        film.points, long_chains(film))),
    "distances in the plane": (chains_of, lambda film: sums_of(film)._add_nearest_in_plane(
        film.points, long_chains(film))),
    "widths": (chains_of, lambda film: sums_of(film)._add_widths(
        film.points, film.chains, long_chains(film))),
    "covered area": (None, lambda film: sums_of(film)._add_cover(film.points)),
    "slits, a line": (None, slits),
    "part for pictures": (chains_of, last_frame),
}  # fmt: skip
"""What is made before, and what is timed."""
M_MMAP_THRESHOLD = -3
"""Of mallopt, from malloc.h of the GNU C library."""
MOST = {"S(q), plain sum": 30_000}
"""Parts that are not run with more particles."""


def memory(name):
    """Return a line of the process's status in bytes."""
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return 1024 * next(int(line.split()[1]) for line in lines if line.startswith(name))


def cost(part, film):
    """Return seconds and peak bytes of a part."""
    before, run = PARTS[part]
    if before is not None:
        before(film)
    gc.collect()
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")  # the peak begins here
    held = memory("VmRSS")
    began = time.process_time()
    run(film)
    return time.process_time() - began, memory("VmHWM") - held


def main():
    """Print a row a part."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--counts", type=int, nargs="+", default=[10_000, 100_000, 1_000_000])
    words.add_argument("parts", nargs="*", metavar="PARTS", help=", ".join(PARTS))
    given = words.parse_args()
    headline()
    # Arrays that are freed go back at once, so that each part's own peak is seen.
    ctypes.CDLL(None).mallopt(M_MMAP_THRESHOLD, 65_536)
    chosen = given.parts or list(PARTS)
    found = {part: [] for part in chosen}
    for part in chosen:
        cost(part, planted(4_000))
    for count in given.counts:
        film = planted(count)
        for part in chosen:
            if count <= MOST.get(part, count):
                found[part].append(cost(part, film))
    head = "".join(f" {f'{count:.0e}':>16}" for count in given.counts)
    print(f"{'us and bytes a particle':28}{head} {'5.6e7, s':>10} {'GB':>6}")
    for part, costs in found.items():
        counts = given.counts[: len(costs)]
        cells = [
            f"{1e6 * s / n:8.3g} {b / n:7.0f}" for n, (s, b) in zip(counts, costs, strict=True)
        ]
        seconds, most = (TRUE / counts[-1] * value for value in costs[-1])
        cells += [" " * 16] * (len(given.counts) - len(cells))
        print(f"{part:28} {' '.join(cells)} {seconds:10.3g} {most / 1e9:6.3g}", flush=True)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(f"peak of the process {peak / 1e6:.3g} GB")


if __name__ == "__main__":
    main()
