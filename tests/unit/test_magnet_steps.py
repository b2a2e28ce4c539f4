"""Steps of magnets: sentences on bad ones, notices, what check says, and the same bits again."""

import math

import numpy as np
import pytest

pytest.importorskip("magpylib", reason="fields of magnets need magpylib")

from sim.command_line import main
from sim.engines.cpu import CpuEngine
from sim.film.particles import draw
from sim.film.reduce import reduce
from sim.magnets.motion import MagnetStep, Motion
from sim.magnets.moving_field import spans_of
from sim.outlook.expectations import expect
from sim.parameters import ParameterError, from_text
from tests.published.test_moving_magnets import FILM, LOOP, SPHERE, stepped
from tests.reference.small_systems import random_film

MAGNET = SPHERE.format(direction=[1, 0, 0])
SLIDE = 'motion = "slide"\nposition = ["0 mm", "0 mm", "-12 mm"]\nduration = "0.1 ms"'
TURN = 'motion = "turn"\nrate = "20 kHz"\naxis = [0, 0, 1]\nduration = "0.4 ms"'


def problems_of(text):
    with pytest.raises(ParameterError) as caught:
        from_text(FILM + text, "film.toml")
    return caught.value.problems


def test_poses_of_a_motion():
    motion = Motion(
        (1.0, 0.0, 0.0),
        (
            MagnetStep("slide", 1.0, 2.0, place=(3.0, 0.0, 0.0)),
            MagnetStep("turn", 4.0, 1.0, axis=(0.0, 0.0, 1.0), rate=0.25, pivot=(0.0, 0.0, 0.0)),
            MagnetStep("oscillate", 6.0, 1.0, rate=0.5),
        ),
    )
    point, turned, drive = motion.poses([0.0, 2.0, 3.5, 4.5, 5.0, 6.25, 9.0])
    root = 3.0 * math.sqrt(0.5)
    wanted = [[1, 0, 0], [2, 0, 0], [3, 0, 0], [root, root, 0], [0, 3, 0], [0, 3, 0], [0, 3, 0]]
    np.testing.assert_allclose(point, wanted, atol=1e-12)
    angles = turned.as_rotvec()[:, 2]
    np.testing.assert_allclose(np.degrees(angles), [0, 0, 0, 45, 90, 90, 90], atol=1e-12)
    np.testing.assert_allclose(drive, [1, 1, 1, 1, 1, math.sqrt(0.5), -1.0], atol=1e-12)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (stepped(MAGNET, SLIDE, TURN + '\nstart = "0.05 ms"'),
         "[[magnets]] number 1 [[magnets.steps]] number 2 start must be at least 100 us, where the "
         "step before it ends; received 50 us."),
        (stepped(MAGNET, SLIDE.replace("0.1 ms", "-1 ms")),
         "[[magnets]] number 1 [[magnets.steps]] number 1 duration must be a time from 1 ps"),
        (stepped(MAGNET, SLIDE.replace("-12 mm", "-4 mm")),
         "[[magnets]] number 1 steps must keep the magnet out of the film; it reaches into it"),
        (stepped(MAGNET, SLIDE) + MAGNET.replace('"-15 mm"', '"-4 mm"').replace('"0 mm", "0 mm"',
                                                                            '"9 mm", "14 mm"'),
         None),
        (stepped(MAGNET, SLIDE.replace('"0 mm", "0 mm", "-12 mm"', '"20 mm", "0 mm", "-15 mm"'))
         + MAGNET.replace('["0 mm"', '["24 mm"'),
         "[[magnets]] number 1 and 2 must not meet on their way; by their steps they overlap"),
        (stepped(MAGNET, SLIDE.replace("slide", "oscillate") + '\nfrequency = "1 Hz"'),
         'motion must be hold, slide or turn for a magnet of the kind "sphere"; received'),
        (stepped(MAGNET, 'motion = "slide"\nduration = "1 ms"'), "position is missing; motion"),
        (stepped(MAGNET, 'motion = "turn"\nduration = "1 ms"'),
         "must give either rate or angle for motion = \"turn\", such as rate = \"2 Hz\"; received "
         "none."),
        (stepped(LOOP.format(turn="0 deg"), 'motion = "ramp"\nduration = "1 ms"'),
         "share is missing"),
        (stepped(MAGNET, TURN.replace("rate", "rates")), "number 1 rates is not a known key; the "
         "nearest is rate"),
        (stepped(MAGNET, 'motion = "spin"\nduration = "1 ms"'), "number 1 motion must be "),
        (stepped(MAGNET, 'motion = "hold"'), "number 1 duration is missing; it must be a time"),
        (MAGNET + "moves_with = 1\n", "moves_with must be left out, as no other of the"),
        (MAGNET + "steps = 3\n", "number 1 steps must be a list of at most 1000 tables"),
    ],
)  # fmt: skip
def test_mistakes(text, sentence):
    if sentence is None:
        from_text(FILM + text)
        return
    problems = problems_of(text)
    assert any(sentence in problem for problem in problems), problems


