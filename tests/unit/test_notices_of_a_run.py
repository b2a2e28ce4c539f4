"""What is said before a run and touches its numbers stands in its file and beside the numbers."""

from analysis.measures.measure import measure
from analysis.trajectory.run import open_run
from sim.outlook.expectations import expect
from sim.parameters import from_text
from sim.run.setup import RunSetup
from sim.run.simulate import simulate
from tests.reference.small_film import small_film


def with_run_keys(lines):
    """Return the small film with further keys in [run]."""
    return small_film().replace("[run]\n", f"[run]\n{lines}\n")


def test_a_step_that_is_too_long_is_recorded():
    parameters = from_text(with_run_keys('time_step = "1 ns"'))
    long = from_text(with_run_keys('time_step = "40 ns"'))
    found = [one for one in RunSetup(long, 1).doubts if "[run] time_step of 40 ns is" in one]
    assert len(found) == 1
    assert not any("time_step" in one for one in RunSetup(parameters, 1).doubts)


def test_masses_that_are_not_the_true_ones_are_recorded():
    heavy = from_text(with_run_keys('dynamics = "langevin"\nmass_factor = 100.0'))
    assert any("100 times the true ones" in one for one in RunSetup(heavy, 1).doubts)


def test_what_was_said_stands_beside_the_numbers(tmp_path):
    parameters = from_text(small_film())
    expected = expect(parameters)
    assert any("chain spacings wide" in one for one in expected.on_numbers)  # a small patch
    assert set(expected.on_numbers) < set(expected.cautions)
    run = simulate(parameters, tmp_path / "run", threads=1)
    read = open_run(run.path)
    assert read.told == expected.on_numbers
    warnings = measure(read).numbers["warnings"]
    assert [one for one in warnings if one.startswith("check: ")] == [
        f"check: {one}" for one in expected.on_numbers
    ]
