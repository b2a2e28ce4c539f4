"""`chainfilm map --drift` from file to files."""

import csv
import math
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest

from sim.outlook.cell import drift as cell_drift
from tests.commands.test_map_command import MAGNET, call
from tests.reference.planted_sweep import planted_sweep
from tests.reference.small_film import over_magnets

pytest.importorskip("magpylib")

FILES = {
    "cell_map.csv", "cell_map.vti", "drift.csv", "drift.vti", "drift_change.csv",
    "drift_frames.csv", "figures/chains_map.png", "figures/drift_chains.png",
    "figures/drift_maps.png", "figures/numbers_map.png", "map.json",
}  # fmt: skip


@pytest.fixture
def film(tmp_path, monkeypatch):
    monkeypatch.setattr(cell_drift, "CELLS", 12)
    path = tmp_path / "film.toml"
    path.write_text(over_magnets(MAGNET))
    return path


def read(path):
    """Return the columns of a table."""
    with path.open() as file:
        rows = list(csv.DictReader(file))
    return {name: np.array([float(row[name]) for row in rows]) for name in rows[0]}


def test_a_drift_leaves_its_tables_and_figures(film, tmp_path, capsys):
    out = tmp_path / "cell"
    assert call("map", film, "--drift", "1 week", "-o", out) == 0
    told = capsys.readouterr().out
    assert {str(path.relative_to(out)) for path in out.rglob("*.*")} == FILES
    for words in ("Drift over 1 week", "change done after 1 week", "in equilibrium", "Limits"):
        assert words in told
    places, frames = read(out / "drift.csv"), read(out / "drift_frames.csv")
    assert frames["time_s"][[0, -2, -1]] == pytest.approx([0.0, 604_800.0, math.inf])
    kept = places["volume_fraction"].reshape(len(frames["time_s"]), -1)
    assert kept.mean(axis=1) == pytest.approx(kept[0].mean(), rel=1e-12)  # a closed cell
    assert kept.min(axis=1) == pytest.approx(frames["volume_fraction_least"])
    # d sqrt(pi/(6 phi)): single chains of 20 nm particles in a square array
    packed = 20e-9 * np.sqrt(math.pi / (6.0 * kept))
    assert places["spacing_m"] == pytest.approx(packed.ravel(), rel=1e-12)
    assert frames["spacing_most_m"] == pytest.approx(packed.max(axis=1))
    names = [a.get("Name") for a in ElementTree.parse(out / "drift.vti").iter("DataArray")]
    assert "volume_fraction_after_604800_s" in names
    assert "state_in_equilibrium" in names


def test_a_map_without_drift_leaves_no_old_drift(film, tmp_path):
    out = tmp_path / "cell"
    assert call("map", film, "--drift", "1 h", "-o", out) == 0
    (out / "drift_notes.txt").write_text("mine")
    assert call("map", film, "-o", out, "--overwrite") == 0
    left = {str(path.relative_to(out)) for path in out.rglob("*.*")}
    assert left == {name for name in FILES if "drift" not in name} | {"drift_notes.txt"}


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            "0.2 s",
            '--drift must be a time from 1 s to 100 years such as "1 week"; received "0.2 s"',
        ),
        ("101 years", "--drift must be a time from 1 s to 100 years"),
        ("5", "--drift: must be a time with its unit"),
        ("5 mm", "mm is a unit of length, not of time"),
    ],
)
def test_a_time_out_of_range_is_bad_input(text, sentence, film, tmp_path, capsys):
    out = tmp_path / "cell"
    assert call("map", film, "--drift", text, "-o", out) == 2
    told = capsys.readouterr().err
    assert sentence in told
    assert told.count("\n") == 1
    assert not out.exists()


def test_a_sweep_is_laid_over_map_and_drift(film, tmp_path, capsys):
    """The planted length 1 + 100 B is linear between 5, 10, 20 and 40 mT in log B."""
    out, sweep = tmp_path / "cell", planted_sweep(tmp_path / "trends")
    level = over_magnets(MAGNET).replace("direction = [0, 0, 1]", "direction = [1, 0, 0]")
    film.write_text(level.replace('"0.12 um"', '"0.2 um"'))
    words = ("map", film, "--sweep", sweep, "--drift", "1 year", "-o", out)
    assert call(*words) == 0, capsys.readouterr().err
    told = capsys.readouterr().out
    assert "inside the sweep" in told
    assert "outside: other tilt" in told
    made = {str(path.relative_to(out)) for path in out.rglob("*.*")}
    assert made == FILES | {"figures/sweep_map.png", "figures/sweep_errors_map.png"}
    with (out / "cell_map.csv").open() as file:
        rows = list(csv.DictReader(file))
    inside = [row for row in rows if row["sweep_outside"] == "0"]
    assert 0 < len(inside) < len(rows)
    for row in inside[::23]:
        assert abs(float(row["tilt_deg"])) <= 10.0
        strength, knots = float(row["strength_T"]), np.array([0.005, 0.01, 0.02, 0.04])
        length = np.interp(math.log(strength), np.log(knots), 1.0 + 100.0 * knots)
        assert float(row["sweep_chains_mean_length"]) == pytest.approx(length, rel=1e-6)
        assert float(row["sweep_spacing_width_m"]) == pytest.approx(22e-9)
    outside = next(row for row in rows if row["sweep_outside"] != "0")
    assert outside["sweep_chains_mean_length"] == outside["sweep_spacing_width_m_error"] == ""
    with (out / "drift.csv").open() as file:
        drifted = list(csv.DictReader(file))
    far = [row for row in drifted if abs(float(row["volume_fraction"]) / 0.03 - 1.0) > 0.11]
    assert far
    assert all(int(float(row["sweep_outside"])) & 16 for row in far)


def test_a_folder_without_sweep_is_bad_input(film, tmp_path, capsys):
    out = tmp_path / "cell"
    assert call("map", film, "--sweep", tmp_path, "-o", out) == 2
    assert "holds no sweep" in capsys.readouterr().err
    assert not out.exists()
