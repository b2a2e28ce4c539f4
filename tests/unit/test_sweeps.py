"""Tables of a sweep: planted numbers come back, half-finished and failed runs are told."""

from __future__ import annotations

import csv
import json
import math

import numpy as np
import pytest

from analysis.sweeps.gather import SweepFolderError, collect, write_tables
from analysis.sweeps.keys import SweptKey
from analysis.sweeps.run import growth_time
from analysis.uncertainty.estimate import NOTHING
from tests.reference.planted import planted_run
from tests.reference.planted_sweep import FIELDS, KEYS, planted_sweep, usual

ONE_KEY = KEYS[:1]


def read(path):
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def one_point(folder, *runs):
    """A sweep of one point whose replicas are planted as told."""
    return collect(
        planted_sweep(
            folder,
            keys=ONE_KEY,
            points=[{"field.strength_T": 0.02}],
            replicas=len(runs),
            measures=lambda _, replica: runs[replica - 1],
        )
    )


def test_means_and_errors_of_the_planted_points(tmp_path):
    table = collect(planted_sweep(tmp_path / "s"))
    assert table.complete
    assert table.label == ""
    assert table.keys == ["field.strength", "film.thickness"]
    assert len(table.rows) == 16
    for row in table.summary:
        # replicas were planted 0.02 apart about 1 + 100 B, each with the error 0.05
        assert row["chains_mean_length"] == pytest.approx(1 + 100 * row["field.strength_T"])
        assert row["chains_mean_length_error"] == pytest.approx(0.05 / math.sqrt(2))
        assert row["chains_mean_length_replicas"] == 2
        assert row["equilibrated_share"] == (1.0 if row["film.thickness_m"] < 0.2e-6 else 0.0)
        assert row["spacing_line_density_m"] == pytest.approx(87.7e-9)
        assert row["relaxation_growth_exponent"] is None
        assert row["relaxation_growth_exponent_replicas"] == 0


def test_with_three_replicas_the_error_is_their_scatter(tmp_path):
    lengths = (2.0, 3.0, 4.0)
    table = one_point(tmp_path / "s", *({"mean_length": n, "error": 0.01} for n in lengths))
    (row,) = table.summary
    assert row["chains_mean_length"] == pytest.approx(3.0)
    # standard deviation of 2, 3, 4 is 1; of the mean of three 1/sqrt(3)
    # Student's factors for 2 degrees of freedom, from tables: 1.3213 and 4.3027.
    assert row["chains_mean_length_error"] == pytest.approx(1.3213 / math.sqrt(3), rel=1e-4)
    half = 4.3027 / math.sqrt(3)
    middle = row["chains_mean_length"]
    assert row["chains_mean_length_low_95"] == pytest.approx(middle - half, rel=1e-4)
    assert row["chains_mean_length_high_95"] == pytest.approx(middle + half, rel=1e-4)


def test_one_replica_keeps_its_own_error(tmp_path):
    (row,) = one_point(tmp_path / "s", {"mean_length": 2.0, "error": 0.07}).summary
    assert row["chains_mean_length_error"] == pytest.approx(0.07)
    assert row["chains_mean_length_replicas"] == 1


def test_pairs_of_all_points_together_widen_errors_that_are_too_small(tmp_path):
    """Eight pairs, each 0.6 apart with errors of 0.05: (0.6^2 / 2) / 0.05^2 = 72 a pair."""

    def planted(columns, replica):
        return usual(columns, replica) | {"mean_length": 3.0 + 0.3 * (2 * replica - 3)}

    table = collect(planted_sweep(tmp_path / "s", measures=planted))
    assert table.scatter["chains_mean_length"] == pytest.approx(math.sqrt(72.0))
    widened = 0.05 / math.sqrt(2) * math.sqrt(72.0)
    for row in table.summary:
        assert row["chains_mean_length_error"] == pytest.approx(widened)
    # six pairs are wanted: five are not enough to judge by
    points = [{"field.strength_T": 0.01 * k} for k in range(1, 6)]
    few = collect(planted_sweep(tmp_path / "few", keys=ONE_KEY, points=points, measures=planted))
    assert few.scatter == {}
    assert few.summary[0]["chains_mean_length_error"] == pytest.approx(0.05 / math.sqrt(2))


