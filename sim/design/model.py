"""What is known of the box after some runs: odds of the wishes, gain of a run, reach."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np

from analysis.common.arrays import Floats
from sim.design.surrogate import Surrogate, mixture, share_inside
from sim.design.task import Task, Trial

DRAWS = 256
"""Films are imagined so many times to tell what a run would gain and whether a wish is in reach."""
PLACES = 256
"""Places of the box that are looked at together to tell whether a wish is in reach."""
UNKNOWN_ERROR = 0.3
"""Error of a run that tells none, over the band of theory."""
NEAR = 0.15
"""Distance, as a share of the ranges, up to which a film that shows nothing speaks for others."""


class Model:
    """Surrogates of all quantities.

    Parameters
    ----------
    task : Task
        What is searched.
    trials : sequence of Trial
        Films that were run.
    """

    def __init__(self, task: Task, trials: Sequence[Trial]) -> None:
        self.task, self.trials = task, list(trials)
        self._wished = range(len(task.wishes))
        points = task.points(self.trials)
        self._surrogates = [self._surrogate(k, points) for k in range(len(task.quantities))]
        shown = [bool(np.isfinite(one.values[: len(task.wishes)]).all()) for one in self.trials]
        self._places, self._shown = points, np.array(shown, float)

    def _surrogate(self, k: int, points: Floats) -> Surrogate:
        of = self.task.quantities[k]
        rows = [i for i, one in enumerate(self.trials) if np.isfinite(one.values[k])]
        values = np.array([self.trials[i].values[k] for i in rows])
        known = [
            of.scaled_error(float(self.trials[i].values[k]), float(self.trials[i].errors[k]))
            for i in rows
        ]
        errors = np.where(np.isfinite(known), known, UNKNOWN_ERROR * of.wanted.sigma)
        return Surrogate(
            points[rows],
            of.scaled(values),
            np.asarray(errors, np.float64),
            lambda at: self.task.theory.values(at)[:, k],
            of.wanted.sigma,
        )

    def told(self, points: Floats) -> tuple[Floats, Floats]:
        """Return mean and standard deviation of all quantities on their scales, (n, quantities)."""
        return self._told(points, len(self._surrogates))

    def told_wishes(self, points: Floats) -> tuple[Floats, Floats]:
        """Return the same of those wished for alone, (n, wishes)."""
        return self._told(points, len(self._wished))

    def _told(self, points: Floats, count: int) -> tuple[Floats, Floats]:
        found = [mixture(*one.members(points)) for one in self._surrogates[:count]]
        mean, sigma = (np.array([pair[i] for pair in found]).T for i in (0, 1))
        spread = self.task.theory.shifts(points)[:, :, :count]
        return mean + spread.mean(axis=0), np.hypot(sigma, spread.std(axis=0))

    def measurable(self, points: Floats) -> Floats:
        """Return the odds that a run shows all that is wished for, by what runs nearby did."""
        apart = ((points[:, None, :] - self._places[None]) ** 2).sum(axis=2)
        near = np.exp(-0.5 * apart / NEAR**2)
        found: Floats = (1.0 + near @ self._shown) / (1.0 + near.sum(axis=1))
        return found

    def odds(self, points: Floats, each: bool = False) -> Floats:
        """Return the odds that all wishes hold at points, (n,), or those of each, (n, wishes).

        The fluids of an ensemble are equally likely: what each changes is added, the odds of all
        wishes are taken for it, and averaged.
        """
        shifts = self.task.theory.shifts(points)
        single = np.empty((len(shifts), len(points), len(self._wished)))
        for k in self._wished:
            weights, means, sigmas = self._surrogates[k].members(points)
            low, high = self.task.wishes[k].ends
            for fluid, shift in enumerate(shifts[:, :, k]):
                single[fluid, :, k] = share_inside(weights, means + shift, sigmas, low, high)
        if each:
            return np.asarray(single.mean(axis=0))
        return np.asarray(single.prod(axis=2).mean(axis=0) * self.measurable(points))

    def margins(self, values: Floats) -> Floats:
        """Return how far inside all wishes values lie, over the bands of theory; below 0 outside.

        Parameters
        ----------
        values : (..., wishes) array
            On the scales.
        """
        found = []
        for k in self._wished:
            low, high = self.task.wishes[k].ends
            inside = np.minimum(values[..., k] - low, high - values[..., k])
            found.append(inside / self.task.quantities[k].wanted.sigma)
        return np.asarray(np.min(found, axis=0))

    @cached_property
    def _normals(self) -> Floats:
        return np.random.default_rng(1).standard_normal((DRAWS, len(self.task.wishes)))

    def gain(self, points: Floats) -> Floats:
        """Return what a run is expected to gain at points: odds of all wishes times improvement.

        The improvement is the mean of what the margin lies above that of the best film so far; it
        is counted for all wishes together.

        Notes
        -----
        Expected improvement: J. Mockus, V. Tiesis and A. Zilinskas, Towards Global Optimisation 2,
        117 (1978), and under constraints M. Schonlau, W. Welch and D. Jones, IMS Lecture Notes 34,
        11 (1998) (both from memory).
        """
        mean, sigma = self.told_wishes(points)
        drawn = mean[None] + sigma[None] * self._normals[:, None, :]
        above = np.maximum(self.margins(drawn) - self.best_margin, 0.0).mean(axis=0)
        found: Floats = (self.odds(points) + 1e-9) * (above + 1e-9 * sigma.sum(axis=1))
        return found

    @cached_property
    def best_margin(self) -> float:
        """Margin of the best film that was run, as it is known now."""
        done = [i for i, one in enumerate(self.trials) if one.is_finished]
        if not done:
            return -1e3
        return float(self.margins(self.told_wishes(self._places[done])[0]).max())

    def reach(self, points: Floats, left_out: Sequence[int] = ()) -> float:
        """Return the odds that at any of the points all wishes hold but those left out.

        The box is imagined whole, all points at once, as runs and theory leave it open.
        """
        held = np.all(self._imagined(points)[..., self._but(left_out)], axis=2)
        return float(np.mean(np.any(held, axis=1)))

    def _but(self, left_out: Sequence[int]) -> list[int]:
        return [k for k in self._wished if k not in left_out]

    def _imagined(self, points: Floats) -> Floats:
        """Imagine which wishes hold where, (draws, points, wishes)."""
        if self._last is not None and self._last[0] is points:
            return self._last[1]
        rng = np.random.default_rng(2)
        shifts = self.task.theory.shifts(points)
        fluid = rng.integers(len(shifts), size=DRAWS)
        held = np.empty((DRAWS, len(points), len(self._wished)), bool)
        for k in self._wished:
            low, high = self.task.wishes[k].ends
            normals = rng.standard_normal((DRAWS, len(points)))
            drawn = self._surrogates[k].draws(points, normals) + shifts[fluid, :, k]
            held[:, :, k] = (drawn >= low) & (drawn <= high)
        self._last = (points, held)
        return held

    _last: tuple[Floats, Floats] | None = None
