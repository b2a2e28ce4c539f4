"""Drift and diffusion over a cell against closed forms."""

import math

import numpy as np
import pytest
from scipy.constants import k as BOLTZMANN
from scipy.integrate import quad

from sim.outlook.cell.drift_model import DriftClock, DriftError, field_energy, film_drift
from sim.outlook.cell.drift_solver import course, equilibrium, inflow, make_edges

SIDES = (12e-3, 8e-3)
ROWS, COLUMNS = 12, 18
MOMENT, TEMPERATURE, DIFFUSION = 2.0e-19, 298.15, 2e-11
PARTICLE = {"moment": MOMENT, "temperature": TEMPERATURE, "diffusion": DIFFUSION}
LONG = DriftClock(first=1.0, last=1e10, frames=8, steps_per_decade=6)


def hill(height, rows=ROWS, columns=COLUMNS):
    """A field that falls from a place off the middle, as beside a pole."""
    x = (np.arange(columns) + 0.5) / columns
    y = (np.arange(rows)[:, None] + 0.5) / rows
    return height * np.exp(-3.0 * ((x - 0.3) ** 2 + (y - 0.4) ** 2))


def centre(result):
    """Mean place along x in each frame."""
    return result.volume_fraction.sum(axis=1) @ result.x_m / result.volume_fraction[0].sum()


@pytest.mark.parametrize("field", [0.0, 1e-4, 0.05, 3.0])
def test_the_energy_is_the_work_of_the_mean_moment(field):
    # Langevin, 1905: mean moment m (coth x - 1/x), x = m B/kT; the work is its integral over B.
    def mean_moment(b):
        x = MOMENT * b / (BOLTZMANN * TEMPERATURE)
        return MOMENT * (x / 3.0 if x < 1e-4 else 1.0 / math.tanh(x) - 1.0 / x)

    work = quad(mean_moment, 0.0, field, epsabs=0.0)[0] / (BOLTZMANN * TEMPERATURE)
    assert field_energy(field, MOMENT, TEMPERATURE) == pytest.approx(-work, rel=1e-7)


def test_the_energy_has_no_step_where_the_series_begins():
    fields = BOLTZMANN * TEMPERATURE / MOMENT * np.array([1.0 - 1e-9, 1.0 + 1e-9]) * 1e-2
    below, above = field_energy(fields, MOMENT, TEMPERATURE)
    assert above == pytest.approx(below, rel=1e-8)


def test_cores_of_a_bead_add_their_energies():
    one = field_energy(0.1, MOMENT, TEMPERATURE)
    assert field_energy(0.1, 30.0 * MOMENT, TEMPERATURE, cores=30.0) == pytest.approx(30.0 * one)


def test_few_particles_settle_into_the_boltzmann_profile():
    field = hill(0.1)
    result = film_drift(field, SIDES, start=1e-9, clock=LONG, **PARTICLE)
    x = MOMENT * field / (BOLTZMANN * TEMPERATURE)
    boltzmann = np.sinh(x) / x
    boltzmann *= 1e-9 / boltzmann.mean()
    assert boltzmann.max() / boltzmann.min() > 10.0
    # The steric limit shifts c by a share c/packing, 1e-8 here.
    np.testing.assert_allclose(result.equilibrium, boltzmann, rtol=1e-7)
    np.testing.assert_allclose(result.volume_fraction[-1], boltzmann, rtol=1e-7)


@pytest.mark.parametrize("height", [0.0, 0.1, 2.0])
def test_no_particle_is_lost(height):
    start = 0.05 * (1.0 + 0.5 * np.random.default_rng(4).uniform(-1.0, 1.0, (ROWS, COLUMNS)))
    result = film_drift(hill(height), SIDES, start=start, clock=LONG, **PARTICLE)
    sums = result.volume_fraction.sum(axis=(1, 2))
    np.testing.assert_allclose(sums, start.sum(), rtol=1e-12)
    assert result.equilibrium.sum() == pytest.approx(start.sum(), rel=1e-12)
    assert abs(result.lost) < 1e-12


def test_the_flux_itself_conserves_without_help_of_the_solver():
    edges = make_edges(-40.0 * hill(1.0), (1.0, 1.5), 1.0)
    packing = np.random.default_rng(1).uniform(0.0, 1.0, ROWS * COLUMNS)
    rates = inflow(packing, edges)
    assert abs(rates.sum()) < 1e-12 * np.abs(rates).sum()
    assert np.abs(rates).max() > 1.0


