"""Films of a batch on a graphics card: the bits that each has alone, and what many cost together.

Run as ``python -m tests.benchmarks.card_batch [PART ...]`` on a machine with a card.
"""

import contextlib
import dataclasses
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import h5py

from sim.files.comparison import compare_runs
from sim.film.inner_steps import LONGEST_OUTER
from sim.kernels.card import layout
from tests.benchmarks.card import (
    KINDS,
    engine_of,
    on_a_lattice,
    replayed,
    run_parts,
    system_of,
    timed,
    times_of_kernels,
)
from tests.reference.small_systems import bits, random_film, spread_diameters

FILMS = 5


def batch_of(systems, states):
    """Return the engines of films that step together."""
    from sim.engines.card.engine import Seats

    seats = Seats()
    return [seats()(system, state, 1) for system, state in zip(systems, states, strict=True)]


def advance(engines, *steps):
    """Advance engines together, each by as many steps, or each by its own; return failures."""
    from sim.engines.card.engine import advance_together

    each = steps * len(engines) if len(steps) == 1 else steps
    asked = {str(k): (one, n) for k, (one, n) in enumerate(zip(engines, each, strict=True))}
    return advance_together(asked)


def films_of(name, films=FILMS, count=2000, **changes):
    """Return films of a kind in fields and from seeds of their own."""
    given = {**KINDS[name], **changes}
    if "sizes" in name:
        given["diameter"] = spread_diameters(count)
    systems = [system_of(count, **{**given, "langevin": 4.0 + 2.0 * k}) for k in range(films)]
    states = [
        dataclasses.replace(random_film(system, seed), seed=seed)
        for seed, system in enumerate(systems)
    ]
    return systems, states


def same_bits(names=("soft core", "surfactant, sizes", "inner steps", "mesh, inner steps")):
    """Print whether films have the same bits alone and in a batch, also in ragged pieces."""
    for name in names:
        systems, states = films_of(name)
        steps = 300 if systems[0].inner_steps == 1 else 48
        alone = [engine_of(system, state) for system, state in zip(systems, states, strict=True)]
        for one in alone:
            one.advance(steps)
        wanted = [bits(one) for one in alone]
        seen = [one.observe()["dipolar"] for one in alone]
        batch = batch_of(systems, states)
        failed = advance(batch, steps)
        same = [bits(one) == bit for one, bit in zip(batch, wanted, strict=True)]
        energies = [one.observe()["dipolar"] for one in batch] == seen
        ragged = batch_of(systems, states)
        advance(ragged, 1, 2, 3, 4, 5)
        ragged[2].observe()
        again = batch_of(systems, states)
        for one, other in zip(again, ragged, strict=True):
            one.restore(other.checkpoint())
        advance(again, *(steps - k for k in (1, 2, 3, 4, 5)))
        went_on = [bits(one) == bit for one, bit in zip(again, wanted, strict=True)]
        mesh = batch[0].batch.mesh
        parts = "" if mesh is None else f"; transforms of {mesh._parts[0]} at once"
        print(
            f"{name}: in a batch {same}, energies {energies}, ragged and restored {went_on}, "
            f"failed {failed}{parts}; {batch[0].timing}",
            flush=True,
        )


def batch_on_a_lattice(name, films, count):
    """Return the engines of a batch of chained films of a kind."""
    system = system_of(count, **{**KINDS[name], "list_margin": 1.0, "langevin": 10.0})
    if system.mesh is not None:
        system = dataclasses.replace(system, mesh_every=4)
    states = [dataclasses.replace(on_a_lattice(system), seed=k) for k in range(films)]
    return batch_of([system] * films, states)


def throughput(films=64, count=2000, names=("inner steps", "mesh, inner steps")):
    """Print particles times film time of many small films, of one as large, and of one of 1e6.

    Of the first two also what their kernels take.
    """
    for name in names:
        pairs = (films, count), (1, films * count), (1, 1_000_000)
        units = [speed_of(name, *pair, count * films == pair[0] * pair[1]) for pair in pairs]
        for (batch, one), made in zip(pairs, units, strict=True):
            share = made / units[-1]
            print(f"{name}: {batch} of {one} make {share:.2f} of one of 1e6 (goal 0.5)", flush=True)


def speed_of(name, films, count, with_kernels=False):
    """Return particles times film time a second of a batch, and print what a step takes."""
    began = time.perf_counter()
    engines = batch_on_a_lattice(name, films, count)
    advance(engines, 100)
    made = time.perf_counter() - began
    steps = 200 if count < 1_000_000 else 40
    took = timed(_Together(engines), steps)
    units = films * count * steps * LONGEST_OUTER / took
    print(
        f"{name}, {films} of N = {count}: {took / steps * 1e3:.3f} ms a step, "
        f"{units:.4g} particles d^2/D a second; {engines[0].timing['lists_built']} lists; made in "
        f"{made:.1f} s, {engines[0].memory() / count / films:.0f} bytes a particle",
        flush=True,
    )
    if with_kernels:
        print_kernels(engines[0])
    return units


