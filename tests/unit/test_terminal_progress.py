"""What a long command tells on the way: lines off a terminal, bars on one, nothing with -q."""

import time
from types import SimpleNamespace

import pytest

from sim.commands import terminal
from sim.commands.progress import MeasuringBar, RunLines, SweepBar, Waiting, going_on
from sim.sweeps.overseer import SweepProgress


@pytest.fixture(autouse=True)
def usual():
    terminal.set_loudness(quiet=False, verbose=False)
    yield
    terminal.set_loudness(quiet=False, verbose=False)


def scene(step, is_sampled=False, beside=""):
    return SimpleNamespace(
        engine=SimpleNamespace(step=step),
        steps=4000,
        system=SimpleNamespace(dt_s=1e-9),
        is_sampled=is_sampled,
        beside=beside,
    )


def test_a_run_says_a_line_a_minute_with_share_film_time_rate_and_time_left(capsys):
    now = [0.0]
    lines = RunLines(60.0, clock=lambda: now[0])
    for seconds, step in ((0, 0), (30, 500), (59, 990), (60, 1000), (90, 1400), (125, 2300)):
        now[0] = float(seconds)
        lines.look(scene(step))
    told = capsys.readouterr().err.splitlines()
    # By hand: 1000 of 4000 steps of 1 ns in 60 s; then 1300 in 65 s, so 1700 more take 85 s.
    assert told == [
        "simulating: 25 % done, 1 us of 4 us, 16.67 ns a second, 3 min left",
        "simulating: 57 % done, 2.3 us of 4 us, 20 ns a second, 85 s left",
    ]


def test_a_sampled_run_tells_sweeps_and_structures_and_no_film_time(capsys):
    now = [0.0]
    lines = RunLines(60.0, clock=lambda: now[0])
    for seconds, step, beside in ((0, 0, ""), (60, 1200, "9 of 20 structures")):
        now[0] = float(seconds)
        lines.look(scene(step, is_sampled=True, beside=beside))
    going_on(1200, 4000, None)
    # By hand: 1200 of 4000 sweeps in 60 s, so 2800 more take 140 s at most.
    assert capsys.readouterr().err.splitlines() == [
        "sampling: 1200 of at most 4000 sweeps, 9 of 20 structures, 20 sweeps a second, "
        "at most 2 min left",
        "going on from sweep 1200 of at most 4000",
    ]


def test_a_run_that_goes_on_says_from_where_and_one_that_starts_says_nothing(capsys):
    going_on(0, 4000, 1e-9)
    assert capsys.readouterr().err == ""
    going_on(1200, 4000, 1e-9)
    assert capsys.readouterr().err == "going on from step 1200 of 4000, 1.2 us of 4 us\n"
    terminal.set_loudness(quiet=True, verbose=False)
    going_on(1200, 4000, 1e-9)
    assert capsys.readouterr().err == ""


def test_a_sweep_and_measuring_say_a_line_a_minute(capsys):
    now = [0.0]
    with SweepBar(clock=lambda: now[0]) as bar, MeasuringBar(clock=lambda: now[0]) as frames:
        bar.show(SweepProgress(8, 0, 0, ()))
        frames.show(1, 200)
        now[0] = 61.0
        bar.show(SweepProgress(8, 1, 1, ((50, 100), (50, 100))))
        frames.show(90, 200)
    told = capsys.readouterr().err.splitlines()
    # By hand: 2 of 8 runs' worth in 61 s, so 6 more take 183 s.
    assert told == [
        "sweep: 25 % done, 1 of 8 runs, 1 failed, 3 min left",
        "measuring: 90 of 200 frames",
    ]


def test_waiting_tells_its_seconds(capsys, monkeypatch):
    monkeypatch.setattr(terminal, "LINE_SECONDS", 0.05)
    with Waiting("compiling kernels"):
        time.sleep(0.2)
    assert "compiling kernels: 0 s so far\n" in capsys.readouterr().err
    terminal.set_loudness(quiet=True, verbose=False)
    with Waiting("compiling kernels"):
        time.sleep(0.1)
    assert capsys.readouterr().err == ""


def test_verbose_lines_come_more_often_and_quiet_none():
    assert terminal.line_seconds() == 60.0
    terminal.set_loudness(quiet=False, verbose=True)
    assert terminal.line_seconds() == 10.0
    terminal.set_loudness(quiet=True, verbose=False)
    assert terminal.line_seconds() is None
    assert not terminal.sees_bars()
