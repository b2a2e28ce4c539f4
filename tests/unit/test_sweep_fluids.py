"""A sweep with an ensemble: its runs, and the error of the bottle beside that of the runs."""

import dataclasses
import json
import math

import numpy as np
import pytest

from analysis.sweeps.fluids import errors_text, over_fluids
from analysis.sweeps.gather import collect
from analysis.sweeps.points import points_table
from analysis.sweeps.report import notes_of
from analysis.sweeps.trends import trend_figures
from analysis.uncertainty.estimate import NOTHING, Estimate
from sim.outlook.fluids import FluidsOutlook
from sim.outlook.look_ahead import look_ahead
from sim.parameters.load import load
from sim.parameters.toml import ParameterError
from sim.sweeps.outlook import look_ahead_of_points
from sim.sweeps.table import load_sweep
from tests.reference.planted_sweep import KEYS, planted_sweep
from tests.reference.small_film import small_film

ENSEMBLE = """
[[fluids]]
particles = { core_diameter = "15 nm", core_volume_fraction = 0.01 }
carrier = { viscosity = "3 cP" }
[[fluids]]
particles = { core_diameter = "18 nm", core_volume_fraction = 0.02 }
"""


@pytest.fixture
def film(tmp_path):
    (tmp_path / "ensemble.toml").write_text(ENSEMBLE, encoding="utf-8")

    def written(sweep):
        path = tmp_path / "film.toml"
        path.write_text(small_film() + sweep, encoding="utf-8")
        return path

    return written


def test_every_point_is_run_with_each_fluid(film):
    table = '[sweep]\nensemble = "ensemble.toml"\nreplicas = 2\n"field.strength" = ["5 mT", "9 mT"]'
    plan = load_sweep(film(table))
    assert (plan.point_count, plan.fluids, plan.run_count) == (2, 2, 8)
    assert [run.fluid for run in plan.points[0].runs] == [1, 2, 1, 2]
    assert plan.runs[0].folder == "runs/point_1_fluid_1_replica_1"
    assert len({run.parameters.run.seed for run in plan.runs}) == 8
    for run in plan.runs:
        particles = run.parameters.particles
        assert particles.core_diameter == pytest.approx({1: 15e-9, 2: 18e-9}[run.fluid])
        assert particles.core_volume_fraction == {1: 0.01, 2: 0.02}[run.fluid]
        assert particles.volume_fraction is None  # that of the film itself
        assert run.parameters.carrier.viscosity == {1: 3e-3, 2: 1.5e-3}[run.fluid]
        assert load_text(run) == dataclasses.replace(run.parameters, folder="", text="", name="")


def load_text(run):
    """Return what a worker reads from the text of a run."""
    from sim.parameters.load import from_text

    found = from_text(run.parameters.text)
    return dataclasses.replace(found, folder="", text="", name="")


def test_swept_keys_win_over_those_of_the_fluids(film):
    table = '[sweep]\nensemble = "ensemble.toml"\n"particles.volume_fraction" = [0.01, 0.05]\n'
    plan = load_sweep(film(table))
    assert [run.parameters.particles.volume_fraction for run in plan.runs] == [
        0.01, 0.05, 0.01, 0.05,
    ]  # fmt: skip
    assert plan.runs[0].parameters.particles.core_volume_fraction is None


def test_a_film_without_a_sweep_takes_an_ensemble_too(film, tmp_path):
    plan = load_sweep(film(""), ensemble=str(tmp_path / "ensemble.toml"))
    assert (plan.point_count, plan.run_count) == (1, 2)
    assert plan.runs[0].parameters.title == "small film"


def test_seeds_of_other_sweeps_stay(film):
    """Seeds without an ensemble as they were before there were any."""
    run = load_sweep(film('[sweep]\n"field.strength" = ["5 mT", "9 mT"]')).runs[0]
    assert run.fluid == 0
    assert run.folder == "runs/point_1_replica_1"
    assert run.parameters.run.seed == 347927094320382373


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ("ensemble = 3", r"\[sweep\] ensemble must name a file"),
        ('ensemble = "none.toml"', "none.toml: 1 mistake"),
        ('ensemble = "ensemble.toml"\nreplicas = 1000\n"run.duration" = '
         '["1 us", "2 us", "3 us", "4 us", "5 us", "6 us"]', "at most 10000 runs; with 2 fluids"),
        ('ensemble = "ensemble.toml"\n"particles.dead_layer" = ["0 nm", "7.6 nm"]',
         "with fluid 1: .*dead_layer must be below 7.5 nm"),
    ],
)  # fmt: skip
def test_mistakes_name_the_fluid(film, table, told):
    with pytest.raises(ParameterError, match=told):
        load_sweep(film(f"[sweep]\n{table}"))


def test_outlook_is_over_all_fluids(film):
    plan = load_sweep(film('[sweep]\nensemble = "ensemble.toml"\n"field.strength" = ["5 mT"]'))
    (point,) = look_ahead_of_points(plan)
    lengths = [look_ahead(run.parameters).lengths.central for run in plan.runs]
    assert point.predicted_mean_length == pytest.approx(np.mean(lengths))
    assert point.bottle == pytest.approx(np.std(lengths, ddof=1))


