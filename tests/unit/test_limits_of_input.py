"""Long lists and large files are refused before they are worked through; a long sweep is sampled.

Common practice: an answer within seconds, or a sentence on what was left out.
"""

import itertools
import json
from types import SimpleNamespace

import h5py
import numpy as np
import pytest

from sim.command_line import main
from sim.commands import check as check_command
from sim.files.opening import RunFileError
from sim.film import start_file
from sim.magnets import field_table
from sim.parameters import ParameterError, from_text, load
from sim.sweeps import outlook as sweep_outlook
from sim.sweeps import table as sweep_table
from sim.sweeps.reading import _repeated
from tests.reference.small_film import small_film
from tests.reference.spoilt_runs import write_run

MANY = 10_001


def joined(texts):
    return ",".join(texts)


SWEPT = [
    (
        '"field.strength" = [' + joined(f'"{k} uT"' for k in range(MANY)) + "]",
        "[sweep] field.strength must hold at most 10000 values; received 10001.",
    ),
    (
        "\n".join(f'"film.k{k}" = [1]' for k in range(101)),
        "[sweep] must hold at most 100 keys; received 101.",
    ),
    (
        '"film.count" = [1]\ntogether = [[' + joined(f'"k{k}"' for k in range(101)) + "]]",
        "[sweep] together must name at most 100 keys; received 101.",
    ),
    (
        "[[sweep.points]]\n" + "\n".join(f'"film.k{k}" = 1' for k in range(101)),
        "[sweep] points must give at most 100 keys each; received 101.",
    ),
    (
        "\n".join(f'[[sweep.points]]\n"film.count" = {k}' for k in range(MANY)),
        "[sweep] points must be at most 10000 points; received 10001.",
    ),
]


@pytest.mark.parametrize(("table", "sentence"), SWEPT)
def test_lists_of_a_sweep_are_counted_before_they_are_read(table, sentence, monkeypatch):
    def short(values):
        assert len(values) < MANY
        return []

    monkeypatch.setattr("sim.sweeps.reading._repeated", short)
    reading = sweep_table.SweepReading(sweep_table.parse_toml(f"[sweep]\n{table}\n", "f.toml"))
    assert sentence in reading.problems
    assert len(reading.problems) <= 2


def test_equal_values_are_found_by_type():
    values = ["5 mT", 1, 1.0, True, [1, 2], "5 mT", [1, 2], 1, {"a": 1}, {"a": 1}]
    assert _repeated(values) == ["5 mT", [1, 2], 1, {"a": 1}]
    assert _repeated([1, 1.0, True, "1"]) == []


def test_pairs_of_an_index_are_counted_first():
    text = small_film() + "[optics]\ncore_index = [" + joined(["[2.3, 0.1]"] * 21) + "]\n"
    with pytest.raises(ParameterError) as caught:
        from_text(text)
    assert "[optics] core_index must be" in str(caught.value)
    assert "21 entries (1 to 20 are possible)" in str(caught.value)


def test_a_large_table_of_sizes_is_not_read(tmp_path, monkeypatch):
    (tmp_path / "sizes.csv").write_text("12 nm\n" * 200_000)
    text = small_film().replace(
        next(line for line in small_film().splitlines() if line.startswith("core_diameter")),
        'core_diameter = { file = "sizes.csv" }',
    )
    (tmp_path / "film.toml").write_text(text)
    with pytest.raises(ParameterError) as caught:
        load(tmp_path / "film.toml")
    assert caught.value.problems == [
        "[particles] core_diameter must name a file of at most 1000 kB; sizes.csv has 1200 kB."
    ]


def test_lines_of_a_measured_field_are_counted_first(tmp_path, monkeypatch):
    path = tmp_path / "field.csv"
    path.write_text("# empty\n" * 21)
    monkeypatch.setattr(field_table, "MOST_ROWS", 10)
    with pytest.raises(field_table.FieldTableError, match="at most 20 lines; received 21"):
        field_table.read_grid(str(path), field_table.file_digest(str(path)))


def test_of_thousands_of_mistakes_a_hundred_are_told():
    told = str(ParameterError("f.toml", [f"mistake {k}." for k in range(5000)])).splitlines()
    assert told[0] == "f.toml: 5000 mistakes"
    assert len(told) == 102
    assert told[-1] == "  and 4900 more."


def test_a_start_of_more_particles_than_a_film_has_is_not_read(tmp_path, monkeypatch):
    path = write_run(tmp_path / "run")
    monkeypatch.setattr(start_file, "MOST_PARTICLES", 11)
    with pytest.raises(RunFileError, match=r"\[start\] path .* at most 11 particles; .* holds 12"):
        start_file._last_frame(path)
    monkeypatch.undo()
    with h5py.File(path, "a") as file:
        file["parameters/frames_complete"][()] = 0
    with pytest.raises(RunFileError, match="holds no frame to start from"):
        start_file._last_frame(path)


