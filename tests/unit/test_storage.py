"""Run files and checkpoints: what is written comes back, blocks and cuts change nothing."""

import json
from dataclasses import replace

import h5py
import numpy as np
import pytest

from sim.engines.protocol import ENERGIES
from sim.files import checkpoint
from sim.files.checkpoint import Checkpoint
from sim.files.layout import file_bytes, frames_per_block
from sim.files.opening import RunFileError
from sim.files.record import Ending, RunRecord, differences
from sim.files.run_file import Frame, RunWriter, read_summary
from tests.reference.fake_engine import COUNT, SIDES, THICKNESS, fake_particles


def record(**changes):
    plain = RunRecord(
        text='title = "a film, 20 µm"',
        resolved={"run": {"duration": 1e-4, "seed": 7}, "field": {"steps": [[1.0, 0.0]]}},
        derived={"coupling": 4.15},
        seed=2**63 - 1,
        bonds={"distance": 1.3, "alignment": 0.5},
        provisional=True,
        time_step_s=2e-9,
        frames_planned=10,
        steps_planned=100,
        run_id="abc",
    )
    return replace(plain, **changes)


def frame(step):
    rng = np.random.default_rng(step)
    return Frame(
        step=step,
        time=step * 2e-9,
        position=rng.random((COUNT, 3)) * 1e-7,
        image=rng.integers(-3, 3, (COUNT, 3)).astype(np.int32),
        moment=(rng.normal(size=(COUNT, 3)) * 1e-18).astype(np.float32),
        magnetisation=rng.random(3),
        field=np.array([0.03, 0.0, 0.0]),
        energies={"dipolar": -step, "steric": 0.5, "windows": 0.25, "field": -0.125},
    )


def written(path, steps, **changes):
    writer = RunWriter.create(path, record(**changes), fake_particles(), ENERGIES)
    for step in steps:
        writer.append(frame(step))
    return writer


def test_layout_is_h5md(tmp_path):
    writer = written(tmp_path / "run.h5", [0, 10, 20])
    writer.end(Ending.FINISHED, "finished", {"compile_s": 1.5, "steps": np.int64(20)})
    writer.close()
    with h5py.File(tmp_path / "run.h5") as file:
        assert list(file["h5md"].attrs["version"]) == [1, 1]
        assert file["h5md/author"].attrs["name"] == b"chainfilm user"
        assert file["h5md/creator"].attrs["name"] == b"chainfilm"
        film = file["particles/film"]
        assert list(film["box"].attrs["boundary"]) == [b"periodic", b"periodic", b"none"]
        assert film["box"].attrs["dimension"] == 3
        np.testing.assert_array_equal(film["box/edges/value"], [[*SIDES, THICKNESS]] * 3)
        for name, dtype, unit in (("position", "<f8", "m"), ("moment", "<f4", "A m+2")):
            assert film[name + "/value"].dtype == np.dtype(dtype)
            assert film[name + "/value"].shape == (3, COUNT, 3)
            assert film[name + "/value"].attrs["unit"] == unit
        assert film["image/value"].dtype == np.dtype("<i4")
        assert film["position/time"].attrs["unit"] == "s"
        for other in ("particles/film/moment", "observables/energy_steric", "observables/field"):
            assert file[other + "/step"] == film["position/step"]  # one object, linked
        attrs = file["parameters"].attrs
        assert attrs["seed"] == 2**63 - 1
        assert attrs["text"] == 'title = "a film, 20 µm"'
        assert json.loads(attrs["derived"]) == {"coupling": 4.15}
        assert json.loads(attrs["timing"]) == {"compile_s": 1.5, "steps": 20}
        assert attrs["finished"]
        assert file["parameters/frames_complete"][()] == 3
        np.testing.assert_array_equal(film["position/value"][1], frame(10).position)
        np.testing.assert_array_equal(film["image/value"][1], frame(10).image)
        np.testing.assert_array_equal(film["moment/value"][2], frame(20).moment)
        np.testing.assert_array_equal(file["observables/energy_dipolar/value"], [0, -10, -20])


def test_a_long_parameter_text_fits(tmp_path):
    text = "# a comment\n" * 20_000
    writer = written(tmp_path / "run.h5", [0], text=text)
    writer.close()
    with h5py.File(tmp_path / "run.h5") as file:
        assert file["parameters"].attrs["text"] == text


def test_frames_wait_for_their_block_and_the_counter_comes_last(tmp_path):
    path = tmp_path / "run.h5"
    block = frames_per_block(COUNT)
    writer = written(path, range(block + 3))
    assert writer.frames == block  # three wait
    assert writer.last_step == block + 2
    writer.flush()
    assert writer.frames == block + 3
    writer.close()
    assert read_summary(path).last_step == block + 2