def test_law_and_bottle_add_as_squares():
    seen = look_ahead(load({**tables(), "run": {"duration": "1 us"}}))
    longer = dataclasses.replace(seen, lengths=dataclasses.replace(seen.lengths, central=4.0))
    shorter = dataclasses.replace(seen, lengths=dataclasses.replace(seen.lengths, central=2.0))
    found = FluidsOutlook.of([shorter, longer])
    bands = found.length_bands()
    assert bands["law"] == (pytest.approx(1 + 2 / 2.5), pytest.approx(1 + 2 * 2.5))
    spans = [math.log((high - 1) / 2) for _, high in bands.values()]
    assert spans[1] == pytest.approx(2 * np.std(np.log([1, 3]), ddof=1))
    assert spans[2] == pytest.approx(math.hypot(*spans[:2]))
    assert found.numbers["line_density_spacing_m"].bottle == 0.0


def tables():
    import tomllib

    return tomllib.loads(small_film())


def test_errors_of_runs_and_bottle_are_told_apart():
    """Values of known fluids with known noise: one-way analysis of variance, by simulation."""
    rng = np.random.default_rng(8)
    found = [
        over_fluids(
            [Estimate(5 + 0.4 * rng.standard_normal() + 0.3 * rng.standard_normal(), 0.3, 1)
             for _ in range(12)]
        )
        for _ in range(400)
    ]  # fmt: skip
    assert found[0].run == pytest.approx(0.3 / math.sqrt(12))
    squares = np.array([one.bottle**2 for one in found])
    assert squares.mean() == pytest.approx(0.16, abs=4 * squares.std() / 20)
    truth = 5 + 0.4 * rng.standard_normal(400)  # the bottle's own fluid, which nobody knows
    ends = [one.interval() for one in found]
    share = np.mean([low < x < high for (low, high), x in zip(ends, truth, strict=True)])
    assert abs(share - 0.95) < 4 * math.sqrt(0.95 * 0.05 / 400)


def test_few_fluids_and_unknown_errors():
    assert over_fluids([NOTHING]).mean is None
    single = over_fluids([Estimate(2.0, 0.1, 1), NOTHING])
    assert (single.mean, single.run, single.bottle, single.interval()) == (2.0, 0.1, None, None)
    unknown = over_fluids([Estimate(2.0, None, 1), Estimate(3.0, None, 1)])
    assert unknown.run is None
    assert unknown.bottle == pytest.approx(math.sqrt(0.5))


def test_tables_and_page_give_both_errors(tmp_path):
    lengths = {1: 2.0, 2: 3.0, 3: 4.0}
    folder = planted_sweep(
        tmp_path / "s", keys=KEYS[:1], points=[{"field.strength_T": 0.02}], replicas=3,
        measures=lambda _, replica: {
            "mean_length": lengths[replica], "error": 0.1, "at_rest": replica != 2,
        },
    )  # fmt: skip
    record = json.loads((folder / "sweep.json").read_text())
    for run in record["points"][0]["runs"]:
        run["fluid"], run["replica"] = run["replica"], 1
    (folder / "sweep.json").write_text(json.dumps(record))
    table = collect(folder)
    assert table.fluids == 3
    assert [row["fluid"] for row in table.rows] == [1, 2, 3]
    (row,) = table.summary
    assert row["chains_mean_length"] == pytest.approx(3.0)
    assert row["chains_mean_length_error"] == pytest.approx(0.1 / math.sqrt(3))
    bottle = math.sqrt(1.0 - 0.01)
    assert row["chains_mean_length_bottle"] == pytest.approx(bottle)
    together = math.sqrt(bottle**2 * 4 / 3 + 0.01 / 3)
    assert row["chains_mean_length_together"] == pytest.approx(together)
    assert row["chains_mean_length_high_95"] == pytest.approx(3 + 4.302653 * together)
    assert list(row).index("chains_mean_length_bottle") > list(row).index("chains_singles_fraction")
    told = errors_text(row, "chains_mean_length", "")
    assert told == "3.00 ± 0.06 (runs), ± 0.99 (bottle), ± 1.2 together"
    exact = {"x": 58.1e-9, "x_error": None, "x_bottle": 0.0, "x_together": 0.0}
    assert errors_text(exact, "x", "m") == "58.1 nm, ± 0 (bottle), ± 0 nm together"
    caption = trend_figures(table)["trend_mean_length"].caption
    assert caption.startswith("Mean over fluids with the error of runs and bottle together;")
    head = points_table(table, [])
    assert "Runs" in head
    assert "Replicas" not in head
    notes = " ".join(notes_of(table))
    assert "mean over 3 fluids that fit the sheet" in notes
    assert "At no point all runs had come to rest when they ended; of 3 runs there 2 had." in notes
