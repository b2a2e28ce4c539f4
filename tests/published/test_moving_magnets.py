"""Fields of magnets and coils that move, as a run follows them, against closed forms.

A sphere of radius R and polarisation J has outside it the field of a dipole,
R^3/3 [3 (J . n) n - J]/r^3; on the axis of J that is 2/3 J (R/r)^3 (J. D. Jackson, Classical
Electrodynamics, section 5.10). A loop of diameter d has mu0 I/d at its centre (handbooks). Curves
are asked to be good to 1e-6 of the largest field; all gates are that.
"""

import math

import numpy as np
import pytest

pytest.importorskip("magpylib", reason="fields of magnets need magpylib")

from sim.engines import cpu_arrays
from sim.engines.cpu import CpuEngine
from sim.film.field_programme import FieldStage
from sim.film.particles import draw
from sim.film.reduce import reduce
from sim.kernels.steps import step
from sim.magnets.moving_field import TOLERANCE, spans_of
from sim.magnets.poses import at_time
from sim.magnets.shapes import field_and_gradient
from sim.parameters import from_text
from sim.physics.field_gradients import six_slopes
from tests.reference.small_film import over_magnets, small_film
from tests.reference.small_systems import film, random_film

REMANENCE, RADIUS = 1.2, 5e-3
FILM = over_magnets("", small_film("1 ms"))
SPHERE = """
[[magnets]]
kind = "sphere"
diameter = "10 mm"
remanence = "1.2 T"
position = ["0 mm", "0 mm", "-15 mm"]
direction = {direction}
"""
LOOP = """
[[magnets]]
kind = "loop"
diameter = "40 mm"
current = "20 A"
turn = "{turn}"
turn_axis = [0, 1, 0]
"""


def stepped(magnet, *steps):
    return magnet + "".join(f"[[magnets.steps]]\n{lines}\n" for lines in steps)


def followed(parameters, times):
    """Field (n, 3) in T and gradient (n, 6) in T/m at times in s, as the compiled step has them."""
    system = reduce(parameters, draw(parameters))
    units = system.units
    table = cpu_arrays.field_table(system.field, system.body.gradient)
    rows = np.zeros((len(times), step.FIELD_SIZE))
    for row, time in zip(rows, times, strict=True):
        step.field_at(time / units.time_s, table, row)
    return rows[:, :3] * units.field_t, rows[:, 3:] * units.field_t / units.length_m


def random_times(until, count=60):
    return np.sort(np.random.default_rng(4).uniform(0.0, until, count))


def dipole(place, polarisation):
    """Field (n, 3) at places (n, 3) from the centres of spheres with polarisations (n, 3)."""
    r = np.linalg.norm(place, axis=1, keepdims=True)
    n = place / r
    along = np.sum(polarisation * n, axis=1, keepdims=True)
    return RADIUS**3 / 3.0 * (3.0 * along * n - polarisation) / r**3


@pytest.mark.parametrize("duration", ["0.4 ms", "0.12 ms"])  # ten turns, and three: both repeat
def test_a_turning_sphere_is_a_turning_dipole(duration, tell):
    text = FILM + stepped(
        SPHERE.format(direction=[0, 0, 1]),
        f'motion = "turn"\nrate = "25 kHz"\naxis = [0, 1, 0]\nduration = "{duration}"',
    )
    times = random_times(float(duration.split()[0]) * 1e-3)
    angle = 2.0 * math.pi * 25e3 * times
    moment = REMANENCE * np.stack([np.sin(angle), 0.0 * angle, np.cos(angle)], axis=1)
    wanted = dipole(np.tile([0.0, 0.0, 15e-3], (60, 1)), moment)
    found, _ = followed(from_text(text), times)
    largest = 2.0 / 3.0 * REMANENCE / 27.0
    missed = np.abs(found - wanted).max() / largest
    assert missed < TOLERANCE
    tell("field of a turning sphere, largest miss", "below 1e-6", missed, source="Jackson, 5.10")


