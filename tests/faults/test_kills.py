"""SIGKILL at random moments of a real run: resumed, it gives the bits of one never stopped."""

import random
import signal
import time
from functools import partial

import pytest

from sim.command_line import main
from sim.files.checkpoint import load
from sim.files.run_file import read_summary
from sim.parameters import from_text
from sim.run.simulate import simulate
from tests.reference.real_runs import finish, frames_in, start, wait_until
from tests.reference.small_film import small_film

LONG = {"duration": "600 us", "frames": 300}
"""About two seconds of stepping."""


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    path = tmp_path_factory.mktemp("kills") / "film.toml"
    path.write_text(small_film(**LONG))
    return path


@pytest.fixture(scope="module")
def whole(film):
    """Return a function that gives the folder of a run that nobody stopped, by its seed."""
    made = {}

    def folder(seed):
        if seed not in made:
            text = small_film(**LONG).replace("seed = 7", f"seed = {seed}")
            made[seed] = film.parent / f"whole_{seed}"
            simulate(from_text(text), made[seed], threads=1)
        return made[seed]

    return folder


def has_more_frames(path, before):
    return frames_in(path) > before


@pytest.mark.parametrize(("seed", "threads"), [(1, 1), (2, 2)])
def test_killed_at_random_and_resumed_gives_the_same_bits(film, whole, capsys, seed, threads):
    chance, out, kills = random.Random(seed), film.parent / f"killed_{seed}", 0
    same = ["check", "--same", str(whole(seed)), str(out)]
    words = ("run", film, "-o", out, "--no-plots", "--resume", "--seed", seed)
    while kills < 3:
        # any number of threads, the same bits
        process = start(
            *words, "--threads", threads if kills % 2 else 3 - threads, checkpoints=0.1,
            measured=False,
        )  # fmt: skip
        wait_until(process, partial(has_more_frames, out / "run.h5", frames_in(out / "run.h5")))
        time.sleep(chance.uniform(0.0, 0.4))
        process.send_signal(signal.SIGKILL)
        process.communicate()
        kills += 1
        summary = read_summary(out / "run.h5")  # readable, whenever it was killed
        assert summary.frames >= 1
        if (out / "checkpoint.h5").exists():
            assert load(out / "checkpoint.h5").frames <= summary.frames
        if summary.ending.is_complete:
            break
    code, told = finish(*words, "--threads", threads, measured=False)
    assert code == 0, told
    assert main(same) == 0, capsys.readouterr().out
    assert "the trajectories are the same bit for bit (301 frames)" in capsys.readouterr().out


def test_a_finished_run_made_longer_has_the_frames_of_one_that_was_longer(film, tmp_path, capsys):
    """The first run has every tenth frame of its time, the second one goes on at that distance."""
    short, long = tmp_path / "short.toml", tmp_path / "long.toml"
    short.write_text(small_film("10 us", 10))
    long.write_text(small_film("20 us", 20))
    longer = tmp_path / "longer.toml"
    longer.write_text(small_film("20 us", 10))
    for file, out in ((short, "grown"), (long, "whole")):
        code, told = finish("run", file, "-o", tmp_path / out, "--no-plots", measured=False)
        assert code == 0, told
    code, told = finish("run", longer, "-o", tmp_path / "grown", "--no-plots", "--resume")
    assert code == 0, told
    code = main(["check", "--same", str(tmp_path / "grown"), str(tmp_path / "whole")])
    assert code == 0, capsys.readouterr().out
    assert "bit for bit (21 frames)" in capsys.readouterr().out


def test_two_seeds_are_not_the_same(whole, capsys):
    """The comparison that the tests above rely on can fail."""
    assert main(["check", "--same", str(whole(1)), str(whole(2))]) == 1
    assert "the trajectories differ" in capsys.readouterr().out