def test_a_bad_programme_ends_with_exit_code_2(tmp_path, capsys):
    path = tmp_path / "film.toml"
    path.write_text(FILM + stepped(MAGNET, SLIDE.replace("-12 mm", "-4 mm")))
    assert main(["run", str(path), "-o", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert "steps must keep the magnet out of the film" in said
    assert "Traceback" not in said
    assert not (tmp_path / "out").exists()


def test_notices():
    parameters = from_text(FILM + stepped(MAGNET, SLIDE + '\nrate = "1 Hz"', TURN, TURN, TURN))
    assert parameters.notices == (
        '[[magnets]] number 1 [[magnets.steps]] number 1 rate is not used with motion = "slide".',
        "The magnets move for 1.3 ms and the run lasts only 1 ms: the rest of their steps is not "
        "used.",
    )


def test_magnets_on_one_holder_move_together():
    text = stepped(MAGNET, TURN) + MAGNET.replace('["0 mm"', '["12 mm"') + "moves_with = 1\n"
    first, second = from_text(FILM + text).magnets
    assert first.motion == second.motion
    point, turned, _ = second.motion.poses([12.5e-6])  # a quarter turn
    centre = point[0] + turned[0].apply(np.subtract(second.position, second.motion.point))
    np.testing.assert_allclose(centre, [0.0, 12e-3, -15e-3], atol=1e-12)


def test_equal_rates_repeat_and_others_do_not():
    loop = stepped(LOOP.format(turn="0 deg"), 'motion = "oscillate"\nfrequency = "{}"\n'
                   'duration = "0.4 ms"')  # fmt: skip
    for frequency, period in (("30 kHz", 1e-4), ("20.0001 kHz", 0.4e-3)):
        found = from_text(FILM + stepped(MAGNET, TURN) + loop.replace("{}", frequency))
        (span,) = spans_of(found.magnets, found.cell.place)
        assert span.period == pytest.approx(period)


def test_check_tells_what_the_field_does_in_time():
    found = expect(from_text(FILM + stepped(MAGNET, SLIDE, TURN)))
    rows = dict(found.table)
    assert rows["field from 100 us to 500 us"] == (
        "28.9 mT, turns at 20 kHz about (0.00, 0.00, 1.00)"
    )
    assert rows["field from 0 s to 100 us"] == "14.8 mT to 28.9 mT, hardly turns"
    assert rows["field there at the start (x, y, z)"].startswith("-14.8")
    said = " ".join(found.sentences)
    assert "The magnets move for 500 us. The run follows field and gradient" in said
    assert "The field turns at 20 kHz, a period in " in said
    steps = found.derived["field_programme"]
    assert [step["kind"] for step in steps] == ["move", "rotate"]
    assert found.derived["largest_field_t"] == pytest.approx(1.2 / 3.0 * (5.0 / 12.0) ** 3)
    upright = expect(from_text(FILM + stepped(MAGNET, TURN.replace("[0, 0, 1]", "[0, 1, 0]"))))
    assert upright.derived["field_programme"][0]["kind"] == "turn"
    assert "the field falls to 0.5 of its largest value" in " ".join(upright.sentences)


def test_fast_magnets_shorten_the_step():
    slow, fast = (
        from_text(FILM + stepped(MAGNET, TURN.replace("20 kHz", rate)))
        for rate in ("20 kHz", "50 MHz")
    )
    assert reduce(slow, draw(slow)).limit == "the soft core's stiffness"
    system = reduce(fast, draw(fast))
    assert system.limit == "the period of the field"
    assert system.dt_s == pytest.approx(1.0 / 50e6 / 50.0, rel=0.01)


def test_a_restored_run_with_moving_magnets_goes_on_with_the_same_bits():
    parameters = from_text(FILM + stepped(MAGNET, SLIDE, TURN))
    system = reduce(parameters, draw(parameters))
    start = random_film(system)

    def bits(engine):
        state = engine.snapshot()
        return state.positions.tobytes() + state.directions.tobytes()

    whole = CpuEngine(system, start, 1)
    whole.advance(300)
    first = CpuEngine(system, start, 2)
    first.advance(113)
    saved = first.checkpoint()
    # The second engine compiles the programme anew, as a resumed run does.
    spans_of.cache_clear()
    again = from_text(FILM + stepped(MAGNET, SLIDE, TURN))
    second = CpuEngine(reduce(again, draw(again)), start, 1)
    second.restore(saved)
    second.advance(187)
    assert bits(second) == bits(whole)
