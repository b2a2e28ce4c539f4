"""Field programmes: what a file may say, what the engine makes of it, and how the step follows."""

import math

import numpy as np
import pytest

from sim.engines import cpu_arrays
from sim.film.field_programme import FieldStage
from sim.film.particles import draw
from sim.film.reduce import reduce
from sim.film.time_step import STEPS_PER_PERIOD
from sim.kernels.steps import step
from sim.outlook.expectations import expect
from sim.parameters import ParameterError, from_text

FILM = """
[particles]
core_diameter = "17 nm"
volume_fraction = 0.02
[film]
thickness = "0.3 um"
width = "0.4 um"
[repulsion]
kind = "soft_core"
[run]
duration = "50 us"
"""


def film(*steps, more=""):
    """Return the parameters of a film with steps, each the lines of one table."""
    tables = "".join(f"[[field.steps]]\n{lines}\n" for lines in steps)
    return from_text(FILM + more + "\n" + tables, "film.toml")


def problems(*steps, more=""):
    """Return the sentences on a faulty programme."""
    with pytest.raises(ParameterError) as caught:
        film(*steps, more=more)
    return caught.value.problems


RAMP = 'kind = "ramp"\nduration = "10 us"\nstrength = "20 mT"'
TURN = 'kind = "rotate"\nduration = "40 us"\nstrength = "20 mT"\nfrequency = "50 kHz"'
SWING = 'kind = "oscillate"\nduration = "40 us"\nstrength = "20 mT"\nfrequency = "50 kHz"'


def field_of(parameters, times):
    """Return the field in T at times in s, as the compiled step takes it."""
    system = reduce(parameters, draw(parameters))
    table = cpu_arrays.field_table(system.field)
    rows = []
    for time in times:
        out = np.zeros(3)
        step.field_at(time / system.units.time_s, table, out)
        rows.append(out * system.units.field_t)
    return np.array(rows)


def test_a_field_turns_right_handed_about_its_axis():
    times = np.array([0.0, 5e-6, 10e-6, 12.5e-6])  # periods of 20 us
    found = field_of(film(TURN), times)
    wanted = 0.02 * np.array([[1, 0, 0], [0, 1, 0], [-1, 0, 0], [-(0.5**0.5), -(0.5**0.5), 0]])
    np.testing.assert_allclose(found, wanted, atol=1e-15)
    upright = field_of(film(TURN + "\naxis = [1, 0, 0]\ndirection = [0, 1, 0]"), times)
    np.testing.assert_allclose(upright, wanted[:, [2, 0, 1]], atol=1e-15)


@pytest.mark.parametrize("axis", [(1.0, 2.0, 3.0), (0.0, -1.0, 1.0)])
def test_a_field_keeps_its_strength_in_any_plane(axis):
    parameters = film(TURN + f'\naxis = {list(axis)}\nphase = "30 deg"\ntilt = "20 deg"')
    found = field_of(parameters, np.linspace(0.0, 40e-6, 33))
    np.testing.assert_allclose(np.linalg.norm(found, axis=1), 0.02, rtol=1e-12)
    np.testing.assert_allclose(found @ np.array(axis), 0.0, atol=1e-16)
    # It starts 30 degrees ahead of the part of its direction in the plane.
    start = np.array(parameters.field.steps[0].vector)
    assert found[0] @ start / 0.02**2 == pytest.approx(math.cos(math.radians(30.0)), rel=1e-12)
    assert np.cross(start, found[0]) @ np.array(axis) > 0.0


def test_a_field_oscillates_along_its_direction():
    parameters = film(SWING + '\nphase = "90 deg"\ndirection = [0, 3, 4]')
    found = field_of(parameters, np.array([0.0, 5e-6, 15e-6]))
    line = np.array([0.0, 0.6, 0.8])
    np.testing.assert_allclose(found, 0.02 * np.array([0.0, -1.0, 1.0])[:, None] * line, atol=1e-15)
    assert parameters.field.largest == pytest.approx(0.02)
    assert parameters.field.direction == pytest.approx((0.0, 0.6, 0.8))


def test_any_sequence_goes_on_from_what_was_and_its_end_stays():
    # The ramp after the turn starts from where the field stands after 2.25 turns, along y.
    turn = TURN.replace("40 us", "45 us")
    down = 'kind = "ramp"\nduration = "10 us"\nstrength = "0 mT"'
    parameters = film(RAMP, turn, down)
    times = np.array([5e-6, 10e-6, 55e-6 - 1e-12, 60e-6, 65e-6, 1e-3])
    wanted = 0.02 * np.array([[0.5, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0.5, 0], [0, 0, 0], [0, 0, 0]])
    np.testing.assert_allclose(field_of(parameters, times), wanted, atol=1e-7)
    # And a programme that ends while it turns keeps the last direction.
    found = field_of(film(turn), np.array([45e-6, 70e-6]))
    np.testing.assert_allclose(found, 0.02 * np.array([[0, 1, 0], [0, 1, 0]]), atol=1e-15)


