"""The automatic time step: its numbers for the example film, and what limits it."""

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest

from sim.film import time_step
from sim.film.inner_steps import INNER_FACTOR
from sim.film.particles import draw
from sim.film.reduce import reduce
from sim.parameters import from_text, load
from tests.reference import naive
from tests.reference.bench_film import BENCH_FILM

EXAMPLE = Path(__file__).parents[2] / "runs_demo" / "growing_chains" / "film.toml"


@pytest.fixture(scope="module")
def example():
    """Return the parameters of the example film."""
    return load(EXAMPLE)


def reduced(parameters):
    """Return the reduced system of parameters."""
    return reduce(parameters, draw(parameters))


def with_part(parameters, part, **changes):
    """Return parameters with keys of one table replaced."""
    table = dataclasses.replace(getattr(parameters, part), **changes)
    return dataclasses.replace(parameters, **{part: table})


def test_step_of_the_example(example):
    # k d^2 = pi dc^2 zeta d/(2 delta) = 2260 kT for 20 nm cores, 2 nm shells and 0.3 /nm2, and
    # k D dt = 0.25: 5.3 ns for the median pair; the tail of the sizes takes another 10 to 20 %.
    stiffness = time_step.brush_curvature(
        np.array(20.0 / 24.0), np.array(1.0), 2.0 / 24.0, 0.3 * 24.0**2
    )
    assert float(stiffness) == pytest.approx(2262.0, rel=1e-3)
    system = reduced(example)
    # Inner steps may be 1.6 times as long, cut so that whole ones fill the outer step.
    inner = system.dt_s / system.inner_steps
    assert 0.8 * 1.6 * 4.8e-9 < inner < 1.03 * 1.6 * 4.8e-9
    assert system.limit == "the surfactant's stiffness"
    assert system.steps == round(0.2e-3 / system.dt_s)


def test_outer_step_of_the_example(example):
    # What is far is kept for at most 2.4e-3 of the time in which a median particle diffuses by
    # its diameter, 47 us, and for less the stronger the pairs are; at 0.2 ms and 200 frames no
    # frame is nearer than five steps.
    system = reduced(example)
    coupling = float(np.max(system.moment**2 / (2.0 * system.radius) ** 3))
    assert coupling > 0.018 / 2.4e-3
    longest, a_frame = 0.018 / coupling, system.steps / 200
    assert (1.0 - 1.0 / a_frame) * 0.99 * longest < system.dt < 1.01 * longest
    assert abs(system.inner_steps - system.dt_s / (1.6 * 4.8e-9)) <= 1


def test_outer_steps_leave_five_to_a_frame(example):
    many = with_part(example, "output", frames=2000)
    system = reduced(many)
    assert 0.99 * 0.2e-3 / 2000 / 5 < system.dt_s <= 0.2e-3 / 2000 / 5 * (1 + 1e-9)
    # A run that is made longer keeps its step, as resuming needs.
    longer = with_part(many, "run", duration=1.0)
    assert reduced(longer).dt_s > system.dt_s
    again = reduce(longer, draw(longer), begun_with=system.dt_s)
    assert (again.dt_s, again.inner_steps) == (system.dt_s, system.inner_steps)


def test_frames_at_every_step_leave_plain_steps(example):
    system = reduced(with_part(example, "output", frames=40000))
    assert system.inner_steps == 1
    # Plain steps of 4.8 ns do not divide the 5 ns between frames, so two fill them.
    assert system.dt_s == pytest.approx(2.5e-9)


@pytest.mark.parametrize("frames", [7, 64, 200, 333, 2000, 40000])
def test_frames_fall_on_equal_numbers_of_automatic_steps(example, frames):
    many = with_part(example, "output", frames=frames)
    system = reduced(many)
    assert system.steps % frames == 0
    assert system.steps * system.dt_s == pytest.approx(0.2e-3, rel=1e-12)
    # A run that is made longer keeps step and inner steps to the last bit.
    longer = with_part(many, "run", duration=0.53e-3)
    interval = system.dt_s * system.steps / frames
    again = reduce(longer, draw(longer), system.dt_s, interval)
    assert (again.dt_s, again.inner_steps) == (system.dt_s, system.inner_steps)
    assert again.mesh == system.mesh


def test_a_finer_mesh_shortens_the_outer_step(example):
    finer = with_part(example, "dipoles", tolerance=3e-4)
    system = reduced(finer)
    weight = system.moment**2
    turning = float(np.sum(weight * system.turning) / np.sum(weight))
    angle = math.sqrt(2.0 * turning * system.dt)
    assert 0.07 * angle <= 8.0 * 3e-4 * 1.001
    assert system.inner_steps < reduced(example).inner_steps
    assert reduced(with_part(example, "dipoles", tolerance=1e-5)).inner_steps == 1


