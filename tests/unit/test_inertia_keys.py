"""Keys of inertial dynamics and of the windows: masses, times, steps, and what `check` says."""

import math

import numpy as np
import pytest

from sim.film.particles import draw
from sim.film.reduce import reduce
from sim.film.time_step import MOMENTUM_SHARE
from sim.outlook.expectations import expect
from sim.parameters import from_text
from sim.physics import material
from tests.reference.bench_film import BENCH_FILM


def film(run="", more="", **changes):
    """Return the bench film with lines added to its [run] table, or tables behind."""
    text = BENCH_FILM.replace("[run]\n", f"[run]\n{run}\n") + more
    for old, new in changes.items():
        text = text.replace(f"{old} = ", f"{old} = {new} # ")
    return from_text(text, "film.toml")


def test_mass_and_inertia_of_a_coated_ball():
    # A uniform ball: (2/5) m R^2; two materials by adding and taking away balls.
    mass, inertia = material.mass_and_inertia(20e-9, 24e-9, 900.0, 900.0)
    assert mass == pytest.approx(900.0 * math.pi / 6.0 * 24e-9**3, rel=1e-12)
    assert inertia == pytest.approx(0.4 * mass * 12e-9**2, rel=1e-12)
    heavy, spun = material.mass_and_inertia(20e-9, 24e-9, 5180.0, 900.0)
    more = 4280.0 * math.pi / 6.0 * 20e-9**3
    assert heavy == pytest.approx(mass + more, rel=1e-12)
    assert spun == pytest.approx(inertia + 0.4 * more * 10e-9**2, rel=1e-12)


def test_momentum_time_is_that_of_stokes():
    mass, inertia = material.mass_and_inertia(20e-9, 24e-9, 5180.0, 900.0)
    assert material.momentum_time(mass, 24e-9, 1.5e-3) == pytest.approx(
        mass / (3.0 * math.pi * 1.5e-3 * 24e-9), rel=1e-12
    )
    assert material.momentum_time(mass, 24e-9, 1.5e-3) == pytest.approx(7.2e-11, rel=0.02)
    assert material.spin_time(inertia, 24e-9, 1.5e-3) == pytest.approx(
        inertia / (math.pi * 1.5e-3 * 24e-9**3), rel=1e-12
    )


def test_langevin_runs_have_true_masses_and_short_steps():
    parameters = film('dynamics = "langevin"', size_spread="0.0")
    system = reduce(parameters, draw(parameters))
    assert system.dynamics == "langevin"
    assert system.limit == "the momentum time of the particles"
    times = np.array([system.momentum_time[0], system.spin_time[0]]) * system.units.time_s
    assert system.dt_s == pytest.approx(MOMENTUM_SHARE * times.min(), rel=0.01)
    # kT = m <v^2> = I <w^2>, in reduced units m = tau/D.
    assert system.thermal_velocity[0] ** 2 * system.momentum_time[0] == pytest.approx(1.0)
    assert system.thermal_spin[0] ** 2 * system.spin_time[0] == pytest.approx(3.0)
    heavy = film('dynamics = "langevin"\nmass_factor = 50.0', size_spread="0.0")
    more = reduce(heavy, draw(heavy))
    np.testing.assert_allclose(more.momentum_time, 50.0 * system.momentum_time)
    assert more.dt_s == pytest.approx(50.0 * system.dt_s, rel=0.01)


def test_moments_that_turn_inside_have_no_inertia():
    parameters = film('dynamics = "langevin"', moment='"superparamagnetic"')
    system = reduce(parameters, draw(parameters))
    assert system.momentum_time is not None
    assert system.spin_time is None
    assert (system.drags()[1] == 1.0).all()


def test_check_says_when_inertia_matters():
    brownian = expect(film())
    assert "forgets its momentum within" in " ".join(brownian.sentences)
    assert "Inertia matters here" not in " ".join(brownian.cautions)
    assert brownian.derived["dynamics"] == "brownian"
    assert dict(brownian.table)["momentum time"].endswith("ps")
    thin = film(
        viscosity='"0.01 mPa s"', core_diameter='"60 nm"', size_spread="0.0", width='"1 um"'
    )
    assert "Inertia matters here" in " ".join(expect(thin).cautions)
    inertial = expect(film('dynamics = "langevin"'))
    assert "Particles have inertia" in " ".join(inertial.sentences)
    assert inertial.derived["moment_relaxation_meaningful"] is True


def test_an_enlarged_mass_is_reported_and_rates_are_withheld():
    found = expect(film('dynamics = "langevin"\nmass_factor = 1e5'))
    assert "Masses are 100000 times the true ones" in " ".join(found.cautions)
    assert "no relaxation of the magnetisation is quoted" in " ".join(found.cautions)
    assert found.derived["moment_relaxation_meaningful"] is False
    assert found.derived["mass_factor"] == 1e5


def test_keys_that_are_not_used_give_a_notice():
    assert (
        '[run] mass_factor is not used with dynamics = "brownian".'
        in film("mass_factor = 10.0").notices
    )


def test_windows_that_slow_are_named():
    hindered = film(more="[windows]\nhindered_mobility = true\n")
    system = reduce(hindered, draw(hindered))
    assert system.hindered
    assert system.has_momenta
    assert system.momentum_time is None
    assert "Windows slow the motion" in " ".join(expect(hindered).cautions)
    plain = film()
    assert not reduce(plain, draw(plain)).has_momenta
