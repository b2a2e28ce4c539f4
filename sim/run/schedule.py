"""When something is due: every so many steps, evenly, at given steps, by the clock.

Integer steps decide, never float times, so that a schedule gives the same steps however the run
is cut into pieces. Only `ByClock` looks at a clock; nothing that changes the trajectory may hang
on it.
"""

from __future__ import annotations

import time
from bisect import bisect_right
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Protocol

from sim.files.clock import has_passed

NEVER = 2**63 - 1
"""A step that no run reaches: the answer of a schedule that asks for no more steps."""


class Schedule(Protocol):
    """The two questions that the run loop asks."""

    def next_step(self, step: int) -> int:
        """Return the first step after `step` at which something is due, or `NEVER`."""

    def is_due(self, step: int) -> bool:
        """Return whether something is due now that the run stands at `step`."""


def _require_positive(name: str, value: float) -> None:
    if not value > 0:
        raise ValueError(f"{name} must be greater than 0; received {value!r}")


@dataclass(frozen=True)
class Evenly:
    """Due `count` times in `last` steps, evenly spaced, and at step 0.

    The k-th time is step k last/count rounded to a whole step. The rule goes on beyond `last` with
    the same spacing: a run that is continued to a longer duration keeps its frame interval. More
    times than steps means every step.

    Parameters
    ----------
    count : int
        Number of times after step 0, at least 1.
    last : int
        Step at which the last of them falls, at least 1.

    Raises
    ------
    ValueError
        If one of the two is not positive.
    """

    count: int
    last: int

    def __post_init__(self) -> None:
        _require_positive("count", self.count)
        _require_positive("last", self.last)

    def _step(self, k: int) -> int:
        return (2 * k * self.last + self.count) // (2 * self.count)

    def next_step(self, step: int) -> int:
        """Return the first scheduled step after `step`."""
        if self.count >= self.last:
            return step + 1
        k = step * self.count // self.last
        while self._step(k) <= step:
            k += 1
        return self._step(k)

    def is_due(self, step: int) -> bool:
        """Return whether `step` is one of the scheduled steps."""
        return step == 0 or self.next_step(step - 1) == step


@dataclass(frozen=True)
class Doubling:
    """Due ever more rarely, so that a run of any length has about as many times in its last half.

    The interval is 1 up to step ``count`` and doubles each time that the step does: between a
    quarter and half of ``count`` fall in the last half of a run, wherever it ends.

    Parameters
    ----------
    count : int
        At least 1.
    """

    count: int

    def __post_init__(self) -> None:
        _require_positive("count", self.count)

    def next_step(self, step: int) -> int:
        """Return the first scheduled step after `step`."""
        interval = 1 << max(0, (step // max(1, self.count // 2)).bit_length() - 1)
        return (step // interval + 1) * interval

    def is_due(self, step: int) -> bool:
        """Return whether `step` is one of the scheduled steps."""
        return step == 0 or self.next_step(step - 1) == step

    def until(self, last: int) -> int:
        """Return how many scheduled steps there are up to `last`, step 0 left out."""
        times, step = 0, 0
        while (step := self.next_step(step)) <= last:
            times += 1
        return times


class AtSteps:
    """Due at the listed steps.

    Parameters
    ----------
    steps : iterable of int
        The steps, in any order.
    """

    def __init__(self, steps: Iterable[int]) -> None:
        self.steps = sorted({int(step) for step in steps})

    def next_step(self, step: int) -> int:
        """Return the first listed step after `step`, or `NEVER`."""
        place = bisect_right(self.steps, step)
        return self.steps[place] if place < len(self.steps) else NEVER

    def is_due(self, step: int) -> bool:
        """Return whether `step` is in the list."""
        place = bisect_right(self.steps, step)
        return place > 0 and self.steps[place - 1] == step


class ByClock:
    """Due when so many seconds have gone by since it was last due, whatever the step.

    Parameters
    ----------
    seconds : float
        Wall time from one time to the next.
    clock : callable
        Gives the time in seconds; to be replaced in tests.

    Raises
    ------
    ValueError
        If the interval is not positive.
    """

    def __init__(self, seconds: float, clock: Callable[[], float] = time.monotonic) -> None:
        _require_positive("seconds", seconds)
        self.seconds = seconds
        self._clock = clock
        self._last = clock()

    def next_step(self, step: int) -> int:  # noqa: ARG002 - the clock, not the step, decides
        """Ask for no step: the loop looks often enough by itself."""
        return NEVER

    def is_due(self, step: int) -> bool:  # noqa: ARG002
        """Return whether the interval has passed, and if so start the next one."""
        now = self._clock()
        if not has_passed(self.seconds, self._last, now):
            return False
        self._last = now
        return True


class Always:
    """Due whenever the loop looks, without asking for a step of its own."""

    def next_step(self, step: int) -> int:  # noqa: ARG002
        """Ask for no step."""
        return NEVER

    def is_due(self, step: int) -> bool:  # noqa: ARG002
        """Return True."""
        return True


class AnyOf:
    """Due when any of several schedules is.

    Parameters
    ----------
    *schedules : Schedule
        The schedules that are joined.
    """

    def __init__(self, *schedules: Schedule) -> None:
        self.schedules = schedules

    def next_step(self, step: int) -> int:
        """Return the earliest step that one of the schedules asks for."""
        return min((s.next_step(step) for s in self.schedules), default=NEVER)

    def is_due(self, step: int) -> bool:
        """Return whether one of the schedules is due; each of them is asked."""
        answers = [schedule.is_due(step) for schedule in self.schedules]
        return any(answers)
