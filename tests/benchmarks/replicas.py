"""A sweep of small replicas against one large run on the same cores: what many processes lose.

Run from the top of the project:

    python -m tests.benchmarks.replicas [--count 2000] [--replicas 8] [--large 20000] [--repeats 3]

The film of `run_cost` (cut-off dipoles, soft core, float32). Throughput is particle-steps a second
of wall time. Of the large run it is that of the stepping alone, as the run reports it, from the
chained state of a run before; of the sweep that of the whole sweep, from the call to its return:
start of the workers, loading of kernels, frames and checkpoints included. The replicas each grow
their chains too. Both use as many cores, and take turns.
"""

import argparse
import statistics
import tempfile
import time
from pathlib import Path

import analysis
import sim
from tests.benchmarks.machine import headline
from tests.benchmarks.run_cost import EQUILIBRATION, VISCOSITY, parameters

PRECISION = "float32"
SUM = "cutoff"


def replicas(folder, count, steps, number, workers):
    """Return particle-steps a second of a sweep of so many replicas, start-up included."""
    parameters(folder, count, steps, PRECISION, SUM)
    path = Path(folder) / "film.toml"
    sweep = f'\n[sweep]\nreplicas = {number}\n"carrier.viscosity" = ["{VISCOSITY} Pa s"]\n'
    path.write_text(path.read_text() + sweep)
    swept = sim.load(path)
    began = time.perf_counter()
    made = sim.sweep(swept, Path(folder) / "sweep", workers=workers, overwrite=True)
    wall = time.perf_counter() - began
    if not made.finished:
        raise SystemExit(f"the sweep did not finish: {made.outcomes}")
    stepping = sum(
        analysis.open_run(made.directory / name / "run.h5").timing["stepping_s"]
        for name in made.outcomes
    )
    return number * count * steps / wall, stepping / wall / workers


def one(folder, count, steps, threads, start):
    """Return particle-steps a second of the stepping of one run."""
    made = sim.simulate(
        parameters(folder, count, steps, PRECISION, SUM, start),
        Path(folder) / "one",
        threads=threads,
        overwrite=True,
    )
    timing = analysis.open_run(made.directory / "run.h5").timing
    return timing["steps"] * count / timing["stepping_s"]


def main():
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=2000, help="particles of a replica")
    parser.add_argument("--large", type=int, default=20000, help="particles of the one run")
    parser.add_argument("--replicas", type=int, default=8)
    parser.add_argument("--steps", type=int, default=40000, help="of each replica")
    parser.add_argument("--cores", type=int, default=2)
    parser.add_argument("--repeats", type=int, default=3)
    options = parser.parse_args()
    headline()
    steps = max(100, options.steps * options.count * options.replicas // options.large // 4)
    rows = {"large": [], "sweep": [], "busy": []}
    with tempfile.TemporaryDirectory() as folder:
        chained = parameters(folder, options.large, EQUILIBRATION, PRECISION, SUM)
        start = Path(folder) / "start"
        sim.simulate(chained, start, threads=options.cores)
        for _ in range(options.repeats):
            large = one(folder, options.large, steps, options.cores, start / "run.h5")
            many, busy = replicas(
                folder, options.count, options.steps, options.replicas, options.cores
            )
            rows["large"].append(large)
            rows["sweep"].append(many)
            rows["busy"].append(busy)
    middle = {name: statistics.median(row) for name, row in rows.items()}
    ratio = statistics.median(b / a for a, b in zip(rows["large"], rows["sweep"], strict=True))
    print(f"{options.cores} cores, medians of {options.repeats}, million particle-steps a second")
    print(f"one run of {options.large} on {options.cores} threads: {middle['large'] / 1e6:.2f}")
    print(
        f"sweep of {options.replicas} replicas of {options.count}, a thread each: "
        f"{middle['sweep'] / 1e6:.2f}; its workers step {100 * middle['busy']:.0f} % of its time"
    )
    print(f"ratio {ratio:.2f}")


if __name__ == "__main__":
    main()
