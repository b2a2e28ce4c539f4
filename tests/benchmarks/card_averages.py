"""Averages and growth of chains on a graphics card beside those of the processor, over seeds.

Run as ``python -m tests.benchmarks.card_averages [KIND ...] --seeds N --processes N`` on a machine
with a card; kinds are those of `tests.benchmarks.card`. Films of one kind step together on the card
while processes step the same film with other seeds.
"""

import argparse
import dataclasses
import multiprocessing
import time
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from sim.engines.cpu import CpuEngine
from tests.benchmarks.card import KINDS, system_of
from tests.benchmarks.card_batch import advance, batch_of
from tests.benchmarks.flow_factors import mean_length
from tests.reference.small_systems import random_film

LENGTH = {"inner steps": 750, "mesh, inner steps": 750, "beads": 3000, "beads, mesh": 3000}
"""Steps of a run; 5000 of other kinds."""
LOOKS = 30
NAMES = ("dipolar", "steric", "field", "induction")
TABLE = (*NAMES, "magnetisation", "mean length, half way", "at the end")
CARD, PROCESSOR = 100, 200
"""First seeds of both."""


def start_of(name, seed, count):
    """Return system and start of a film of a kind."""
    system = system_of(count, **{"coupling": 3.0, **KINDS[name]})
    return system, dataclasses.replace(random_film(system, seed), seed=seed)


def followed(engines, steps, advance):
    """Return the rows of TABLE, (films, columns): averages over the last half, and growth."""
    advance(engines, steps // 2)
    length = [length_of(one) for one in engines]
    seen = []
    for _ in range(LOOKS):
        advance(engines, steps // 2 // LOOKS)
        found = [one.observe() for one in engines]
        seen.append([[*(one.get(k, 0.0) for k in NAMES), one["magnetisation"][0]] for one in found])
    end = [length_of(one) for one in engines]
    return np.column_stack([np.mean(seen, axis=0), length, end])


def length_of(engine):
    """Return the mean length of chains: touching, head to tail."""
    state = engine.snapshot()
    size = np.linalg.norm(state.directions, axis=1)[:, None]
    return mean_length(
        dataclasses.replace(state, directions=state.directions / size), engine.system
    )


def on_processor(name, seed, count, steps):
    """Return the row of a film on the processor, on one thread; no steps compile it alone."""
    engine = CpuEngine(*start_of(name, seed, count), 1)
    if steps == 0:
        engine.advance(1)
        engine.observe()
        return None
    return followed([engine], steps, lambda engines, n: engines[0].advance(n))[0]


def compare(name, seeds, processes, count=500):
    """Print averages of a kind on both, with errors; those beyond two errors apart are marked."""
    steps = LENGTH.get(name, 5000)
    began = time.perf_counter()
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, mp_context=spawn) as pool:
        pool.submit(on_processor, name, PROCESSOR, count, 0).result()  # compiles
        theirs = [
            pool.submit(on_processor, name, PROCESSOR + k, count, steps) for k in range(seeds)
        ]
        films = [start_of(name, CARD + k, count) for k in range(seeds)]
        engines = batch_of(*zip(*films, strict=True))
        found = [followed(engines, steps, advance)]
        on_card = time.perf_counter() - began
        found.append(np.array([one.result() for one in theirs]))
    print(f"{name}: card done after {on_card:.0f} s, all after {time.perf_counter() - began:.0f} s")
    (here, error), (there, its_error) = (
        (rows.mean(axis=0), rows.std(axis=0, ddof=1) / np.sqrt(seeds)) for rows in found
    )
    for k, column in enumerate(TABLE):
        both = float(np.hypot(error[k], its_error[k]))
        if both == 0.0:
            continue
        apart = (here[k] - there[k]) / both
        print(
            f"  {column}: card {here[k]:.5f} ({error[k]:.5f}), processor {there[k]:.5f} "
            f"({its_error[k]:.5f}), {apart:.1f} standard errors apart{' !' * int(abs(apart) > 2)}",
            flush=True,
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kinds", nargs="*", default=list(LENGTH), metavar="KIND")
    parser.add_argument("--seeds", type=int, default=12)
    parser.add_argument("--processes", type=int, default=8)
    given = parser.parse_args()
    for kind in given.kinds:
        compare(kind, given.seeds, given.processes)
