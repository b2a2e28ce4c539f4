"""The flow that particles stir up, on a card: agreement with the processor, repeats, cost.

    python -m tests.benchmarks.card_flow [PART ...]

Films of 3 % and 16.7 diameters' thickness, as `tests.benchmarks.flow_cost` has them. Agreement is
that of places after some steps from the same seed; repeats are those of all bits, again, in pieces
and from a checkpoint.
"""

import time

import numpy as np

from sim.engines.card.engine import CardEngine
from sim.engines.cpu import CpuEngine
from tests.benchmarks.card import run_parts
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
    card, processor = CardEngine(system, state), CpuEngine(system, state, 4)
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
    whole, again, pieces, restored = (CardEngine(system, state) for _ in range(4))
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


def cost(counts=(500, 2000, 20_000, 200_000), beside=True):
    """Print the time of a step with the flow, and ``beside`` it that of a film without."""
    for count in counts:
        began = time.perf_counter()
        plain, system = pair_of_systems(count, 0.03, 16.7, 6.0, 12.0)
        state = random_film(system)
        for name, one in (("with flow", system), ("without", plain))[: 1 + beside]:
            engine = CardEngine(one, state)
            engine.advance(2 * STEPS)
            ready, times = time.perf_counter() - began, []
            for _ in range(3):
                began = time.perf_counter()
                engine.advance(STEPS)
                times.append((time.perf_counter() - began) / STEPS * 1e3)
            began = time.perf_counter()
            print(
                f"{count} particles {name}: {np.median(times):.3f} ms a step, ready in {ready:.1f} "
                f"s, {engine.memory() / count:.0f} bytes a particle; {engine.timing}",
                flush=True,
            )


PARTS = {"agreement": agreement, "repeats": repeats, "cost": cost}


if __name__ == "__main__":
    run_parts(PARTS, tuple(PARTS), __doc__)