def decayed(rows, columns, last):
    """Amplitude left of the mode cos(pi x/X) cos(2 pi y/Y) without a field."""
    x = (np.arange(columns) + 0.5) / columns
    y = (np.arange(rows)[:, None] + 0.5) / rows
    mode = np.cos(np.pi * x) * np.cos(2.0 * np.pi * y)
    spacing = (SIDES[1] / rows, SIDES[0] / columns)
    edges = make_edges(np.zeros((rows, columns)), spacing, DIFFUSION)
    packing = course((0.3 + 0.2 * mode).ravel(), edges, np.array([0.0, last]))[-1]
    return float((packing - 0.3) @ mode.ravel()) / (0.2 * float((mode**2).sum()))


RATE = DIFFUSION * ((math.pi / SIDES[0]) ** 2 + (2.0 * math.pi / SIDES[1]) ** 2)
"""D k^2 of the mode between closed walls (J. Crank, The Mathematics of Diffusion, 1975, chapter 2,
from memory)."""


def test_a_mode_decays_with_second_order_in_the_grid():
    errors = [abs(decayed(8 * n, 12 * n, 1.0 / RATE) - math.exp(-1.0)) for n in (1, 2, 4)]
    assert errors[0] / errors[1] == pytest.approx(4.0, rel=0.1)
    assert errors[1] / errors[2] == pytest.approx(4.0, rel=0.05)


@pytest.mark.parametrize("share", [0.01, 1.0, 4.0])
def test_the_course_in_time_is_that_of_the_grid(share):
    x_rate = (2.0 * COLUMNS / SIDES[0] * math.sin(math.pi / (2 * COLUMNS))) ** 2
    y_rate = (2.0 * ROWS / SIDES[1] * math.sin(math.pi / ROWS)) ** 2
    # Rates of the five-point stencil: 4/h^2 sin^2(k h/2) along each axis. Each of some hundred
    # steps may add its error, a millionth of the packing.
    rate = DIFFUSION * (x_rate + y_rate)
    left = decayed(ROWS, COLUMNS, share / rate)
    assert left == pytest.approx(math.exp(-share), abs=3e-5)


def test_the_half_time_of_a_mode():
    # On a line of cells; half of the change of a single mode is done at ln 2/(D k^2).
    columns = 64
    mode = np.cos(np.pi * (np.arange(columns) + 0.5) / columns)[None, :]
    half = math.log(2.0) / (DIFFUSION * (math.pi / SIDES[0]) ** 2)
    clock = DriftClock(first=half / 100.0, last=10.0 * half, frames=4, steps_per_decade=40)
    field = np.zeros((1, columns))
    result = film_drift(field, SIDES, start=0.1 + 0.05 * mode, clock=clock, **PARTICLE)
    assert result.half_time_s == pytest.approx(half, rel=1e-3)
    short = DriftClock(first=half / 100.0, last=half / 10.0, frames=4, steps_per_decade=40)
    early = film_drift(field, SIDES, start=0.1 + 0.05 * mode, clock=short, **PARTICLE)
    assert early.half_time_s is None


def test_particles_drift_at_their_terminal_velocity():
    # Force m L(x) dB/dx over friction kT/D (Stokes and Einstein).
    columns, slope = 400, 5.0
    x = (np.arange(columns) + 0.5) * SIDES[0] / columns
    field = (0.2 + slope * (x - SIDES[0] / 2.0))[None, :]
    start = 1e-8 * np.exp(-0.5 * ((x - SIDES[0] / 2.0) / 5e-4) ** 2)[None, :]
    clock = DriftClock(first=100.0, last=10_000.0, frames=3, steps_per_decade=40)
    result = film_drift(field, SIDES, start=start, clock=clock, **PARTICLE)
    xi = MOMENT * 0.2 / (BOLTZMANN * TEMPERATURE)
    langevin = 1.0 / math.tanh(xi) - 1.0 / xi
    speed = DIFFUSION * MOMENT * langevin * slope / (BOLTZMANN * TEMPERATURE)
    places = centre(result)
    # L(x) varies by 1e-3 over the cloud; it moves by a fifth of its width.
    assert (places[-1] - places[0]) / 10_000.0 == pytest.approx(speed, rel=5e-3)
    assert places[-1] - places[0] > 2e-5


def test_crowded_equilibrium_has_one_chemical_potential_and_the_mass():
    energy = -25.0 * hill(1.0)
    packing = equilibrium(energy, 0.2)
    assert packing.mean() == pytest.approx(0.2, rel=1e-12)
    loose = (packing > 1e-12) & (packing < 1.0 - 1e-6)
    potential = np.log(packing[loose] / (1.0 - packing[loose])) + energy[loose]
    np.testing.assert_allclose(potential, potential[0], atol=1e-8)
    assert packing.max() > 0.98