# --- check of a long sweep -----------------------------------------------------------------------

LONG = (
    small_film()
    + '[sweep]\n"field.strength" = [' + joined(f'"{k + 1} uT"' for k in range(1000)) + "]\n"
    "replicas = 10\n"
)  # fmt: skip


class Clock:
    """A clock that goes on by a second each time that it is looked at."""

    def __init__(self):
        self.seconds = itertools.count()

    def monotonic(self):
        return float(next(self.seconds))


@pytest.mark.parametrize("count", [1, 2, 7, 1000])
def test_the_order_has_all_parts_at_every_length(count):
    order = sweep_table.spread_out(count)
    assert sorted(order) == list(range(count))
    # Of van der Corput's order the first 2^k numbers leave no gap longer than count/2^(k-1).
    for some in (2**k for k in range(1, count.bit_length())):
        gaps = np.diff([*sorted(order[:some]), count])
        assert gaps.max() <= 2 * 1024 / some


@pytest.fixture
def hurried(tmp_path, monkeypatch):
    """A sweep of 10 000 runs, and time for 9 points to be read and 4 to be looked at."""
    monkeypatch.setattr(sweep_table, "time", Clock())
    monkeypatch.setattr(sweep_outlook, "time", Clock())
    monkeypatch.setattr(check_command, "READING_SECONDS", 8.0)
    monkeypatch.setattr(check_command, "LOOKING_SECONDS", 3.0)
    (tmp_path / "long.toml").write_text(LONG)
    return tmp_path / "long.toml"


def test_check_of_ten_thousand_runs_says_what_it_leaves_out(hurried, capsys):
    assert main(["check", "--no-timing", str(hurried)]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "1000 points x 10 replicas = 10000 runs" in told
    assert "only 4 of 1000 points, from all parts of the sweep, were looked at" in told
    assert "only 9 were read; 996 were left out" in told
    assert main(["check", "--no-timing", "--json", str(hurried)]) == 0
    content = json.loads(capsys.readouterr().out)
    assert (content["runs"], content["points_not_looked_at"]) == (10_000, 996)
    # of 9 points read: 1, 9, 513 ... those looked at are of all parts of these again
    assert content["points"][0]["point"] == 1
    assert content["points"][-1]["point"] > 500


def test_a_short_sweep_is_looked_at_as_a_whole(tmp_path, capsys):
    path = tmp_path / "short.toml"
    path.write_text(small_film() + '[sweep]\n"field.strength" = ["5 mT", "10 mT"]\n')
    assert main(["check", "--no-timing", "--json", str(path)]) == 0
    content = json.loads(capsys.readouterr().out)
    assert content["points_not_looked_at"] == 0
    assert main(["check", "--no-timing", str(path)]) == 0
    assert "left out" not in capsys.readouterr().out


def test_points_of_a_sampled_plan_are_those_of_the_whole(monkeypatch):
    table = (
        '[sweep]\n"film.count" = [' + joined(str(60 + k) for k in range(12)) + "]\nreplicas = 2\n"
    )
    film = from_text(small_film() + table)
    whole = sweep_table.plan_sweep(film)
    monkeypatch.setattr(sweep_table, "time", Clock())
    some = sweep_table.plan_sweep(film, seconds=3.0)
    assert (len(some.points), some.left_out, some.point_count, some.run_count) == (4, 8, 12, 24)
    assert whole.run_count == len(whole.runs) == 24
    for point in some.points:
        assert point == whole.points[point.number - 1]


def test_the_cost_is_that_of_all_points():
    sampled = SimpleNamespace(run=SimpleNamespace(is_sampled=True, wall_time=None))
    plan = SimpleNamespace(
        points=[
            SimpleNamespace(number=n, runs=[SimpleNamespace(parameters=sampled)]) for n in (1, 6)
        ],
        runs_per_point=2, point_count=10, run_count=20,
    )  # fmt: skip
    points = [SimpleNamespace(point=n, particle_count=60, steps=3) for n in (1, 6)]

    def timer(setup, *, seconds):
        return SimpleNamespace(seconds_per_step=1.0, memory_bytes=10, file_bytes=100)

    cost = sweep_outlook.calibrate_sweep(plan, points, workers=1, timer=timer)
    assert (cost.runs, cost.wall_s, cost.longest_run_s) == (20, 60.0, 3.0)
    assert cost.file_bytes == 2000
    sampled.run.wall_time = 2.0  # a limit of the clock, which no sampled run goes beyond
    cost = sweep_outlook.calibrate_sweep(plan, points, workers=1, timer=timer)
    assert (cost.wall_s, cost.longest_run_s) == (40.0, 2.0)
    sampled.run.is_sampled = False
    assert sweep_outlook.calibrate_sweep(plan, points, workers=1, timer=timer).wall_s == 60.0
