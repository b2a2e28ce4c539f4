"""What a particle of a film at true scale costs a step in smaller patches of the same film.

Run as ``python -m tests.benchmarks.true_cost FILE [--counts N ...] [--steps S]``. The film of the
file in cubes that hold so many of its particles, each stepped from its start as a run does it, with
lists of the margin that a run gives films of that size, then with that of the largest films.
"""

import argparse
import math
import time
import tomllib
from pathlib import Path

import sim
from sim.engines.card import memory
from sim.engines.card.engine import CardEngine
from sim.run.setup import RunSetup

PIECE = 200
"""Steps that are timed together, as many as lie between frames of the demo at true scale."""


def cube_of(file, count):
    """Return the set-up of a film of a file in a cube with so many of its particles."""
    given = sim.load(file).particles
    volume = math.pi / 6.0 * (given.core_diameter + 2.0 * given.shell_thickness) ** 3
    side = (count * volume / given.volume_fraction) ** (1.0 / 3.0)
    content = tomllib.loads(file.read_text(encoding="utf-8"))
    content["film"] = {"thickness": f"{side:.9g} m", "width": f"{side:.9g} m"}
    content["output"] = {"frames": 2}
    return RunSetup(sim.load(content), None, "gpu")


def engines_of(setup):
    """Yield names and engines of a film with both margins; the first as a run makes it."""
    usual = memory.MOST_WIDE
    setup.require_ready(begins=True)
    yield "as a run", setup.engine_factory(setup.system, setup.state, setup.threads)
    if setup.system.count <= usual:
        memory.MOST_WIDE = 0
        yield "as the largest films", CardEngine(setup.system, setup.state)
        memory.MOST_WIDE = usual


def stepped(engine, steps):
    """Print what pieces of so many steps cost."""
    count = engine.system.count
    for _ in range(steps // PIECE):
        built, began = engine.timing["lists_built"], time.perf_counter()
        engine.advance(PIECE)
        step = (time.perf_counter() - began) / PIECE
        lists = (engine.timing["lists_built"] - built) / PIECE
        print(
            f"  up to step {engine.step}: {step * 1e3:.3f} ms, {step / count * 1e9:.3f} ns a "
            f"particle, {lists:.3f} lists a step",
            flush=True,
        )


def main():
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("file", type=Path)
    parser.add_argument("--counts", type=float, nargs="+", default=[1e6, 1e7])
    parser.add_argument("--steps", type=int, default=3 * PIECE)
    given = parser.parse_args()
    for count in given.counts:
        setup, began = cube_of(given.file, count), time.perf_counter()
        for name, engine in engines_of(setup):
            engine.compile()
            system = engine.batch.systems[0]
            print(
                f"{system.count} particles, margin {system.list_margin:g} ({name}), mesh "
                f"{system.mesh.points} every {system.mesh_every}, range {system.mesh.cutoff:.2f}, "
                f"window {system.mesh.width}, {system.inner_steps} inner steps of {system.dt:.3g}; "
                f"ready {time.perf_counter() - began:.1f} s, "
                f"{engine.memory() / system.count:.0f} bytes a particle",
                flush=True,
            )
            stepped(engine, given.steps)


if __name__ == "__main__":
    main()
