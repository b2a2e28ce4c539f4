"""The flow that particles stir up, on a card: agreement with the processor, repeats, cost.

    python -m tests.benchmarks.card_flow [PART ...]

Films of 3 % and 16.7 diameters' thickness, as `tests.benchmarks.flow_cost` has them. Agreement is
that of places after some steps from the same seed; repeats are those of all bits, again, in pieces
and from a checkpoint.
"""

import time

import numpy as np

from sim.engines.cpu import CpuEngine
from tests.benchmarks.card import engine_of, memory, replayed, run_parts, timed
from tests.benchmarks.flow_factors import pair_of_systems
from tests.reference.small_systems import bits, random_film

STEPS = 40


def film_with_flow(count):
    """Return a film, and where it starts."""
    system = pair_of_systems(count, 0.03, 16.7, 6.0, 12.0)[1]
    return system, random_film(system)


def agreement(count=2000):
    """Print how far both engines are apart."""
    system, state = film_with_flow(count)
    card, processor = engine_of(system, state), CpuEngine(system, state, 4)
    for steps in (1, STEPS - 1):
        for engine in (card, processor):
            engine.advance(steps)
        here, there = card.snapshot(), processor.snapshot()
        gap = np.abs(here.positions - there.positions)
        gap[:, :2] = np.minimum(gap[:, :2], np.array(system.sides) - gap[:, :2])
        turned = np.abs(here.directions - there.directions).max()
        print(
            f"after {card.step} steps: places {gap.max():.2g} d, directions {turned:.2g}; "
            f"{card.timing}; {processor.timing}",
            flush=True,
        )


def repeats(count=2000):
    """Print whether a run repeats its bits."""
    system, state = film_with_flow(count)
    whole, again, pieces, restored = (engine_of(system, state) for _ in range(4))
    for engine in (whole, again):
        engine.advance(STEPS)
    pieces.advance(13)
    pieces.observe()
    pieces.advance(6)
    restored.restore(pieces.checkpoint())
    for engine in (pieces, restored):
        engine.advance(STEPS - 19)
    wanted = bits(whole)
    print("again, pieces, restored:", [bits(one) == wanted for one in (again, pieces, restored)])


COUNTS = 500, 2000, 5000, 20_000, 200_000


def cost(counts=COUNTS):
    """Print the time of a step with the flow, and beside it that of a film without."""
    for count in counts:
        plain, system = pair_of_systems(count, 0.03, 16.7, 6.0, 12.0)
        state = random_film(system)
        for name, one in (("with flow", system), ("without", plain)):
            began = time.perf_counter()
            engine = engine_of(one, state)
            engine.advance(2 * STEPS)
            ready = time.perf_counter() - began
            took = timed(engine, 5 * STEPS) / (5 * STEPS) * 1e3
            print(
                f"{count} particles {name}: {took:.3f} ms a step, ready in {ready:.1f} "
                f"s, {memory(engine, count)}; {engine.timing}",
                flush=True,
            )


def parts(counts=COUNTS):
    """Print the times of what a step takes, and of what several steps take together."""
    for count in counts:
        engine = engine_of(*film_with_flow(count))
        engine.advance(2 * STEPS)
        for name, took in times_of_parts(engine):
            print(f"{count} particles: {name} {took:.1f} us", flush=True)


def times_of_parts(engine):
    """Yield parts of a step with their times; what they leave of the film is of no use."""
    from sim.kernels.card import layout

    batch, films = engine.batch, engine.batch.films
    near, smooth = batch.flow.near, batch.flow.smooth
    films.set_flag(layout.TARGET, [2**62])
    near.find(engine.step)
    yield "a step", replayed(batch.queue, films.recorded["step"])
    for name, part in {
        "mesh": batch.mesh.recordings.made["sum"], **near.recordings.made, **smooth.recordings.made,
    }.items():  # fmt: skip
        yield name, replayed(batch.queue, part)
    films.set_flag(layout.STATUS, [layout.GO])
    yield "no list", replayed(batch.queue, films.recorded["list"])
    spans = []
    for _ in range(3):
        films.set_flag(layout.STATUS, [layout.LIST_DUE])
        batch.queue.wait()
        began = time.perf_counter()
        films.recorded["list"]()
        batch.queue.wait()
        spans.append((time.perf_counter() - began) * 1e6)
    yield "a list, with a look", np.median(spans)
    began = time.perf_counter()
    for _ in range(10):
        near.find(engine.step)
    batch.queue.wait()
    yield "a search for noise, with looks", (time.perf_counter() - began) * 1e5


PARTS = {"agreement": agreement, "repeats": repeats, "cost": cost, "parts": parts}


if __name__ == "__main__":
    run_parts(PARTS, tuple(PARTS), __doc__)
