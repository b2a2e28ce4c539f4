"""What users give wrongly on the command line and around it: one sentence and exit code 2."""

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from sim.command_line import main
from sim.parameters import ParameterError, from_text
from sim.physics.units import plain_number
from tests.reference.small_film import small_film
from tests.reference.spoilt_runs import write_run

ROOT = Path(__file__).parents[2]
LONG = "x" * 300


@pytest.fixture(autouse=True)
def place(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "film.toml").write_text(small_film())
    (tmp_path / "file").touch()
    write_run(tmp_path / "run", sealed=True)
    return tmp_path


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (
            ["measure", "run", "--bond-alignment", "1"],
            "--bond-alignment must be from -1 to below 1",
        ),
        (["measure", "run", "--from-time", "-1 ms"], '--from-time must be from 0 s; received "-1 '),
        (["measure", "run", "--bond-distance", "1_2"], "must be a number; received 1_2"),
        (["measure", "run", "-o", LONG], "File name too long"),
        (["measure", LONG], "File name too long"),
        (["run", "film.toml", "-o", LONG], "File name too long"),
        (["run", "film.toml", "-o", ""], "must name a file or folder; received an empty text"),
        (["check", ""], "must name a file or folder; received an empty text"),
        (["measure", ""], "must name a file or folder; received an empty text"),
        (["micrograph", "", "--scale", "1 um/px"], "must name a file or folder"),
        (["check", "film.toml", "--no-timing", "--figure", "file/x.png"], "cannot be written"),
        (["check", "film.toml", "--no-timing", "--seed", "3_0"], "must be a whole number"),
        (["check", "film.toml", "--no-timing", "--seed", "\uff13"], "must be a whole number"),
    ],
    ids=lambda words: " ".join(words)[:40] if isinstance(words, list) else "",
)
def test_wrong_words_are_bad_input(words, said, capsys):
    assert main(words) == 2
    told = capsys.readouterr().err
    assert said in told
    assert "an error of the program" not in told
    assert told.count("\n") == 1


def test_numbers_are_in_ascii_digits():
    # Python's float takes all but the first of these; [lexical analysis] of its reference.
    assert plain_number(" 1.5e-3 ") == 1.5e-3
    assert [plain_number(word) for word in ("3_0", "\uff13", "\u0663", "nan", "inf")] == [None] * 5


def test_tables_of_sizes_and_fields_take_no_other_digits(place, capsys):
    text = small_film().replace('core_diameter = "', 'core_diameter = {file = "s.csv"} # "')
    assert "s.csv" in text
    (place / "film.toml").write_text(text)
    for share in ("3_0", "\uff13"):
        (place / "s.csv").write_text(f"12 nm, {share}\n13 nm, 1\n", encoding="utf-8")
        assert main(["check", "film.toml", "--no-timing"]) == 2
        assert "core_diameter" in capsys.readouterr().err
    from sim.magnets.field_table import FieldTableError, file_digest, read_grid

    path = place / "f.csv"
    for number in ("1_0", "\uff11"):
        path.write_text(f"x_mm,y_mm,z_mm,Bx_mT,By_mT,Bz_mT\n0,0,0,{number},0,0\n", encoding="utf-8")
        with pytest.raises(FieldTableError, match="finite numbers a row; line 2"):
            read_grid(str(path), file_digest(str(path)))


def test_nothing_that_is_echoed_steers_the_terminal(place, capsys):
    """A title or name may hold the codes of a terminal (ECMA-48) or turn the line (Unicode)."""
    (place / "film.toml").write_text('title = "a\\u001b[2Jb\\u202ec\\u009bd"\n' + "\n".join(
        line for line in small_film().splitlines() if not line.startswith("title")))  # fmt: skip
    assert main(["check", "film.toml", "--no-timing"]) == 0
    assert main(["measure", "no\x1b[31mthing"]) == 2
    told = capsys.readouterr()
    assert told.out.startswith("a?[2Jb?c?d\n")
    assert "no?[31mthing" in told.err
    assert not set("\x1b\x9b\u202e") & set(told.out + told.err)


def test_numba_switched_off_is_said_before_anything_is_made(place):
    words = [sys.executable, "-m", "sim", "run", "film.toml", "-o", "out"]
    environment = os.environ | {"NUMBA_DISABLE_JIT": "1", "PYTHONPATH": str(ROOT)}
    done = subprocess.run(words, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 2, done.stderr
    assert "NUMBA_DISABLE_JIT must be unset" in done.stderr
    assert not (place / "out").exists()


def test_a_key_of_very_many_parts_is_refused_before_room_is_made():
    """tomllib makes a table for each part and copies the path to it: gigabytes."""
    for key in (".".join("a" * 50_000), " . ".join(['"a"'] * 50_000), "a." * 50_000):
        began = time.process_time()
        with pytest.raises(ParameterError, match=r"key of more than 100 parts|not valid TOML"):
            from_text(f"[{key}]\nb = 1\n" if key[0] == "a" else f"{key} = 1\n", "film.toml")
        assert time.process_time() - began < 2.0
    began = time.process_time()  # a long word costs no more than its length
    with pytest.raises(ParameterError):
        from_text("a" * 900_000, "film.toml")
    assert time.process_time() - began < 2.0