def test_strong_attraction_packs_and_never_overfills():
    start, limit = 0.1, 0.6
    # Packed places hardly change: the last of it takes longer than 1e10 s.
    endless = DriftClock(first=1.0, last=1e13, frames=8, steps_per_decade=6)
    result = film_drift(
        hill(0.5), SIDES, start=start, packing=limit, clock=endless, cores=8.0,
        moment=8.0 * MOMENT, temperature=TEMPERATURE, diffusion=DIFFUSION,
    )  # fmt: skip
    assert result.volume_fraction.max() <= limit
    assert result.volume_fraction.min() >= 0.0
    assert result.volume_fraction[-1].max() > 0.999 * limit
    np.testing.assert_allclose(result.volume_fraction[-1], result.equilibrium, atol=1e-8)
    assert result.steepest_kt > 5.0


def test_the_way_to_equilibrium_never_turns_back():
    # Hops contract the sum of absolute differences (M. G. Crandall and L. Tartar,
    # Proceedings of the American Mathematical Society 78, 385 (1980), from memory); a step may
    # err by a millionth.
    clock = DriftClock(first=10.0, last=1e9, frames=5, steps_per_decade=8)
    result = film_drift(hill(0.3), SIDES, start=0.05, clock=clock, **PARTICLE)
    assert np.diff(result.change).min() > -1e-7
    assert result.change[0] == 0.0
    assert result.change[-1] == pytest.approx(1.0, abs=1e-9)
    assert 10.0 < result.half_time_s < 1e9


def test_frames_lie_on_the_logarithmic_clock():
    clock = DriftClock(first=2.0, last=2e4, frames=5, steps_per_decade=10)
    result = film_drift(hill(0.1), SIDES, start=0.02, clock=clock, **PARTICLE)
    np.testing.assert_allclose(result.time_s, [0.0, 2.0, 20.0, 200.0, 2e3, 2e4])
    assert result.volume_fraction.shape == (6, ROWS, COLUMNS)
    assert result.change_time_s.shape == result.change.shape
    assert (np.diff(result.change_time_s) > 0.0).all()
    assert (result.volume_fraction[0] == 0.02).all()


def test_nothing_changes_in_an_even_field():
    field = np.full((ROWS, COLUMNS), 0.1)
    result = film_drift(field, SIDES, start=0.02, clock=LONG, **PARTICLE)
    assert result.half_time_s is None
    assert not result.change.any()
    np.testing.assert_allclose(result.volume_fraction, 0.02, rtol=1e-12)


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"sides": (0.0, 1e-2)}, "width of the cell must be above 0 m such as 0.02; received 0"),
        ({"moment": -1e-19}, "moment must be above 0 A m2 such as 2e-19; received -1e-19"),
        ({"temperature": math.nan}, "temperature must be above 0 K such as 298.15; received nan"),
        ({"diffusion": 0.0}, "diffusion must be above 0 m2/s such as 2e-11; received 0"),
        ({"packing": 1.2}, "packing must be a volume fraction above 0 and at most 1"),
        ({"cores": 0.5}, "cores must be at least 1 such as 50; received 0.5"),
        ({"start": 0.7}, "from 0 to the packing limit 0.64 such as 0.02; received 0.7"),
        ({"start": math.nan}, "start must be a volume fraction .* received nan"),
        ({"start": 0.0}, "start must leave particles and room to move"),
        ({"start": 0.64}, "start must leave particles and room to move"),
        ({"start": np.ones((2, 2))}, r"of the shape \(12, 18\); received the shape \(2, 2\)"),
        ({"field": np.ones(4)}, r"field must be a grid .* received the shape \(4,\)"),
        ({"field": np.array([[0.1, -0.2]])}, "field must be at least 0 T .* received -0.2"),
        ({"field": np.array([[0.1, np.nan]])}, "field must be at least 0 T .* received nan"),
        ({"clock": DriftClock(first=0.0)}, "first time must be above 0 s such as 1; received 0"),
        ({"clock": DriftClock(last=0.5)}, "last time must be above the first, 1 s, .* 0.5"),
        ({"clock": DriftClock(frames=1)}, "frames must be at least 2 such as 25; received 1"),
        ({"clock": DriftClock(steps_per_decade=0)}, "steps per decade must be at least 1"),
    ],
)
def test_bad_input_is_one_sentence(changed, sentence):
    given = {"field": hill(0.1), "sides": SIDES, "start": 0.02, **PARTICLE, **changed}
    with pytest.raises(DriftError, match=sentence) as caught:
        film_drift(**given)
    assert str(caught.value).count(". ") == 0
