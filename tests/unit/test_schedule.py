"""Schedules: which steps are due, and that cutting a run into pieces does not change them."""

from itertools import pairwise

import pytest

from sim.run.schedule import NEVER, Always, AnyOf, AtSteps, ByClock, Evenly


def walk(schedule, last, start=0):
    """Return all steps in (start, last] that the schedule asks for."""
    steps, step = [], start
    while (step := schedule.next_step(step)) <= last:
        steps.append(step)
    return steps


@pytest.mark.parametrize(("count", "last"), [(200, 42000), (3, 10), (7, 7), (199, 41999), (1, 5)])
def test_evenly_gives_so_many_and_ends_at_the_last(count, last):
    steps = walk(Evenly(count, last), last)
    assert len(steps) == count
    assert steps[-1] == last
    gaps = {b - a for a, b in pairwise([0, *steps])}
    assert max(gaps) - min(gaps) <= 1


def test_evenly_with_more_times_than_steps_is_every_step():
    assert walk(Evenly(50, 4), 4) == [1, 2, 3, 4]


def test_evenly_goes_on_with_its_spacing():
    short, longer = walk(Evenly(5, 17), 17), walk(Evenly(5, 17), 34)
    assert longer[:5] == short
    assert longer[5:] == [step + 17 for step in short]


@pytest.mark.parametrize("schedule", [Evenly(7, 50), AtSteps([4, 9, 33])])
def test_pieces_do_not_change_the_steps(schedule):
    whole = walk(schedule, 50)
    assert [step for step in range(1, 51) if schedule.is_due(step)] == whole
    for cut in (1, 9, 20, 49):
        assert walk(schedule, cut) + walk(schedule, 50, start=cut) == whole


def test_at_steps_sorts_and_drops_repeats():
    assert walk(AtSteps([9, 2, 9]), 100) == [2, 9]
    assert AtSteps([9, 2]).next_step(9) == NEVER
    assert not AtSteps([]).is_due(0)


def test_by_clock_is_due_once_an_interval():
    now = [100.0]
    schedule = ByClock(60.0, clock=lambda: now[0])
    assert not schedule.is_due(5)
    now[0] += 61.0
    assert schedule.is_due(6)
    assert not schedule.is_due(7)
    assert schedule.next_step(7) == NEVER


def test_any_of_takes_the_earliest_and_asks_each():
    schedule = AnyOf(Evenly(1, 10), AtSteps([3, 25]))
    assert walk(schedule, 30) == [3, 10, 20, 25, 30]
    now = [0.0]
    clock = ByClock(1.0, clock=lambda: now[0])
    now[0] = 5.0
    assert AnyOf(Always(), clock).is_due(1)
    assert not clock.is_due(1)  # it was asked with the other one, and started its next interval


@pytest.mark.parametrize(
    "make",
    [
        lambda: Evenly(0, 5),
        lambda: Evenly(5, 0),
        lambda: ByClock(0.0),
        lambda: ByClock(float("nan")),
    ],
)
def test_not_positive_is_refused(make):
    with pytest.raises(ValueError, match="must be greater than 0"):
        make()