def test_a_half_finished_sweep_is_given_and_labelled(tmp_path):
    def half(columns, replica):
        return usual(columns, replica) if columns["field.strength_T"] < 0.015 else None

    folder = planted_sweep(tmp_path / "s", measures=half)
    table = collect(folder)
    assert not table.complete
    assert table.label == "unfinished: 8 of 16 runs are done"
    rows = {row["field.strength_T"]: row for row in table.summary}
    assert rows[0.005]["complete"] == "yes"
    assert rows[0.04]["complete"] == "no"
    assert rows[0.04]["replicas_done"] == 0
    assert rows[0.04]["chains_mean_length"] is None
    assert rows[0.04]["equilibrated_share"] is None
    assert {row["reason"] for row in table.rows} == {"", "not started"}


def test_failed_runs_are_left_out_of_means_and_named(tmp_path):
    table = one_point(
        tmp_path / "s",
        {"mean_length": 2.0},
        {"mean_length": 9.0, "outcome": ("failed", "particle 3 moved too far")},
        {"exists": False, "outcome": ("interrupted", "stopped by Ctrl-C")},
    )
    assert [row["status"] for row in table.rows] == ["done", "failed", "unfinished"]
    assert table.rows[1]["reason"] == "particle 3 moved too far"
    assert table.rows[1]["chains_mean_length"] is None
    assert table.rows[2]["reason"] == "stopped by Ctrl-C"
    assert table.summary[0]["chains_mean_length"] == pytest.approx(2.0)
    assert table.summary[0]["replicas_failed"] == 1
    assert table.label == "unfinished: 1 of 3 runs are done; 1 of 3 runs failed"


def test_a_run_that_ended_early_or_was_not_measured_is_unfinished(tmp_path):
    table = one_point(tmp_path / "s", {"finished": False}, {"exists": False})
    assert [row["status"] for row in table.rows] == ["unfinished", "unfinished"]
    planted_run(tmp_path / "s" / table.rows[1]["folder"], frames=2)
    again = collect(tmp_path / "s").rows[1]
    assert (again["status"], again["reason"]) == ("unfinished", "simulated, not measured yet")
    (tmp_path / "s" / again["folder"] / "run.h5").write_bytes(b"half a fil")
    assert collect(tmp_path / "s").rows[1]["reason"] == "its run file cannot be read yet"


def test_tables_read_back_to_the_same_bits(tmp_path):
    folder = planted_sweep(tmp_path / "s")
    table = collect(folder)
    paths = write_tables(table, folder)
    assert [path.name for path in paths] == ["sweep.csv", "summary.csv"]
    for path, rows in zip(paths, (table.rows, table.summary), strict=True):
        found = read(path)
        assert list(found[0]) == list(rows[0])
        for got, row in zip(found, rows, strict=True):
            for name, value in row.items():
                if value is None:
                    assert got[name] == ""
                elif isinstance(value, float):
                    assert float(got[name]) == value
                else:
                    assert got[name] == str(value)
    before = [path.read_bytes() for path in paths]
    write_tables(collect(folder), folder)
    assert [path.read_bytes() for path in paths] == before


def test_columns_are_those_promised(tmp_path):
    folder = planted_sweep(tmp_path / "s")
    names = list(collect(folder).rows[0])
    assert names[:10] == [
        *("point", "replica", "seed", "status", "reason", "folder"),
        *("field.strength_T", "film.thickness_m", "equilibrated", "chains_mean_length"),
    ]
    for name in ("growth_time_s", "spacing_structure_factor_m", "chains_spanning_share"):
        assert {name, f"{name}_error"} <= set(names)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, "holds no sweep"),
        ("{", "is no JSON"),
        ("[]", "must hold the lists"),
        ('{"keys": [], "points": [{"point": 1}]}', "must hold the lists"),
        ('{"keys": ["field.strength"], "points": []}', "must hold the lists"),
    ],
)
def test_a_folder_without_a_sweep_is_told_in_one_sentence(tmp_path, content, said):
    if content is not None:
        (tmp_path / "sweep.json").write_text(content)
    with pytest.raises(SweepFolderError, match=said) as caught:
        collect(tmp_path)
    assert "\n" not in str(caught.value)