def print_kernels(engine):
    """Print what kernels and recordings of a step take; the films are of no use afterwards."""
    films, queue = engine.batch.films, engine.batch.queue
    if engine.batch.mesh is not None:
        took = replayed(queue, engine.batch.mesh.recordings.made["sum"])
        print(f"  mesh: {took:.1f} us", flush=True)
        return
    print(f"  {films._lists // engine.system.count} threads a slot")
    for kernel, took in times_of_kernels(engine, with_sort=True):
        print(f"  {kernel.__name__}: {took:.1f} us", flush=True)
    films.set_flag(layout.STATUS, [layout.GO])
    for told, work in (("a step", films._step), ("lists, none due", films._fresh)):
        print(f"  {told}: {replayed(queue, queue.record(work)):.1f} us", flush=True)


def compiled(name, count, most=8):
    """Compile the kernels of a kind, so that they are kept."""
    from sim.engines.card import film

    film.MOST_SHARES = most
    batch_on_a_lattice(name, 1, count)[0].compile()


def variants(films=64, count=2000):
    """Print the same with fewer threads a slot, and with several steps to a look for lists."""
    from sim.engines.card import film

    def several(self):
        self._fresh()
        for _ in range(steps):
            self._step()

    for film.MOST_SHARES, steps in ((4, 1), (8, 2), (2, 1), (8, 3)):
        film.CardFilm._round = several
        print(f"up to {film.MOST_SHARES} threads a slot, {steps} steps after lists", flush=True)
        speed_of("inner steps", films, count)


SWEEP = """
[particles]
material = "custom"
magnetisation = "446 kA/m"
anisotropy = "11 kJ/m^3"
density = "5180 kg/m^3"
core_diameter = "16 nm"
shell_thickness = "2 nm"
volume_fraction = 0.03
[film]
thickness = "0.4 um"
count = 2000
[repulsion]
kind = "soft_core"
[field]
strength = "20 mT"
direction = [1, 0, 0]
[run]
duration = "{duration}"
[output]
frames = 20
[sweep]
"field.strength" = ["10 mT", "20 mT", "40 mT"]
replicas = 2
"""


def sweeps(duration="1.2 ms", device="gpu"):
    """Print whether a sweep left alone and one that is stopped and killed have the same frames.

    The second is stopped by SIGINT at a third of its steps, goes on, is killed by SIGKILL at two
    thirds with all its workers, and goes on to its end.
    """
    signal.signal(signal.SIGINT, signal.default_int_handler)  # shells let jobs ignore it
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        file = folder / "sweep.toml"
        file.write_text(SWEEP.format(duration=duration), encoding="utf-8")
        alone = started(file, folder / "alone", device)
        print(f"left alone: exit {alone.wait()}", flush=True)
        for share, number in ((1 / 3, signal.SIGINT), (2 / 3, signal.SIGKILL), (2.0, None)):
            process = started(file, folder / "stopped", device)
            step = ended(process, folder / "stopped", share, number)
            print(f"{number or 'left to its end'}: exit {process.wait()}, step {step}", flush=True)
        runs = sorted(path.parent.relative_to(folder / "alone")
                      for path in folder.glob("alone/runs/*/run.h5"))  # fmt: skip
        for run in runs:
            found = compare_runs(folder / "alone" / run, folder / "stopped" / run)
            with h5py.File(folder / "stopped" / run / "run.h5") as one:
                frames = int(one["parameters/frames_complete"][()])
            told = f"same {found.same}, {frames} frames; differ: {found.of('frames')}"
            print(f"{run.name}: {told}", flush=True)


def started(file, folder, device):
    """Start a sweep in a session of its own; it goes on where it was."""
    words = ["sweep", file, "-o", folder, "--resume", "--device", device, "--no-plots", "-q"]
    return subprocess.Popen(
        [sys.executable, "-W", "ignore", "-m", "sim", *map(str, words)], start_new_session=True
    )


def ended(process, folder, share, number):
    """Send a signal to a sweep that has come so far; return the step that was seen last."""
    step = 0
    while process.poll() is None:
        for path in folder.glob("runs/*/progress.json"):
            with contextlib.suppress(OSError, ValueError):  # half written, or just gone
                told = json.loads(path.read_text(encoding="utf-8"))
                step = told["step"]
                if step >= share * told["steps"]:
                    send = os.killpg if number == signal.SIGKILL else os.kill
                    send(process.pid, number)
                    process.wait()
                    return step
        time.sleep(0.05)
    return step


class _Together:
    """Films that `timed` advances as one."""

    def __init__(self, engines):
        self.engines = engines

    def advance(self, steps):
        failed = advance(self.engines, steps)
        if failed:
            raise next(iter(failed.values()))


PARTS = {
    "same_bits": same_bits, "throughput": throughput, "sweeps": sweeps, "variants": variants,
}  # fmt: skip


if __name__ == "__main__":
    run_parts(PARTS, ("same_bits", "throughput", "sweeps"), __doc__)
