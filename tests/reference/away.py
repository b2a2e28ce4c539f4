"""Sweeps without kernels for a cluster: a point that any worker can load, and a client to kill.

python -m tests.reference.away ADDRESS FOLDER SECONDS_A_STEP
"""

import os
import sys
from functools import partial
from pathlib import Path
from unittest import mock

from sim.parameters import from_text
from sim.run import simulate as one_run
from sim.sweeps.cluster import cluster_workers
from sim.sweeps.sweep import sweep
from tests.reference.fake_engine import FakeEngine, fake_setup
from tests.reference.small_film import small_film

POINTS = ("5 mT", "10 mT", "20 mT", "30 mT")


def four_points():
    """Return the parameters of a sweep of four runs."""
    values = ", ".join(f'"{value}"' for value in POINTS)
    return from_text(small_film() + f'[sweep]\n"field.strength" = [{values}]\n')


def point(parameters, directory, *, stop_rules=(), on_progress=None, sleep_s=0.0):
    """Simulate with the fake engine, and note the process and where it worked."""
    with (directory / ".where").open("a") as file:
        file.write(f"{os.getpid()} {directory}\n")
    with mock.patch.object(one_run, "RunSetup", fake_setup(100)):
        return one_run.simulate(
            parameters, directory, engine_factory=partial(FakeEngine, sleep_s=sleep_s),
            resume=True, stop_rules=stop_rules, on_progress=on_progress,
        )  # fmt: skip


def no_kernels(parameters):
    """Compile nothing."""


def sweep_away(address, folder, sleep_s=0.0, **options):
    """Run the sweep on a cluster, or here at address None."""
    with cluster_workers(address, Path(folder), None, lambda _: None) as executor:
        return sweep(
            four_points(), folder, point=partial(point, sleep_s=sleep_s), executor=executor,
            warm_up=no_kernels, **options,
        )  # fmt: skip


if __name__ == "__main__":
    sweep_away(sys.argv[1], sys.argv[2], float(sys.argv[3]))
