"""Cost of a step with the flow that particles stir up, against the number of particles.

    python -m tests.benchmarks.flow_cost [N ...] [--threads N]

Films of 3 % and 16.7 diameters' thickness, seconds of the processor on one thread (so that the load
of the machine hardly counts) and of the clock on several; beside them the same film without flow,
in plain steps and in inner ones of the same length. What inner steps would save of a step with flow
is the difference of these two at most: all else is of each of them.
"""

import argparse
import dataclasses
import time

from sim.engines.cpu import CpuEngine
from tests.benchmarks.flow_factors import pair_of_systems
from tests.reference.small_systems import random_film

STEPS = 40
INNER = 8


def cost(system, threads):
    """Return milliseconds a step, of the processor on one thread, else of the clock."""
    engine = CpuEngine(system, random_film(system), threads)
    engine.advance(8)
    clock = time.process_time if threads == 1 else time.perf_counter
    started = clock()
    engine.advance(STEPS)
    return (clock() - started) / STEPS * 1e3, engine.timing


def main():
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("counts", type=int, nargs="*", default=[500, 2000, 5000, 20000])
    parser.add_argument("--threads", type=int, default=1)
    given = parser.parse_args()
    for count in given.counts:
        plain, stirred = pair_of_systems(count, 0.03, 16.7, 6.0, 12.0)
        with_flow, timing = cost(stirred, given.threads)
        without, _ = cost(plain, given.threads)
        split = dataclasses.replace(plain, inner_steps=INNER, dt=INNER * plain.dt, list_margin=1.0)
        inner = cost(split, given.threads)[0] / INNER
        print(
            f"{count} particles: {with_flow:.2f} ms a step with flow, {without:.2f} without, "
            f"{inner:.2f} an inner one: {(without - inner) / with_flow:.0%} to be saved; "
            f"{timing['flow_products']:.2f} products a step, {1e3 * with_flow / count:.2f} us a "
            "particle and step",
            flush=True,
        )


if __name__ == "__main__":
    main()
