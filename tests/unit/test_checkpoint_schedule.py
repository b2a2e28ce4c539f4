"""Checkpoints keep to their share of the wall time, whatever they cost."""

from types import SimpleNamespace

import pytest

from sim.files import checkpoint
from sim.files.opening import RunFileError
from sim.run import watchers


@pytest.fixture
def clock(monkeypatch):
    """A clock that is moved by hand, in the place of all clocks."""
    now = SimpleNamespace(at=0.0)
    for name in ("perf_counter", "monotonic"):
        monkeypatch.setattr(f"time.{name}", lambda: now.at)
    monkeypatch.setattr("sim.run.schedule.ByClock.__init__.__defaults__", (lambda: now.at,))
    return now


@pytest.mark.parametrize(
    ("cost", "every"), [(0.1, 60.0), (1.2, 60.0), (9.0, 450.0), (30.0, 1500.0)]
)
def test_a_dear_checkpoint_is_saved_less_often(clock, cost, every):
    saved = []

    def save(path):
        saved.append(clock.at)
        clock.at += cost

    scene = SimpleNamespace(save_checkpoint=save)
    watcher = watchers.CheckpointByClock("checkpoint.h5")
    while clock.at < 20 * every:
        clock.at += 0.25
        if watcher.schedule.is_due(0):
            watcher.look(scene)
    # The first comes after a minute, whatever it costs; of all later time they take their share.
    assert saved[0] == pytest.approx(60.0, abs=0.3)
    assert saved[2] - saved[1] == pytest.approx(every, abs=0.3)
    assert cost * (len(saved) - 1) <= 1.01 * watchers.CHECKPOINT_SHARE * (clock.at - saved[0])


@pytest.mark.parametrize(("count", "first"), [(20_000, 60.0), (55_700_000, 1392.0)])
def test_the_first_of_a_large_film_waits_for_what_it_is_taken_to_cost(clock, count, first):
    """At 0.5 us a particle it takes 28 s of a film at true scale, 2 % of 1392 s."""
    watcher = watchers.CheckpointByClock("checkpoint.h5", count=count)
    clock.at += first - 1.0
    assert not watcher.schedule.is_due(0)
    clock.at += 1.5
    assert watcher.schedule.is_due(0)


def test_a_clock_that_jumps_does_not_put_off_the_next_one(clock, monkeypatch):
    def save(path):
        monkeypatch.setattr("time.perf_counter", lambda: clock.at + 86_400.0)

    watcher = watchers.CheckpointByClock("checkpoint.h5")
    watcher.look(SimpleNamespace(save_checkpoint=save))
    clock.at += 61.0
    assert watcher.schedule.is_due(0)


def test_a_flipped_bit_anywhere_is_seen_piece_by_piece(tmp_path, monkeypatch):
    monkeypatch.setattr(checkpoint, "_PIECE", 1000)
    path = tmp_path / "checkpoint.h5"
    kept = checkpoint.Checkpoint("a", 3, 1, {}, {"x": list(range(1000))})
    checkpoint.save(path, kept)
    assert checkpoint.load(path) == kept
    whole = path.read_bytes()
    for place in (100, 2500, len(whole) - 30):
        spoilt = bytearray(whole)
        spoilt[place] ^= 4
        path.write_bytes(spoilt)
        with pytest.raises(RunFileError, match="damaged"):
            checkpoint.load(path)
