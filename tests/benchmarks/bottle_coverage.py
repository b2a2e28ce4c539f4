"""How often the intervals of `chainfilm fluid` hold the truth: known particles, synthetic sheets.

python -m tests.benchmarks.bottle_coverage [--count 200] [--fluids 300] [--curve [--noise 5]]
    [--spectrum]
"""

import argparse
import time

import numpy as np

from sim.fluid.model import MAIN
from tests.reference.bottles import held, ranks


def main():
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--fluids", type=int, default=300)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--curve", action="store_true")
    parser.add_argument("--spectrum", action="store_true")
    parser.add_argument("--noise", type=float, default=1.0, help="of the curve, in stated errors")
    asked = parser.parse_args()
    began = time.perf_counter()
    rng = np.random.default_rng(asked.seed)
    found = ranks(
        asked.count, rng, asked.fluids,
        curve=asked.curve, spectrum=asked.spectrum, noise=asked.noise,
    )  # fmt: skip
    print(f"{asked.count} bottles, {time.perf_counter() - began:.0f} s")
    print(f"{'':20}{'in 68 %':>10}{'in 95 %':>10}   expected within (2 standard errors)")
    for k, name in enumerate(MAIN):
        shares = [held(found, level)[k] / asked.count for level in (0.68, 0.95)]
        spans = [2 * (level * (1 - level) / asked.count) ** 0.5 for level in (0.68, 0.95)]
        print(f"{name:20}{shares[0]:10.3f}{shares[1]:10.3f}   ±{spans[0]:.3f}, ±{spans[1]:.3f}")


if __name__ == "__main__":
    main()