def test_stage_of_a_turning_field_ends_where_it_stands():
    stage = FieldStage("rotate", 0.25, (2.0, 0.0, 0.0), (0.0, 2.0, 0.0), math.pi)
    root = math.sqrt(2.0)
    assert stage.at_end() == pytest.approx((root, root, 0.0))
    assert FieldStage("hold", 1.0, (1.0, 0.0, 0.0), (0.0, 0.0, 3.0)).at_end() == (0.0, 0.0, 3.0)


@pytest.mark.parametrize(
    ("lines", "sentence"),
    [
        (TURN.replace("40 us", "0 us"), "number 1 duration must be a time from 1 ps to"),
        (RAMP.replace("10 us", "0 s"), "number 1 duration must be a time from 1 ps to"),
        (SWING.replace("50 kHz", "0 Hz"), "number 1 frequency must be a frequency from"),
        (SWING.replace('"50 kHz"', "50"), "number 1 frequency must be a frequency from"),
        (SWING.replace("50 kHz", "50 us"), "us is a unit of time, not of frequency"),
        (
            SWING.rsplit("\n", 1)[0],
            'frequency is missing; kind = "oscillate" needs it, and it must be a frequency from',
        ),
        (
            TURN.rsplit("\n", 1)[0],
            'frequency is missing; kind = "rotate" needs it, and it must be a frequency from',
        ),
        (TURN + "\naxis = [1, 0, 0]", "direction must have a part at right angles to the axis"),
        (TURN + "\naxis = [0, 0, 0]", "number 1 axis must be three numbers"),
        (TURN + '\nphase = "400 deg"', "number 1 phase must be an angle from -360 deg"),
    ],
)
def test_faulty_steps_are_told(lines, sentence):
    (found,) = problems(lines)
    assert sentence in found
    assert found.startswith("[[field.steps]] number 1 ")


def test_all_mistakes_of_a_programme_are_told_at_once():
    found = problems(
        TURN.rsplit("\n", 1)[0], TURN + "\naxis = [1, 0, 0]", more='[start]\nkind = "file"'
    )
    assert len(found) == 3
    assert any(problem.startswith("[start] path must name the folder") for problem in found)


def test_keys_of_other_kinds_give_a_notice():
    notices = film(RAMP + '\nfrequency = "1 kHz"', SWING + "\naxis = [0, 0, 1]").notices
    assert '[[field.steps]] number 1 frequency is not used with kind = "ramp".' in notices
    assert '[[field.steps]] number 2 axis is not used with kind = "oscillate".' in notices


def test_a_period_takes_fifty_steps_at_least():
    slow, fast = film(TURN), film(TURN.replace("50 kHz", "50 MHz"))
    system = reduce(slow, draw(slow))
    assert system.limit == "the soft core's stiffness"
    system = reduce(fast, draw(fast))
    assert system.limit == "the period of the field"
    assert system.dt_s == pytest.approx(1.0 / 50e6 / STEPS_PER_PERIOD, rel=0.01)
    assert system.dt_s <= 1.0 / 50e6 / STEPS_PER_PERIOD


def test_a_step_too_long_is_told_by_check():
    text = FILM.replace('"50 us"', '"50 us"\ntime_step = "12 ns"')
    tables = "[[field.steps]]\n" + TURN.replace("50 kHz", "5 MHz")
    cautions = " ".join(expect(from_text(text + tables)).cautions)
    assert "time_step of 12 ns is" in cautions
    assert "times the longest accurate one" in cautions
    assert "A period of the field takes only 17 steps" in cautions
    tables = "[[field.steps]]\n" + TURN
    short = FILM.replace('"50 us"', '"50 us"\ntime_step = "1 ns"')
    assert "longest accurate" not in " ".join(expect(from_text(short + tables)).cautions)


def test_check_says_what_a_turning_field_does():
    found = expect(film(RAMP, TURN))
    said = " ".join(found.sentences)
    assert "The field turns at 50 kHz, a period in " in said
    # 17 nm cores in 21 nm: sin(lag) = 2 omega tau_B/xi.
    derived = found.derived
    share = 4.0 * math.pi * 50e3 * derived["brown_time_s"] / derived["langevin_parameter"]
    assert f"lags by {math.degrees(math.asin(share)):.2g} degrees" in said
    steps = derived["field_programme"]
    assert [s["kind"] for s in steps] == ["ramp", "rotate"]
    assert (steps[1]["start_s"], steps[1]["end_s"]) == pytest.approx((1e-5, 5e-5))
    assert steps[1]["frequency_hz"] == 5e4
    assert expect(film(SWING)).derived["field_programme"][0]["kind"] == "oscillate"
    assert "The field oscillates at 50 kHz" in " ".join(expect(film(SWING)).sentences)
