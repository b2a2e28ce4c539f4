"""What is searched: the wishes, the box, and what a film of it has shown."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np

from analysis.common.arrays import Floats
from sim.design.box import Box
from sim.design.quantities import Scaled
from sim.sweeps.reading import Settings

CONFIRMED = 2
"""Runs with seeds of their own that a found film needs."""


@dataclass(frozen=True)
class Wish:
    """One wish: a quantity and what it may be.

    Attributes
    ----------
    of : Scaled
        The quantity.
    least, most : float
        Ends in SI; infinite where there is none.
    text : str
        In words, such as "spacing at least 90 nm".
    """

    of: Scaled
    least: float
    most: float
    text: str

    @cached_property
    def ends(self) -> tuple[float, float]:
        """Ends on the scale, the lower one first."""
        low, high = (
            end if math.isinf(end) else float(self.of.scaled(end))
            for end in (self.least, self.most)
        )
        if self.of.falls:
            low, high = (-low if math.isinf(low) else low), (-high if math.isinf(high) else high)
            return high, low
        return low, high

    def holds(self, value: float) -> bool:
        """Say whether a value in SI meets it; one that was not measured does not."""
        return self.least <= value <= self.most


@dataclass(frozen=True)
class Trial:
    """A film that was run.

    Attributes
    ----------
    settings : dict
        Value of each free key, as the file writes it.
    values, errors : (quantities,) array
        What was measured in SI; NaN where nothing was.
    folder, seed, state, reason : str, int, str, str
        Its folder and seed, "finished" or "failed", and why.
    """

    settings: Settings
    values: Floats
    errors: Floats
    folder: str = ""
    seed: int = 0
    state: str = "finished"
    reason: str = ""

    @property
    def is_finished(self) -> bool:
        """Whether it was run to its end and measured."""
        return self.state == "finished"


class FilmRunner(Protocol):
    """Who runs films; the search knows no more of them."""

    def kept(self) -> list[Trial]:
        """Return the films that were run before, in their order."""

    def run(self, settings: Sequence[Settings], replicas: int) -> list[Trial]:
        """Run films with these settings, each so many times with a seed of its own."""

    def may_go_on(self) -> bool:
        """Say whether time is left for another step."""


class Theory(Protocol):
    """What theory says over the box, on the scales of the quantities."""

    def values(self, points: Floats) -> Floats:
        """Return (n, quantities) values at (n, keys) points."""

    def shifts(self, points: Floats) -> Floats:
        """Return what each fluid of the ensemble changes, (fluids, n, quantities)."""


@dataclass(frozen=True)
class Task:
    """A search.

    Attributes
    ----------
    quantities : tuple of Scaled
        All that is modelled: those wished for first, then those that are drawn beside them.
    wishes : tuple of Wish
        The wishes, in the order of ``quantities``.
    box : Box
        The free keys.
    theory : Theory
        What theory says.
    is_film : callable
        Takes settings, says whether a film can be made of them.
    seeds : (n, keys) array
        Points of the first films.
    odds : float
        Odds with which all wishes are to hold.
    most_runs : int
        Films at most.
    workers : int
        Films in work at a time.
    """

    quantities: tuple[Scaled, ...]
    wishes: tuple[Wish, ...]
    box: Box
    theory: Theory
    is_film: Callable[[Settings], bool]
    seeds: Floats
    odds: float = 0.9
    most_runs: int = 40
    workers: int = 1

    @property
    def small_odds(self) -> float:
        """Odds below which a wish is out of reach."""
        return 0.5 * (1.0 - self.odds)

    def points(self, trials: Sequence[Trial]) -> Floats:
        """Return the places of films in the unit cube, (films, keys)."""
        found = [self.box.point(trial.settings) for trial in trials]
        return np.array(found).reshape(len(found), self.box.size)
