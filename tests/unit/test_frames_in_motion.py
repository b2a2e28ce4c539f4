"""The film in motion: frames, times, colours and size of the GIF; the video as ffmpeg gets it."""

import os
import shutil
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from analysis import open_run
from analysis.chains.bonds import rule_of
from analysis.chains.measured_run import MeasuredRun
from analysis.pictures import motion
from sim.command_line import main
from tests.reference.planted import planted_run

FRAMES = 4


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("film")
    planted_run(folder, frames=12)
    return folder


@pytest.fixture
def no_ffmpeg(monkeypatch):
    monkeypatch.setattr(shutil, "which", lambda _: None)


def frames_of(path):
    """Return the frames of a GIF in colours, and how long each shows in ms."""
    with Image.open(path) as picture:
        frames, shown = [], []
        for number in range(picture.n_frames):
            picture.seek(number)
            frames.append(np.asarray(picture.convert("RGB"), int))
            shown.append(picture.info["duration"])
        return frames, shown, picture.info.get("loop")


def share(frame, colour):
    """Return the share of a picture that is of a colour as near viewers."""
    from matplotlib.colors import to_rgb

    return np.mean(np.abs(frame - 255 * np.array(to_rgb(colour))).max(axis=2) <= 4)


def test_chains_grow_in_the_loop(folder, no_ffmpeg, capsys):
    assert main(["plot", str(folder), "--animate", "--frames", str(FRAMES)]) == 0
    path = folder / "figures" / "film.gif"
    assert capsys.readouterr().out == f"wrote {path}\n"
    frames, shown, loop = frames_of(path)
    assert loop == 0  # for ever
    assert shown == [1500, 1500, 1500, 3000]
    assert all((first != second).any() for first, second in pairwise(frames))
    singles = [share(frame, motion.CLASSES[0][2]) for frame in frames]
    assert singles[0] > 3 * singles[-1]
    longer = [sum(share(frame, colour) for _, _, colour in motion.CLASSES[2:]) for frame in frames]
    assert longer[-1] > longer[0]
    assert not (folder / "figures" / "film.mp4").exists()


def seen_run(path):
    run = open_run(path)
    return MeasuredRun.of(run, rule_of(run.bonds, 298.15))


def texts(figure):
    return " | ".join(
        text.get_text()
        for text in [*figure.texts, *(t for axes in figure.axes for t in axes.texts)]
    )


def test_a_frame_says_when_it_is_and_how_long_chains_are(folder):
    seen = seen_run(folder)
    for number in (0, 11):
        frame = seen.frame(number)
        said = texts(motion._figure(seen, frame))
        length = frame.chains.lengths.mean()
        assert f"mean length {length:.2f} particles" in said
        assert f"t = {seen.run.times[number] * 1e6:.3g} µs" in said
        assert said.count("B = 30 mT") == 2  # in both views


def test_a_field_that_is_off_is_told(tmp_path):
    planted_run(tmp_path, frames=6, switch_off_at=1e-4)
    seen = seen_run(tmp_path)
    assert "B = 30 mT" in texts(motion._figure(seen, seen.frame(0)))
    assert texts(motion._figure(seen, seen.frame(5))).count("no field") == 2


def test_a_field_across_the_film_points_at_the_viewer(tmp_path):
    planted_run(tmp_path, frames=3, axis=2)
    seen = seen_run(tmp_path)
    assert "B = 30 mT, towards the viewer" in texts(motion._figure(seen, seen.frame(2)))


def test_a_sampled_film_tells_its_sweep_and_no_time(tmp_path):
    planted_run(tmp_path, frames=3, derived={"dynamics": "monte_carlo"})
    seen = seen_run(tmp_path)
    said = texts(motion._figure(seen, seen.frame(2)))
    assert f"sweep {seen.run.steps[2]}," in said
    assert "t =" not in said


def test_positions_without_moments_are_shown_too(tmp_path):
    planted_run(tmp_path, frames=3, moments=False)
    seen = seen_run(tmp_path)
    assert "mean length" not in texts(motion._figure(seen, seen.frame(2)))


def program(folder, text):
    """Put a program called ffmpeg on the path that notes its words and does what a text says."""
    path = folder / "ffmpeg"
    path.write_text(f'#!/bin/sh\necho "$@" > {folder}/words\n{text}\n', encoding="utf-8")
    path.chmod(0o755)
    return f"{folder}{os.pathsep}{os.environ['PATH']}"


def test_a_video_gets_all_frames(folder, tmp_path, monkeypatch):
    # The last word is the file that is made; here it holds what came in.
    monkeypatch.setenv("PATH", program(tmp_path, 'for last; do :; done; cat > "$last"'))
    assert main(["plot", str(folder), "--animate", "--frames", str(FRAMES)]) == 0
    got = (folder / "figures" / "film.mp4").read_bytes()
    assert got.count(b"\x89PNG\r\n\x1a\n") == FRAMES  # signature of PNG
    words = (tmp_path / "words").read_text(encoding="utf-8")
    assert f"-framerate {1 / 1.5:.6g} " in words  # as long as those of the GIF
    assert list((folder / "figures").glob(".*")) == []


def test_a_video_that_fails_is_told_and_the_rest_is_there(folder, tmp_path, monkeypatch, capsys):
    fails = "echo noise >&2; echo Unknown encoder >&2; exit 1"
    monkeypatch.setenv("PATH", program(tmp_path, fails))
    (folder / "figures").mkdir(exist_ok=True)
    (folder / "figures" / "film.mp4").write_bytes(b"old")
    assert main(["plot", str(folder), "--animate", "--frames", "2"]) == 0
    said = capsys.readouterr()
    assert "figures.film.mp4: could not be drawn (RuntimeError: Unknown encoder)" in said.err
    assert not (folder / "figures" / "film.mp4").exists()
    assert (folder / "figures" / "film.gif").exists()


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="there is no ffmpeg here")
def test_ffmpeg_makes_a_video(folder):
    assert main(["plot", str(folder), "--animate", "--frames", "3"]) == 0
    # ISO/IEC 14496-12: a file begins with its type after four bytes of length.
    assert Path(folder / "figures" / "film.mp4").read_bytes()[4:8] == b"ftyp"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--animate", "--format", "svg"), "--format is for figures, not for --animate"),
        (("--frames", "5"), "--frames needs --animate; received 5"),
    ],
)
def test_options_that_would_do_nothing_are_refused(folder, capsys, words, said):
    assert main(["plot", str(folder), *words]) == 2
    assert said in capsys.readouterr().err
