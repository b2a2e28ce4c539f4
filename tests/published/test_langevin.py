"""Magnetisation of moments that do not feel each other against Langevin's law.

Source: P. Langevin, Ann. Chim. Phys. 5, 70 (1905): <cos> = coth(a) - 1/a with a = m B/kT. The
mean square follows from it: <P2> = 1 - 3 L(a)/a. Interactions shift the magnetisation by about
8 lambda phi/3 of itself at small a, so lambda phi < 1e-4 is asked for and kept far below.

Gates are at 4 standard errors of independent moments and moments of time, with fixed seeds.
"""

import math

import numpy as np
import pytest

from sim.engines.cpu import CpuEngine
from sim.film.particles import draw
from sim.film.placing import random_state
from sim.film.reduce import reduce
from sim.parameters import from_text
from tests.reference.small_systems import film, random_film

LANGEVIN = np.array([0.1, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0])
# Values of the law, as in the tables of magnetism books (L(1) = 0.3130352855, L(10) = 0.9).
TABLE = {0.5: 0.163953, 1.0: 0.313035, 2.0: 0.537315, 5.0: 0.800091, 10.0: 0.900000}


def law(alpha):
    """Return Langevin's function."""
    return 1.0 / np.tanh(alpha) - 1.0 / alpha


def test_law_is_the_table():
    for alpha, value in TABLE.items():
        assert law(alpha) == pytest.approx(value, abs=5e-7)


@pytest.fixture(scope="module", params=["blocked", "superparamagnetic"])
def kind(request):
    return request.param


@pytest.fixture(scope="module")
def cosines(kind):
    """Return cosines to the field, shape (moments of time, alpha, particles).

    All Langevin parameters share one film: the moments differ and the field is the same. A moment
    that turns inside its particle only turns faster.
    """
    copies, strength = 600, 1e4
    moment = np.repeat(LANGEVIN / strength, copies)
    pace = 3.0 if kind == "blocked" else 9.0
    direction = np.array([0.6, 0.0, 0.8])
    count = moment.size
    # D_rot dt alpha = 0.06 for the largest, well below the 0.2 of the automatic step.
    system = film(
        count, coupling=1.0, langevin=strength, direction=direction, fraction=1e-3,
        thickness=60.0, cutoff=2.0, list_margin=4.0, dt=0.003 / pace, strength=1.0,
        moment=moment, turning=np.full(count, pace),
    )  # fmt: skip
    assert moment.max() ** 2 * 1e-3 < 1e-4
    engine = CpuEngine(system, random_film(system), 1)
    apart = 500  # steps: 3 relaxation times 1/(2 D_rot) of a free moment
    engine.advance(2 * apart)
    seen = []
    for _ in range(6):
        engine.advance(apart)
        seen.append(engine.snapshot().directions @ direction)
    return np.array(seen).reshape(6, LANGEVIN.size, copies)


@pytest.mark.parametrize("k", range(LANGEVIN.size), ids=[str(a) for a in LANGEVIN])
def test_magnetisation(kind, cosines, k, tell):
    # 3600 samples; residual correlation exp(-3) between moments of time widens the error by 5 %.
    values, alpha = cosines[:, k], LANGEVIN[k]
    first = law(alpha)
    variance = 1.0 - 2.0 * first / alpha - first**2
    error = 1.05 * math.sqrt(variance / values.size)
    tell(
        f"magnetisation at α = {alpha:g}, {kind}", first, values.mean(), error,
        source="Langevin 1905", when=alpha in ((0.1, 1.0, 20.0) if kind == "blocked" else (5.0,)),
    )  # fmt: skip
    assert values.mean() == pytest.approx(first, abs=4.0 * error)


@pytest.mark.parametrize("k", range(LANGEVIN.size), ids=[str(a) for a in LANGEVIN])
def test_alignment(cosines, k):
    values, alpha = 1.5 * cosines[:, k] ** 2 - 0.5, LANGEVIN[k]
    wanted = 1.0 - 3.0 * law(alpha) / alpha
    error = 1.05 * values.std() / math.sqrt(values.size)
    assert values.mean() == pytest.approx(wanted, abs=4.0 * error)


FILM = """\
[particles]
moment = "{moment}"
core_diameter = "12 nm"
size_spread = 0.15
shell_thickness = "2 nm"
volume_fraction = 1e-5
[film]
thickness = "2 um"
count = 3000
[repulsion]
kind = "surfactant"
[field]
strength = "{field} mT"
direction = [0, 1, 0]
[dipoles]
sum = "cutoff"
cutoff_diameters = 3.0
[run]
time_step = "{step} ns"
duration = "20 us"
seed = 5
"""


@pytest.mark.parametrize("moment", ["blocked", "superparamagnetic"])
@pytest.mark.parametrize("field", [5, 40])
def test_magnetisation_of_a_parameter_file(moment, field):
    # From the file to the number, SI: sum of m_i L(m_i B/kT) over the sum of m_i.
    step = 20 if moment == "blocked" else 8
    text = FILM.format(moment=moment, field=field, step=step)
    parameters = from_text(text, "film.toml")
    particles = draw(parameters)
    system = reduce(parameters, particles)
    heat = 1.380649e-23 * parameters.carrier.temperature
    alpha = particles.moment * field * 1e-3 / heat
    assert np.mean(system.moment**2) * 1e-5 < 1e-4
    engine = CpuEngine(system, random_state(system, 5), 1)
    engine.advance(300)
    seen = []
    for _ in range(4):
        engine.advance(300)
        seen.append(engine.observe()["magnetisation"][1])
    share = particles.moment / particles.moment.sum()
    wanted = np.sum(share * law(alpha))
    variance = np.sum(share**2 * (1.0 - 2.0 * law(alpha) / alpha - law(alpha) ** 2))
    # The slowest moments relax in 1/(2 D_r); nearby moments of time share some of their noise.
    slowest = 1.0 / (2.0 * system.turning.min() * system.dt)
    correlation = math.exp(-300.0 / slowest)
    error = math.sqrt(variance / 4.0 * (1.0 + 2.0 * correlation / (1.0 - correlation)))
    assert np.mean(seen) == pytest.approx(wanted, abs=4.0 * error)
