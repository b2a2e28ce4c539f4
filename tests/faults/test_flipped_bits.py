"""Single bits of run.h5 that flip on the disk: seen or harmless, never wrong numbers."""

import random
import shutil

import pytest

from analysis.trajectory.run import open_run
from sim.commands.errors import BAD_INPUT, explain
from sim.files.record import Ending
from sim.parameters import from_text
from sim.run import simulate as one_run
from sim.run.schedule import AtSteps
from sim.run.simulate import simulate
from sim.run.watchers import Stop
from tests.reference.fake_engine import FakeEngine, fake_setup
from tests.reference.guarded import outcome
from tests.reference.small_film import small_film
from tests.reference.spoilt_runs import write_run

FLIPS = 200


class AtStep50:
    """Interrupts the run in the middle."""

    schedule = AtSteps([50])

    def look(self, scene):
        raise Stop(Ending.INTERRUPTED, f"interrupted at {scene.engine.step}")

    def close(self, scene):
        pass


def spoilt(whole, chance):
    """Return the bytes with one bit changed."""
    content = bytearray(whole)
    content[chance.randrange(len(whole))] ^= 1 << chance.randrange(8)
    return bytes(content)


def everything(path):
    """Return all that a measurement reads of a run."""
    run = open_run(path)
    frames = range(run.frames)
    return [
        run.times.tobytes(), run.steps.tobytes(), run.sides.tobytes(), run.thickness,
        run.diameters.tobytes(), run.moment_magnitudes.tobytes(), str(run.resolved),
        str(run.derived), str(run.bonds), run.seed, run.finished, run.parameters_text,
        *(run.positions(frame).tobytes() for frame in frames),
        *(run.moments(frame).tobytes() for frame in frames),
        *(f"{name}{values.tobytes()}" for name, values in sorted(run.observables.items())),
    ]  # fmt: skip


def test_a_reader_sees_the_flip_or_reads_what_was_written(tmp_path):
    path = write_run(tmp_path / "run", sealed=True)
    whole, good, chance = path.read_bytes(), everything(path), random.Random(1)
    wrong, said = [], []

    def read(case):
        if everything(case) != good:
            wrong.append(case)

    for _ in range(FLIPS):
        path.write_bytes(spoilt(whole, chance))
        said.append(outcome(read, path, tmp_path))
    assert wrong == []
    assert set(said) == {"read", "refused"}  # no traceback, no hang; both happen


@pytest.mark.slow
def test_a_run_goes_on_to_the_same_frames_or_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(one_run, "RunSetup", fake_setup(100))
    film = from_text(small_film(frames=10))

    def go(folder, **options):
        return simulate(film, folder, engine_factory=FakeEngine, **options)

    go(tmp_path / "whole")
    good = everything(tmp_path / "whole")
    go(tmp_path / "half", stop_rules=[AtStep50()])
    half, case = tmp_path / "half", tmp_path / "case"
    whole, chance, ended = (half / "run.h5").read_bytes(), random.Random(2), []
    for _ in range(FLIPS):
        shutil.rmtree(case, ignore_errors=True)
        shutil.copytree(half, case)
        content = spoilt(whole, chance)
        (case / "run.h5").write_bytes(content)
        try:
            go(case, resume=True)
            ended.append("went on")
            assert everything(case) == good
        except Exception as error:
            code, text = explain(error)
            assert code == BAD_INPUT, text
            assert "run.h5" in text
            assert "\n" not in text
            assert (case / "run.h5").read_bytes() == content  # nothing is written over
            ended.append("refused")
    assert set(ended) == {"went on", "refused"}