def test_damaged_run_files_do_not_stop_the_others(tmp_path):
    folder = planted_sweep(tmp_path / "s")
    first = collect(folder).rows[0]["folder"]
    (folder / first / "measures.json").write_text('{"chains": 3')
    (folder / collect(folder).rows[1]["folder"] / "time_series.csv").write_text("time_s\nabc\n")
    table = collect(folder)
    assert table.rows[0]["status"] == "unfinished"
    assert table.rows[1]["growth_time_s"] is None
    assert table.count("done") == 15


def test_growth_time_of_a_line():
    """From 1 at 0 s to 3 at 2 s the length is 2 at 1 s; a band of 0.1 crosses 0.1 s off."""
    time = np.linspace(0.0, 2.0, 9)
    found = growth_time(time, 1 + time, np.full(9, 0.1), np.ones(9))
    assert found.value == pytest.approx(1.0)
    assert found.error == pytest.approx(math.hypot(0.1, 0.25 / math.sqrt(12)))


def test_growth_time_counts_from_switching_on():
    time = np.linspace(0.0, 3.0, 13)
    length = 1 + np.clip(time - 1.0, 0.0, None)
    field = np.where(time > 1.0, 0.02, 0.0)
    found = growth_time(time, length, np.zeros(13), field)
    assert found.value == pytest.approx(1.0)


@pytest.mark.parametrize("length", [[1.0, 1.5, 1.9], [2.5, 2.6, 2.7], [math.nan] * 3])
def test_growth_time_is_not_guessed(length):
    found = growth_time(np.arange(3.0), np.array(length), np.zeros(3), np.ones(3))
    assert found.value is None


def test_growth_time_needs_times():
    length = np.array([1.0, 2.5, 3.0])  # of a sampled run, whose times are blank
    unknown = np.full(3, math.nan)
    assert growth_time(unknown, length, 0.1 * length, np.ones(3)) == NOTHING


def test_growth_time_without_a_sure_error():
    """The lower edge of the band never reaches two: a time, but no error."""
    found = growth_time(np.arange(3.0), np.array([1.0, 1.6, 2.1]), np.full(3, 0.3), np.ones(3))
    assert found.value == pytest.approx(1.8)
    assert found.error is None


@pytest.mark.parametrize(
    ("key", "suffix", "value", "shown", "label"),
    [
        ("field.strength", "T", 0.02, "20 mT", "Applied field (mT)"),
        ("film.thickness", "m", 3e-7, "300 nm", "Film thickness (nm)"),
        ("field.ramp_rate", "T_per_s", 5e3, "5 kT/s", "Ramp rate of the field (kT/s)"),
        ("repulsion.grafting_density", "per_m2", 3e17, "0.3 nm⁻²", None),
        ("carrier.temperature", "K", 298.15, "298.1 K", "Temperature (K)"),
        ("field.tilt", "rad", math.pi / 6, "30°", "Tilt (field) (°)"),
        ("particles.size_spread", "", 0.1, "0.1", "Size spread (particles)"),
        ("field.steps.2.duration", "s", 5e-5, "50 µs", "Duration, field step 2 (µs)"),
        ("particles.material", "", "magnetite", "magnetite", "Material (particles)"),
        ("magnets.0.remanence", "T", 1.2, "1.2 T", "Remanence, magnet 1 (T)"),
        ("magnets.1.position.z", "m", -0.012, "-12 mm", "Z, position of magnet 2 (mm)"),
        ("magnets.0.steps.1.rate", "Hz", 2e3, "2 kHz", "Rate, magnet 1, step 2 (kHz)"),
    ],
)
def test_swept_keys_have_names_and_prefixes(key, suffix, value, shown, label):
    swept = SweptKey(key, suffix)
    assert swept.shown(value) == shown
    if label:
        assert swept.label([value]) == label


def test_replicas_keep_their_seeds(tmp_path):
    folder = planted_sweep(tmp_path / "s")
    record = json.loads((folder / "sweep.json").read_text())
    wanted = [run["seed"] for point in record["points"] for run in point["runs"]]
    assert [row["seed"] for row in collect(folder).rows] == wanted
    assert len(wanted) == 4 * len(FIELDS)