def test_a_sphere_that_turns_by_an_angle_stays_there():
    text = FILM + stepped(
        SPHERE.format(direction=[0, 0, 1]),
        'motion = "turn"\nangle = "-90 deg"\naxis = [0, 1, 0]\nduration = "0.1 ms"',
    )
    times = np.array([0.0, 0.05e-3, 0.1e-3, 0.7e-3])
    angle = -0.5 * math.pi * np.minimum(times / 0.1e-3, 1.0)
    moment = REMANENCE * np.stack([np.sin(angle), 0.0 * angle, np.cos(angle)], axis=1)
    wanted = dipole(np.tile([0.0, 0.0, 15e-3], (4, 1)), moment)
    found, _ = followed(from_text(text), times)
    np.testing.assert_allclose(found, wanted, atol=TOLERANCE * 0.03)


def test_a_sphere_that_comes_near_waits_and_leaves(tell):
    text = FILM + stepped(
        SPHERE.format(direction=[0, 0, 1]),
        'motion = "slide"\nposition = ["0 mm", "0 mm", "-7 mm"]\nduration = "0.2 ms"',
        'duration = "0.1 ms"',
        'motion = "slide"\nposition = ["0 mm", "0 mm", "-40 mm"]\nduration = "0.3 ms"',
    )
    times = random_times(0.8e-3)
    z = np.interp(times, [0.0, 0.2e-3, 0.3e-3, 0.6e-3], [15e-3, 7e-3, 7e-3, 40e-3])
    wanted = 2.0 / 3.0 * REMANENCE * (RADIUS / z) ** 3
    field, slope = followed(from_text(text), times)
    largest = 2.0 / 3.0 * REMANENCE * (5.0 / 7.0) ** 3
    missed = np.abs(field - wanted[:, None] * [0.0, 0.0, 1.0]).max() / largest
    assert missed < TOLERANCE
    shape = np.array([0.5, 0.5, -1.0, 0.0, 0.0, 0.0])
    exact = (3.0 * wanted / z)[:, None] * shape
    assert np.abs(slope - exact).max() < TOLERANCE * 3.0 * largest / 7e-3
    tell("field of an approaching sphere, largest miss", "below 1e-6", missed,
         source="Jackson, 5.10")  # fmt: skip


def test_a_sphere_on_a_turntable_goes_round_its_pivot():
    text = FILM + stepped(
        SPHERE.format(direction=[0, 0, 1]).replace('["0 mm"', '["6 mm"'),
        'motion = "turn"\nrate = "10 kHz"\naxis = [0, 0, 1]\npivot = ["0 mm", "0 mm", "0 mm"]\n'
        'duration = "0.5 ms"',
    )
    times = random_times(0.5e-3)
    angle = 2.0 * math.pi * 10e3 * times
    centre = np.stack([6e-3 * np.cos(angle), 6e-3 * np.sin(angle), -15e-3 + 0.0 * angle], axis=1)
    wanted = dipole(-centre, np.tile([0.0, 0.0, REMANENCE], (60, 1)))
    found, _ = followed(from_text(text), times)
    np.testing.assert_allclose(found, wanted, atol=TOLERANCE * np.linalg.norm(wanted, axis=1).max())


def test_two_crossed_coils_make_a_turning_field():
    """In step but for a right angle, equal crossed coils turn the field; one alone swings it."""
    swing = 'motion = "oscillate"\nfrequency = "20 kHz"\nduration = "0.3 ms"\nphase = "{}"'
    first = stepped(LOOP.format(turn="0 deg"), swing.format("0 deg"))
    second = stepped(LOOP.format(turn="90 deg"), swing.format("-90 deg"))
    centre = 4e-7 * math.pi * 20.0 / 40e-3
    times = random_times(0.3e-3)
    angle = 2.0 * math.pi * 20e3 * times
    wanted = centre * np.stack([np.sin(angle), 0.0 * angle, np.cos(angle)], axis=1)
    both = from_text(FILM + first + second)
    found, _ = followed(both, times)
    np.testing.assert_allclose(found, wanted, atol=2.0 * TOLERANCE * centre)
    (span,) = spans_of(both.magnets, both.cell.place)
    assert (span.turning.kind, span.turning.frequency) == ("rotate", pytest.approx(20e3))
    assert span.turning.axis == pytest.approx((0.0, 1.0, 0.0), abs=1e-6)
    alone = from_text(FILM + second)
    (span,) = spans_of(alone.magnets, alone.cell.place)
    assert span.turning.kind == "oscillate"
    swung = np.array(span.turning.vector) * math.cos(span.turning.phase)
    np.testing.assert_allclose(swung, 0.0, atol=1e-6 * centre)
    assert math.hypot(*span.turning.vector) == pytest.approx(centre, rel=1e-6)


