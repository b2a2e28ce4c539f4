"""Fluids that fit a sheet: intervals that hold the truth as often as they say."""

import dataclasses

import numpy as np
import pytest

from sim.fluid.ensemble import with_fluid
from sim.fluid.findings import Findings
from sim.fluid.measured import Value
from sim.fluid.model import MAIN, Model
from sim.fluid.posterior import best_fit, sample
from sim.fluid.tables import fluid_tables, members
from sim.parameters.load import load
from tests.reference.bottles import blank, coordinates, held, ranks, sheet_of
from tests.reference.small_film import small_film

KNOWN = {
    "magnetic_fraction": 0.02, "core_diameter": 15e-9, "size_spread": 0.15,
    "dead_layer": 0.7e-9, "shell_thickness": 2.2e-9,
}  # fmt: skip


@pytest.fixture(scope="module")
def findings():
    """What a sheet of numbers alone tells of a known fluid."""
    model, rng = Model(blank()), np.random.default_rng(3)
    model = Model(sheet_of(coordinates(model, **KNOWN), rng))
    places = sample(model, rng, 200)
    return Findings(model, places, best_fit(model, places))


def require_coverage(found):
    """A gate of 4 standard errors of the binomial law for each unknown and level."""
    count = len(found)
    for level in (0.68, 0.95):
        gate = 4.0 * (level * (1.0 - level) / count) ** 0.5
        assert np.all(np.abs(held(found, level) / count - level) < gate)
    # Ranks are even: their mean is 1/2 within 4/sqrt(12 n).
    assert np.all(np.abs(found.mean(axis=0) - 0.5) < 4.0 / (12.0 * count) ** 0.5)


def test_intervals_hold_known_particles_as_often_as_they_say():
    """40 bottles; 200 are recovered by tests.benchmarks.bottle_coverage."""
    require_coverage(ranks(40, np.random.default_rng(17), 60))


@pytest.mark.slow
def test_intervals_hold_with_curves_too():
    require_coverage(ranks(30, np.random.default_rng(5), 60, curve=True))


def test_one_number_leaves_the_others_as_they_were():
    """The posterior of a single Gaussian datum is known: that datum, and the prior of the rest."""
    value = Value(9e3, 90.0, "fluid_magnetisation")
    model = Model(dataclasses.replace(blank(), numbers={"saturation": value}))
    places = sample(model, np.random.default_rng(1), 400)
    saturation = model.cores(model.fluids(places)).saturation
    assert saturation.mean() == pytest.approx(9e3, abs=4 * 90 / 20)
    assert saturation.std() == pytest.approx(90, rel=4 / 28)
    before = model.draw(4000, np.random.default_rng(2))[:, 2]
    # only bottles that are too full are left out, which hardly touches the spread
    assert places[:, 2].mean() == pytest.approx(before.mean(), abs=0.04)
    assert places[:, 2].std() == pytest.approx(before.std(), rel=0.15)


def test_stated_values_widen_their_ranges():
    stated = {"shell_thickness": Value(0.3e-9, 0.02e-9, "length"),
              "core_diameter": Value(50e-9, 5e-9, "length")}  # fmt: skip
    found = {one.name: one for one in Model(dataclasses.replace(blank(), numbers=stated)).unknowns}
    assert found["shell_thickness"].low == pytest.approx(0.22e-9)
    assert found["core_diameter"].high == pytest.approx(70e-9)
    assert found["core_diameter"].low == 3e-9


def test_what_the_sheet_cannot_tell_is_said(findings):
    told = " ".join(findings.untold())
    assert "cannot tell median core from spread" in told
    assert "films of both kinds are run" in told
    assert "a magnetisation curve" in told  # which would help
    assert findings.correlations["core_diameter", "size_spread"] < -0.7


def test_a_better_sheet_tells_more(findings):
    model, rng = Model(blank()), np.random.default_rng(3)
    model = Model(sheet_of(coordinates(model, **KNOWN), rng, curve=True))
    places = sample(model, rng, 100)
    better = Findings(model, places, best_fit(model, places))
    assert better.numbers["size_spread"].error < 0.4 * findings.numbers["size_spread"].error
    assert abs(better.numbers["size_spread"].mean - 0.15) < 4 * better.numbers["size_spread"].error
    assert 0.5 < better.misses()["curve"] < 1.5


def test_the_best_fluid_is_no_worse_than_any_other(findings):
    most = findings.model.log_likelihood(findings.places).max()
    assert findings.model.log_likelihood(findings.best[None])[0] >= most


def test_members_stand_for_all_that_fit(findings):
    chosen = members(findings, 12, np.random.default_rng(0))
    coupling = Findings(findings.model, chosen, findings.best).numbers["coupling_by_volume"]
    whole = findings.numbers["coupling_by_volume"]
    # one from each twelfth: the mean is far better than that of 12 drawn anyhow
    assert coupling.mean == pytest.approx(whole.mean, abs=whole.error / 4)
    assert coupling.error == pytest.approx(whole.error, rel=0.5)


def test_a_fluid_is_a_film_of_its_saturation(findings, tmp_path):
    """The film that the tables make saturates as the fluid does."""
    import tomllib

    tables = with_fluid(tomllib.loads(small_film()), fluid_tables(findings, findings.best))
    film = load(tables).particles
    magnetic = film.whole_volume_fraction * film.sizes.magnetic_cube
    magnetic /= film.sizes.mean_cube(2 * film.shell_thickness)
    fluids = findings.model.fluids(findings.best[None])
    assert magnetic == pytest.approx(fluids["magnetic_fraction"][0], rel=2e-3)
    assert set(MAIN) - {"magnetic_fraction"} <= set(tables["particles"])
