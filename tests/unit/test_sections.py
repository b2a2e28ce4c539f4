"""A section of one's own is measured, written and warned about, and no other code knows it."""

import csv
import dataclasses
import json
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import pytest

from analysis import measure, open_run, write, write_tables
from analysis.chains.measured_run import Section
from analysis.files.curve import Curve, Table
from analysis.measures.sections import SECTIONS
from analysis.uncertainty.estimate import estimate
from tests.reference.planted import planted_run


@dataclass(frozen=True)
class Heights(Curve):
    """Mean height of the particles over time."""

    NAME: ClassVar = "heights"
    TABLE: ClassVar = Table("heights.csv", {"height_m": "height_mean_m"})
    time_s: np.ndarray
    height_m: np.ndarray


@dataclass(frozen=True)
class Highest(Curve):
    """The largest of them, in no table."""

    NAME: ClassVar = "highest"
    largest_m: float


class HeightSection(Section):
    """Mean height of the particles, averaged as every number is."""

    name = "height"

    def __init__(self, seen):
        super().__init__(seen)
        self.heights = []

    def add(self, frame):
        self.heights.append(float(frame.positions[:, 2].mean()))

    def numbers(self, warnings):
        warnings.append("height.mean_m: of all particles alike")
        heights = np.array(self.heights)
        self.drawn += [Heights(self.seen.run.times, heights), Highest(float(heights.max()))]
        return {"mean_m": estimate(heights[self.seen.stage.frames]).as_dict()}


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    return open_run(planted_run(tmp_path_factory.mktemp("planted"), frames=6, plateau=6.0))


def test_a_section_of_ones_own_reaches_numbers_curves_tables_and_warnings(run, tmp_path):
    found = measure(run, sections=[*SECTIONS, HeightSection])
    write(found, tmp_path)
    numbers = json.loads((tmp_path / "measures.json").read_text())
    heights = np.array([run.positions(frame)[:, 2].mean() for frame in range(run.frames)])
    late = heights[run.times >= 0.5 * run.times[-1]]
    assert numbers["height"]["mean_m"]["value"] == pytest.approx(late.mean())
    assert list(numbers)[-4:] == ["height", "with_flow", "timing", "warnings"]
    assert "height.mean_m: of all particles alike" in numbers["warnings"]
    short = next(words for words in numbers["warnings"] if "the run is too short" in words)
    assert "height.mean_m" in measured_names(numbers, short)
    np.testing.assert_array_equal(Heights.among(found.curves).height_m, heights)
    assert tmp_path / "heights.csv" in write_tables(found, tmp_path)
    with (tmp_path / "heights.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [float(row["height_mean_m"]) for row in rows] == pytest.approx(
        heights.tolist(), rel=1e-5
    )
    assert list(rows[0]) == ["time_s", "height_mean_m"]
    without = measure(run)
    assert "height" not in without.numbers
    plain = {k: v for k, v in numbers.items() if k not in ("height", "warnings")}
    assert plain == {k: v for k, v in without.numbers.items() if k != "warnings"}


def measured_names(numbers, words):
    """The averages that rest on few samples, all of them: the warning counts what it leaves out."""
    shown = words.split("too short for ")[1].split(":")[0]
    few = [
        f"{section}.{key}"
        for section in ("chains", "spacing", "alignment", "magnetisation", "height")
        for key, entry in numbers[section].items()
        if isinstance(entry, dict) and (entry.get("samples") or 99) < 8
        and entry.get("value") is not None
    ]  # fmt: skip
    assert shown.split(",")[0] in few
    return few


def test_a_table_without_rows_takes_away_that_of_an_earlier_measurement(run, tmp_path):
    found = measure(run, sections=[*SECTIONS, HeightSection])
    write_tables(found, tmp_path)
    found.curves["heights"] = Heights.empty()
    write_tables(found, tmp_path)
    assert not (tmp_path / "heights.csv").exists()
    assert not list(tmp_path.glob("highest*"))


def test_sections_and_curves_have_names_of_their_own(run):
    with pytest.raises(ValueError, match="every section must have a name of its own; received hei"):
        measure(run, sections=[HeightSection, HeightSection])

    class Other(HeightSection):
        name = "other"

    with pytest.raises(ValueError, match="every curve must have a name of its own; received heig"):
        measure(run, sections=[HeightSection, Other])


def test_a_column_that_a_curve_does_not_have_raises(run):
    curve = measure(run, sections=[HeightSection]).curves["heights"]
    assert curve["height_m"] is curve.height_m
    with pytest.raises(KeyError, match="Heights has the columns time_s, height_m; rec"):
        curve["heigth_m"]
    with pytest.raises(AttributeError):
        _ = curve.heigth_m
    with pytest.raises(dataclasses.FrozenInstanceError):
        curve.height_m = np.zeros(3)
    assert np.isnan(Highest.empty().largest_m)
