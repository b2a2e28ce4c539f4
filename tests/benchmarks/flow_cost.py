"""Cost of a step with the flow that particles stir up, against the number of particles.

    python -m tests.benchmarks.flow_cost [N ...]

Films of 3 % and 16.7 diameters' thickness, one thread, seconds of the processor (so that the load
of the machine hardly counts); beside them the same film without flow, in plain steps.
"""

import argparse
import dataclasses
import time

from sim.engines.cpu import CpuEngine
from tests.benchmarks.flow_factors import pair_of_systems
from tests.reference.small_systems import random_film

STEPS = 40


def cost(system):
    """Return milliseconds of the processor a step."""
    engine = CpuEngine(system, random_film(system), 1)
    engine.advance(8)
    started = time.process_time()
    engine.advance(STEPS)
    return (time.process_time() - started) / STEPS * 1e3, engine.timing


def main():
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("counts", type=int, nargs="*", default=[500, 2000, 6000, 20000])
    for count in parser.parse_args().counts:
        plain, stirred = pair_of_systems(count, 0.03, 16.7, 6.0, 12.0)
        with_flow, timing = cost(stirred)
        without, _ = cost(dataclasses.replace(plain))
        print(
            f"{count} particles: {with_flow:.2f} ms a step with flow, {without:.2f} without; "
            f"{timing['flow_products']:.1f} products a step, {1e3 * with_flow / count:.2f} us a "
            "particle and step"
        )


if __name__ == "__main__":
    main()
