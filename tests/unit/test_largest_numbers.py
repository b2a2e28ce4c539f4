"""Numbers beyond 1e100 are cut before they are written, so that every run can be measured."""

import dataclasses
import json
import math

import pytest

from analysis import measure, open_run
from analysis.trajectory.record import wrong_entry
from sim.film.particles import draw
from sim.film.reduce import reduce
from sim.outlook.expectations import expect
from sim.parameters import from_text
from sim.run.simulate import simulate
from tests.reference.planted import planted_run
from tests.reference.small_film import small_film

STRONG = ('"80 nm"', '"22 nm"\nsize_spread = 0.6')


def strong_film(core):
    text = (
        small_film()
        .replace('"16 nm"', core)
        .replace('"0.12 um"', '"0.9 um"')
        .replace("count = 60", "count = 90")
    )
    assert core in text
    return text


@pytest.mark.parametrize("core", STRONG)
def test_life_of_a_bond_beyond_all_measure_is_cut(core):
    derived = json.loads(json.dumps(expect(from_text(strong_film(core))).derived, allow_nan=False))
    assert wrong_entry({"derived": derived}) == ""
    numbers = [x for x in derived.values() if isinstance(x, float)]
    assert all(math.isfinite(x) and abs(x) <= 1e100 for x in numbers)
    # exp(2 lambda)/(144 lambda^2) passes 1e100 near lambda = 120, of which times are part.
    assert derived["coupling_largest_tenth"] > 100.0
    # The names are those of the numbers that were cut, each with what made it so large.
    assert set(derived["capped"]) == {n for n, x in derived.items() if x == 1e100} != set()
    assert "lambda of the largest tenth is" in derived["capped"]["bond_life_largest_tenth_s"]


@pytest.mark.parametrize("core", STRONG)
def test_finished_run_of_endless_bonds_is_measured(core, tmp_path):
    parameters = from_text(strong_film(core))
    # a film of few steps, which lasts as long as its particles need for them
    step = reduce(parameters, draw(parameters)).dt_s
    run = dataclasses.replace(parameters.run, duration=8 * step)
    output = dataclasses.replace(parameters.output, frames=2)
    found = simulate(dataclasses.replace(parameters, run=run, output=output), tmp_path / "run")
    assert found.finished
    derived = measure(open_run(found.path)).numbers["derived"]
    assert derived["bond_life_largest_tenth_s"] == 1e100
    assert "beyond 1e+100" in derived["capped"]["bond_life_largest_tenth_s"]


@pytest.mark.parametrize("value", [3.5e166, math.inf, 10**120])
def test_files_with_larger_numbers_are_read_and_cut(value, tmp_path):
    # Versions before the cut wrote such lives down and refused their own files.
    entry = {"bond_life_largest_tenth_s": value, "coupling": 190.0}
    run = open_run(planted_run(tmp_path, frames=8, plateau=6.0, derived=entry))
    assert run.derived["bond_life_largest_tenth_s"] == 1e100
    assert run.derived["coupling"] == 190.0
    assert "the run recorded" in run.derived["capped"]["bond_life_largest_tenth_s"]
