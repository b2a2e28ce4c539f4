"""What to expect of a sweep before it is run: each point's outlook, and the cost of all of them."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.common.conventions import SETTLING_LIVES
from sim.outlook.fluids import FluidsOutlook
from sim.outlook.look_ahead import CHAINING_COUPLING, length_band, look_ahead
from sim.outlook.text.cautions import cautions_on_numbers
from sim.physics.units import cost_text, wall_time_text
from sim.run.cost import Cost, calibrate, wall_limit
from sim.run.setup import RunSetup, usable_threads
from sim.sweeps.table import spread_out

if TYPE_CHECKING:
    from sim.parameters.types import Parameters
    from sim.sweeps.table import SweepPlan

MOST_TIMED = 6
"""So many points are timed; the step of the others follows from their number of particles."""
TIMED_SECONDS = 0.3
"""Wall time of stepping to time one point."""
FEW_BONDS = 1.5
"""A predicted mean length below this means that most particles stay alone."""


@dataclass(frozen=True)
class PointOutlook:
    """What is known of a point before it is run.

    Attributes
    ----------
    point : int
        Number, from 1.
    settings : dict
        Value of each swept key, as the file writes it.
    particle_count, steps : int
        Size of one run.
    coupling : float
        Coupling of the median particle at contact.
    predicted_mean_length, predicted_mean_length_low, predicted_mean_length_high : float
        In equilibrium, with its band.
    bond_lives : float or None
        Simulated time over the life of a bond in the largest tenth; None of a sampled run.
    will_chain, few_chains, will_settle : bool
        Whether the coupling lets particles chain, whether most stay alone nevertheless, and whether
        the run is long enough for equilibrium; the last is None of a sampled run, which ends when
        its film is at rest or says that it is not.
    cautions : tuple of str
        What makes numbers of the point doubtful, a sentence each, as `check` says of a single run.
    bottle : float or None
        Of an ensemble, standard deviation of the predicted mean length over its fluids; couplings
        and lengths are then means over them, and the rest is that of the first.
    """

    point: int
    settings: dict[str, Any]
    particle_count: int
    steps: int
    coupling: float
    predicted_mean_length: float
    predicted_mean_length_low: float
    predicted_mean_length_high: float
    bond_lives: float | None
    will_chain: bool
    few_chains: bool
    will_settle: bool | None
    cautions: tuple[str, ...] = ()
    bottle: float | None = None

    @property
    def verdict(self) -> str:
        """What to expect, in a few words."""
        if not self.will_chain:
            return "will not chain"
        chains = "few and short chains" if self.few_chains else "chains"
        if self.will_settle is None:
            return f"{chains}, sampled at rest"
        return chains if self.will_settle else f"{chains}, not in equilibrium at the end"


@dataclass(frozen=True)
class SweepCost:
    """Estimated cost of a sweep.

    Attributes
    ----------
    runs, workers : int
        Number of runs, and how many run at a time, each on one thread.
    points_timed : int
        Points whose step was timed; those between are interpolated, and points that were not
        looked at are taken to cost as much as the others on average.
    wall_s : float
        Wall time of all steps, s, without compiling, measuring and drawing.
    longest_run_s : float
        That of the longest run, s.
    memory_bytes : int
        Estimated peak memory of all workers.
    file_bytes : int
        Size of all run.h5.
    """

    runs: int
    workers: int
    points_timed: int
    wall_s: float
    longest_run_s: float
    memory_bytes: int
    file_bytes: int

    def table(self) -> list[tuple[str, str]]:
        """Return the cost as rows of name and text."""
        per_run = wall_time_text(self.longest_run_s)
        return [
            ("stepping", f"{cost_text(self.wall_s)} on {self.workers} worker(s)"),
            ("longest run", f"about {per_run} of it; measuring adds some seconds a run"),
            ("memory", f"about {self.memory_bytes / 1e6:.0f} MB"),
            ("run.h5, all", f"about {self.file_bytes / 1e6:.1f} MB"),
        ]


def look_ahead_of_points(plan: SweepPlan, seconds: float | None = None) -> list[PointOutlook]:
    """Say what to expect of each point.

    Parameters
    ----------
    plan : SweepPlan
        The sweep.
    seconds : float, optional
        Look at points of all parts of the sweep until so much time is over, and at no others.

    Returns
    -------
    list of PointOutlook
        In the order of the points, at least one; up to half a second of work for each.
    """
    until = math.inf if seconds is None else time.monotonic() + seconds
    found = []
    for place in spread_out(len(plan.points)):
        point = plan.points[place]
        films = [run.parameters for run in point.runs[: max(plan.fluids, 1)]]
        found.append(_outlook(point.number, point.settings, films))
        if time.monotonic() > until:
            break
    return sorted(found, key=lambda one: one.point)


def _outlook(number: int, settings: dict[str, Any], films: list[Parameters]) -> PointOutlook:
    """Look ahead at the films of a point, which differ by their fluids."""
    parameters, *others = films
    seen = look_ahead(parameters)
    duration = parameters.run.duration
    over = FluidsOutlook.of([seen, *map(look_ahead, others)])
    length = over.numbers["predicted_mean_length"]
    low, high = length_band(length.mean)
    can_chain = seen.coupling_largest >= CHAINING_COUPLING
    lives = None if parameters.run.is_sampled else duration / seen.bond_life
    return PointOutlook(
        point=number,
        settings=dict(settings),
        particle_count=seen.particles.count,
        steps=seen.system.steps,
        coupling=over.numbers["coupling"].mean,
        predicted_mean_length=length.mean,
        predicted_mean_length_low=low,
        predicted_mean_length_high=high,
        bond_lives=lives,
        will_chain=can_chain,
        few_chains=can_chain and length.mean < FEW_BONDS,
        # the run must outlast both the growth to the predicted length and ten bond lives
        will_settle=(
            None if lives is None else lives >= SETTLING_LIVES and duration >= seen.film_time
        ),
        cautions=tuple(cautions_on_numbers(parameters, seen)),
        bottle=length.bottle if others else None,
    )


def calibrate_sweep(
    plan: SweepPlan,
    points: Sequence[PointOutlook],
    *,
    workers: int | None = None,
    seconds: float = TIMED_SECONDS,
    timer: Callable[..., Cost] = calibrate,
) -> SweepCost:
    """Time a piece of some points and scale it up to the sweep.

    Parameters
    ----------
    plan : SweepPlan
        The sweep.
    points : sequence of PointOutlook
        What `look_ahead_of_points` gave for it.
    workers : int or None
        Runs at a time; None means all cores, and more than those are not used.
    seconds : float
        Wall time to spend on stepping for each point that is timed.
    timer : callable
        Gives the `Cost` of one run.

    Returns
    -------
    SweepCost
        The estimate.

    Raises
    ------
    ValueError
        If the start state of a point cannot be made.
    """
    by_size = sorted(points, key=lambda point: (point.particle_count, point.point))
    places = np.unique(np.linspace(0, len(by_size) - 1, MOST_TIMED).round().astype(int))
    timed = [by_size[place] for place in places]
    by_number = {point.number: point for point in plan.points}
    costs = [
        timer(RunSetup(by_number[one.point].runs[0].parameters, 1), seconds=seconds)
        for one in timed
    ]
    # points of one size share the mean of their times
    sizes = np.array([one.particle_count for one in timed], float)
    known, inverse = np.unique(sizes, return_inverse=True)

    def spread(values: Sequence[float]) -> np.ndarray[Any, np.dtype[np.float64]]:
        mean = np.bincount(inverse, weights=np.asarray(values, float)) / np.bincount(inverse)
        return np.interp([point.particle_count for point in points], known, mean)

    per_run = np.minimum(
        spread([cost.seconds_per_step for cost in costs]) * [one.steps for one in points],
        [wall_limit(by_number[one.point].runs[0].parameters) for one in points],
    )
    runs = plan.run_count
    more = plan.point_count / len(points)  # points that were not looked at are taken to be alike
    cores, _ = usable_threads(workers)
    crew = max(1, min(cores, runs))
    memory = max(cost.memory_bytes for cost in costs)
    files = spread([cost.file_bytes for cost in costs])
    return SweepCost(
        runs=runs,
        workers=crew,
        points_timed=len(timed),
        wall_s=more * _wall(per_run.tolist(), plan.runs_per_point, crew),
        longest_run_s=float(per_run.max()),
        memory_bytes=memory * crew,
        file_bytes=int(more * files.sum()) * plan.runs_per_point,
    )


def _wall(per_run: list[float], each: int, workers: int) -> float:
    """Wall time in s of runs that are taken up in order by whichever worker is free."""
    free = [0.0] * workers
    for seconds in per_run * each:
        first = free.index(min(free))
        free[first] += seconds
    return max(free)