def test_reopened_file_is_cut_after_the_checkpoint_and_goes_on(tmp_path):
    whole = written(tmp_path / "whole.h5", range(0, 100, 10))
    whole.end(Ending.FINISHED, "finished", {})
    whole.close()
    pieces = written(tmp_path / "pieces.h5", range(0, 70, 10))
    pieces.end(Ending.INTERRUPTED, "interrupted", {})
    pieces.close()
    again = RunWriter.reopen(tmp_path / "pieces.h5", step=45)
    assert again.frames == 5
    assert read_ending(again) == (Ending.RUNNING.value, False)
    for step in range(50, 100, 10):
        again.append(frame(step))
    again.end(Ending.FINISHED, "finished", {})
    again.close()
    with h5py.File(tmp_path / "whole.h5") as a, h5py.File(tmp_path / "pieces.h5") as b:
        names = []
        a.visititems(lambda name, item: names.append(name) if hasattr(item, "shape") else None)
        assert "particles/film/moment/value" in names
        for name in names:
            np.testing.assert_array_equal(a[name][()], b[name][()], err_msg=name)


def read_ending(writer):
    attrs = writer._file["parameters"].attrs
    return attrs["ending"], bool(attrs["finished"])


def test_summary_tells_how_far_a_run_came(tmp_path):
    writer = written(tmp_path / "run.h5", [0, 10, 20])
    writer.end(Ending.INTERRUPTED, "interrupted by SIGINT", {"stepping_s": 2.5})
    writer.close()
    summary = read_summary(tmp_path / "run.h5")
    assert (summary.ending, summary.reason) == (Ending.INTERRUPTED, "interrupted by SIGINT")
    assert (summary.frames, summary.last_step, summary.run_id) == (3, 20, "abc")
    assert summary.resolved == record().resolved
    assert summary.timing == {"stepping_s": 2.5}
    assert summary.time_step_s == 2e-9


@pytest.mark.parametrize(("count", "frames"), [(1, 64), (1900, 10), (100_000, 1)])
def test_blocks_are_about_a_megabyte(count, frames):
    assert frames_per_block(count) == frames


@pytest.mark.parametrize("frames", [1, 100, 1500])
def test_size_of_a_file_is_foretold(tmp_path, frames):
    writer = written(tmp_path / "run.h5", range(frames))
    writer.end(Ending.FINISHED, "finished", {})
    writer.close()
    size = (tmp_path / "run.h5").stat().st_size
    assert file_bytes(COUNT, frames, len(ENERGIES)) == pytest.approx(size, rel=0.1, abs=70_000)


def test_only_the_duration_may_differ():
    old = {"run": {"duration": 1e-4, "seed": 7}, "film": {"width": [1.0, 2.0]}}
    assert (
        differences(old, {"run": {"duration": 9e-4, "seed": 7}, "film": {"width": [1.0, 2.0]}})
        == []
    )
    changed = {"run": {"duration": 1e-4, "seed": 8}, "film": {"width": [1.0, 3.0]}}
    assert differences(old, changed) == [
        "run.seed was 7 and is now 8",
        "film.width was [1.0, 2.0] and is now [1.0, 3.0]",
    ]
    steps = [{"field": {"steps": [{"kind": "hold", "strength": b}]}} for b in (0.03, 0.031)]
    assert differences(*steps) == ["field.steps.1.strength was 0.03 and is now 0.031"]
    assert differences(old, old | {"start": {"kind": "random"}}) == [
        "start.kind was absent and is now random"
    ]


STATE = {
    "positions": np.random.default_rng(1).random((5, 3)),
    "order": np.arange(5, dtype=np.int32),
    "key": np.array([2**64 - 1], dtype=np.uint64),
    "step": 12,
    "time": 0.1 + 0.2,
    "built": True,
    "kind": "cells",
    "shape": (3, 4),
    "numpy_number": np.float64(0.3),
    "nested": {"phase": 7},
}


def test_checkpoint_comes_back_bit_for_bit_with_its_types(tmp_path):
    kept = Checkpoint("abc", 12, 3, {"compile_s": 1.25, "steps": 12}, STATE)
    checkpoint.save(tmp_path / "checkpoint.h5", kept)
    back = checkpoint.load(tmp_path / "checkpoint.h5")
    assert (back.run_id, back.step, back.frames, back.timing) == ("abc", 12, 3, kept.timing)
    assert back.engine.keys() == STATE.keys()
    for name, value in STATE.items():
        assert type(back.engine[name]) is type(value), name
        if isinstance(value, np.ndarray):
            assert back.engine[name].dtype == value.dtype
            assert back.engine[name].tobytes() == value.tobytes()
        else:
            assert back.engine[name] == value


def test_a_checkpoint_that_cannot_be_written_leaves_the_one_before(tmp_path):
    path = tmp_path / "checkpoint.h5"
    checkpoint.save(path, Checkpoint("abc", 12, 3, {}, STATE))
    with pytest.raises(TypeError, match="thing"):
        checkpoint.save(path, Checkpoint("abc", 13, 3, {}, {"thing": object()}))
    assert checkpoint.load(path).step == 12
    assert [file.name for file in tmp_path.iterdir()] == ["checkpoint.h5"]


def test_checkpoint_of_something_else_is_refused(tmp_path):
    writer = written(tmp_path / "run.h5", [0])
    writer.close()
    with pytest.raises(RunFileError, match=r"run\.h5 is not a checkpoint of chainfilm"):
        checkpoint.load(tmp_path / "run.h5")
    checkpoint.save(tmp_path / "checkpoint.h5", Checkpoint("abc", 12, 3, {}, STATE))
    with pytest.raises(RunFileError, match="is an HDF5 file but not a run of chainfilm"):
        read_summary(tmp_path / "checkpoint.h5")