CROWD = (
    stepped(
        '[[magnets]]\nkind = "block"\nsides = ["10 mm", "6 mm", "4 mm"]\nremanence = "1.3 T"\n'
        'position = ["3 mm", "1 mm", "-14 mm"]\nturn = "20 deg"\n',
        'motion = "slide"\nposition = ["-2 mm", "2 mm", "-9 mm"]\nduration = "0.1 ms"',
        'motion = "turn"\nrate = "30 kHz"\naxis = [1, 1, 2]\nduration = "0.2 ms"',
    ),
    stepped(
        '[[magnets]]\nkind = "ring"\ndiameter = "8 mm"\ninner_diameter = "3 mm"\nheight = "3 mm"\n'
        'remanence = "1 T"\nposition = ["0 mm", "0 mm", "9 mm"]\n',
        'start = "50 us"\nmotion = "turn"\nrate = "20 kHz"\naxis = [1, 0, 0]\nduration = "0.25 ms"',
    ),
    '[[magnets]]\nkind = "soft_iron_sphere"\ndiameter = "5 mm"\n'
    'position = ["14 mm", "0 mm", "-9 mm"]\n',
    stepped(
        '[[magnets]]\nkind = "soft_iron_sphere"\ndiameter = "4 mm"\nsaturation = "0.2 T"\n'
        'position = ["16 mm", "9 mm", "-9 mm"]\n',
        'motion = "slide"\nposition = ["9 mm", "9 mm", "-9 mm"]\nduration = "0.2 ms"',
    ),
    stepped(
        LOOP.format(turn="30 deg"),
        'motion = "ramp"\nshare = -2.0\nduration = "0.3 ms"',
    ),
)  # fmt: skip


@pytest.mark.parametrize("count", [1, 2, 5])
def test_curves_are_the_field_of_the_magnets_at_any_time(count, tell):
    parameters = from_text(FILM + "".join(CROWD[:count]) + '[cell]\nplace = ["1 mm", "0 mm"]\n')
    times = random_times(0.35e-3, 40)
    field, slope = followed(parameters, times)
    place = np.array([[1e-3, 0.0, 0.0]])
    exact = [field_and_gradient(at_time(parameters.magnets, time), place) for time in times]
    largest = max(np.linalg.norm(b) for b, _ in exact)
    steepest = max(np.abs(g).max() for _, g in exact)
    wanted = np.array([b[0] for b, _ in exact])
    missed = np.abs(field - wanted).max() / largest
    assert missed < TOLERANCE
    wanted = np.array([six_slopes(g)[0] for _, g in exact])
    assert np.abs(slope - wanted).max() / steepest < TOLERANCE
    spans = spans_of(parameters.magnets, parameters.cell.place)
    assert max(span.error for span in spans) < TOLERANCE
    tell("field of five moving sources, largest miss", "below 1e-6", missed,
         source="magpylib at rest", when=count == 5)  # fmt: skip


def test_a_growing_gradient_pulls_particles_as_far_as_it_must():
    """Moments held along x by a strong field drift along z by mobility m integral G_xz dt.

    Two runs with the same noise, with and without the gradient, differ by it alone; <u_x> is
    L(xi) = 1 - 1/xi (Langevin 1905).
    """
    xi, moment, last, duration = 400.0, 1e-3, 300.0, 0.4
    curve = np.zeros((1, 4, 9))
    curve[0, 0, 0] = xi / moment
    curve[0, 1, 7] = last  # G_xz grows from zero
    drifts = []
    for slope in (0.0, 1.0):
        changed = curve.copy()
        changed[:, :, 3:] *= slope
        strong = (xi / moment, 0.0, 0.0)
        stage = FieldStage("follow", duration, strong, strong, span=duration, curve=changed)
        system = film(
            400, coupling=moment**2, fraction=1e-5, thickness=200.0, cutoff=2.0, list_margin=2.0,
            dt=5e-4, field=(stage,),
        )  # fmt: skip
        engine = CpuEngine(system, random_film(system), 1)
        engine.advance(800)
        drifts.append(engine.snapshot().positions[:, 2])
    away = drifts[1] - drifts[0]
    wanted = moment * (1.0 - 1.0 / xi) * last * duration / 2.0
    middle = np.abs(drifts[0] - 100.0) < 90.0
    assert np.mean(away[middle]) == pytest.approx(wanted, rel=0.01)