@pytest.mark.parametrize(
    ("part", "changes"),
    [
        ("run", {"dynamics": "langevin"}),
        ("windows", {"hindered_mobility": True}),
        ("dipoles", {"sum": "exact"}),
        ("van_der_waals", {"hamaker": 9.5}),
    ],
)
def test_what_needs_all_pairs_in_each_step_has_plain_ones(example, part, changes):
    assert reduced(with_part(example, part, **changes)).inner_steps == 1


@pytest.mark.parametrize("count", [30, 60])
def test_few_dipoles_are_summed_exactly_in_plain_steps(count):
    text = BENCH_FILM.replace('width = ["2.0 um", "0.6 um"]', f"count = {count}")
    system = reduced(from_text(text.replace('"cutoff"', '"mesh"')))
    assert system.count == count
    few = count < 40
    assert (system.dipole_sum == "exact") is few
    assert (system.inner_steps == 1) is few


def test_step_depends_on_the_duration_only_to_divide_the_time_between_frames(example):
    longer, system = reduced(with_part(example, "run", duration=1.0)), reduced(example)
    assert (1.0 - 200 / system.steps) * longer.dt_s < system.dt_s <= 1.001 * longer.dt_s


def test_given_step_is_taken(example):
    system = reduced(with_part(example, "run", time_step=2e-9))
    assert system.dt_s == 2e-9
    assert system.steps == 100000
    assert system.limit == "the parameter file"


def test_soft_core_limits_by_its_stiffness(example):
    system = reduced(with_part(example, "repulsion", kind="soft_core"))
    assert system.limit == "the soft core's stiffness"
    assert 1e-9 < system.dt_s / system.inner_steps < 20e-9


def test_turning_in_the_field_limits_where_it_is_strong(example):
    strong = with_part(example, "field", steps=tuple(
        dataclasses.replace(step, vector=(3.0, 0.0, 0.0)) for step in example.field.steps
    ))  # fmt: skip
    system = reduced(strong)
    assert system.limit == "rotation in the field of the neighbours"
    field = np.linalg.norm(system.field[0].last)
    coupling = system.moment**2 / (2.0 * system.radius) ** 3
    brownian = 3.0 / (2.0 * system.radius) ** 3
    share = np.max(brownian * system.inner_dt * (system.moment * field + 4.8 * coupling))
    assert 0.199 * (1.0 - 1.0 / system.inner_steps) < share <= 0.2


@pytest.mark.parametrize("kind", ["surfactant", "soft_core"])
def test_stiffest_pair_takes_a_quarter(example, kind):
    # Against the slope of the force law itself, over all pairs of 40 particles.
    few = with_part(example, "repulsion", kind=kind)
    few = with_part(few, "film", width=None, count=40)
    system = reduced(few)
    largest = 0.0
    for i in range(40):
        for j in range(40):
            di, dj = 2.0 * system.radius[[i, j]]
            if kind == "surfactant":
                # Curvature at contact, from inside; a pair of unequal cores as the equal pair.
                r = 0.5 * (di + dj) - 1e-7
                _, force = naive.brush_pair(
                    [r, 0, 0], di, dj, system.repulsion.shell, system.repulsion.grafting
                )
                slope = force[0] / 1e-7
            else:
                s = 0.5 * (di + dj)
                depth = max(2.0 * system.moment[i] * system.moment[j] / s**3, 5.0)
                x6 = 0.5 * (1.0 + math.sqrt(depth / system.window_strength))
                r = s / x6 ** (1.0 / 6.0)
                up, down = (
                    naive.soft_core_pair([r + w, 0, 0], s, system.window_strength)[1][0]
                    for w in (1e-5, -1e-5)
                )
                slope = -(up - down) / 2e-5
            mean = 0.5 * (system.mobility[i] + system.mobility[j])
            largest = max(largest, slope * mean)
    share = largest * system.inner_dt / INNER_FACTOR[system.repulsion.kind]
    # 32 of the 40 sizes are compared, and the step is rounded down to three digits; inner steps
    # are cut a little shorter, so that whole ones fill the outer step.
    assert 0.24 * (1.0 - 1.0 / system.inner_steps) < share < 0.255


def test_rounding_down():
    assert time_step.round_down(4.7891e-9) == pytest.approx(4.78e-9, rel=1e-12)
    assert time_step.round_down(9.999) == pytest.approx(9.99, rel=1e-12)
    assert time_step.round_down(1.0) == 1.0
    for value in np.random.default_rng(1).uniform(1e-10, 1e-8, 50):
        rounded = time_step.round_down(float(value))
        assert value * 0.99 < rounded <= value


def test_soft_core_curvature_at_contact_of_strength():
    # U = e at r = s: x = 1, U'' s^2 = 4e (156 - 42) = 456 e.
    found = time_step.soft_core_curvature(10.0, np.array([5.0]))
    assert found[0] == pytest.approx(4560.0, rel=1e-12)
