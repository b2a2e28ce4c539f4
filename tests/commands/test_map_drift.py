"""`chainfilm map --drift` from file to files."""

import csv
import math
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest

from sim import cell_drift
from tests.commands.test_map_command import call, over_magnet

pytest.importorskip("magpylib")

FILES = {
    "cell_map.csv", "cell_map.vti", "drift.csv", "drift.vti", "drift_change.csv",
    "drift_frames.csv", "figures/chains_map.png", "figures/drift_chains.png",
    "figures/drift_maps.png", "figures/numbers_map.png",
}  # fmt: skip


@pytest.fixture
def film(tmp_path, monkeypatch):
    monkeypatch.setattr(cell_drift, "CELLS", 12)
    path = tmp_path / "film.toml"
    path.write_text(over_magnet())
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
