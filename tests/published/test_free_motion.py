"""Free particles: diffusion of places and of directions against Stokes, Einstein and Debye.

Sources: A. Einstein, Ann. Phys. 17, 549 (1905), D = kT/(3 pi eta d) with Stokes' drag;
P. Debye, Polar Molecules (1929), <P_l(u(0).u(t))> = exp(-l (l + 1) D_r t), D_r = kT/(pi eta d^3)
(both from memory; standard results). The averaged noise of B. Leimkuhler and C. Matthews, Appl.
Math. Res. Express 2013, 34, makes the mean squared displacement of n steps 2 D dt (n - 1/2) an
axis: the first and the last normal count half (derived from x_n - x_0 = sqrt(2 D dt) [R_0/2 + R_1
+ ... + R_(n-1) + R_n/2]).

Gates are at 4 standard errors, with fixed seeds.
"""

import math
from pathlib import Path

import numpy as np
import pytest

from sim.engines.cpu import CpuEngine
from sim.film.particles import draw
from sim.film.reduce import reduce
from sim.parameters import load
from tests.reference.small_systems import film, random_film

EXAMPLE = Path(__file__).parents[2] / "runs_demo" / "growing_chains" / "film.toml"
COUNT = 4000
# Two sizes in one dilute film: moments of 1e-4 and 80 diameters of room interact with nothing.
DIAMETER = np.repeat([1.0, 1.6], COUNT // 2)


def free_engine(dt, seed=21):
    """Return an engine on a film without interactions worth naming."""
    system = film(
        COUNT, diameter=DIAMETER, coupling=1e-8, langevin=0.0, fraction=2e-4, dt=dt,
        thickness=120.0, cutoff=2.0, list_margin=8.0, seed=seed,
    )  # fmt: skip
    return system, CpuEngine(system, random_film(system, seed), 1)


def unwrapped(system, state):
    """Return x and y without the wrap."""
    return state.positions[:, :2] + state.image * system.sides


@pytest.mark.parametrize("steps", [1, 2, 5, 40])
def test_displacement_grows_with_the_steps_less_a_half(steps, tell):
    dt = 1e-3
    system, engine = free_engine(dt)
    windows = 12
    squares = []
    for _ in range(windows):
        before = unwrapped(system, engine.snapshot())
        engine.advance(steps)
        squares.append((unwrapped(system, engine.snapshot()) - before) ** 2)
        engine.advance(1)  # neighbouring windows share a normal; one step between them does not
    for diameter in (1.0, 1.6):
        values = np.array(squares)[:, diameter == DIAMETER]
        wanted = 2.0 / diameter * dt * (steps - 0.5)
        # The variance of a squared normal is 2.
        error = math.sqrt(2.0 / values.size)
        tell(
            "⟨Δx²⟩/[2 D dt (n − 1/2)] after one step", 1.0, values.mean() / wanted, error,
            source="Einstein 1905; Leimkuhler, Matthews 2013", when=diameter == 1.0 and steps == 1,
        )  # fmt: skip
        assert values.mean() / wanted == pytest.approx(1.0, abs=4.0 * error)


def test_slope_of_the_mean_squared_displacement(tell):
    # From two ranges of steps: the half step drops out and 2 D t is left.
    dt, short, long = 2e-3, 10, 210
    system, engine = free_engine(dt, seed=5)
    start = unwrapped(system, engine.snapshot())
    engine.advance(short)
    near = (unwrapped(system, engine.snapshot()) - start) ** 2
    engine.advance(long - short)
    far = (unwrapped(system, engine.snapshot()) - start) ** 2
    for diameter in (1.0, 1.6):
        kept = diameter == DIAMETER
        slope = (far[kept].mean() - near[kept].mean()) / ((long - short) * dt)
        error = far[kept].mean() * math.sqrt(2.0 / far[kept].size) / ((long - short) * dt)
        tell(
            "slope of ⟨Δx²⟩ in time, diameter 1.6", 2.0 / diameter, slope, error, unit="d²/t0",
            source="Stokes, Einstein 1905", when=diameter == 1.6,
        )  # fmt: skip
        assert slope == pytest.approx(2.0 / diameter, abs=4.0 * error)


def test_steps_of_different_axes_are_independent():
    system, engine = free_engine(1e-3)
    before = unwrapped(system, engine.snapshot())
    engine.advance(30)
    gap = unwrapped(system, engine.snapshot()) - before
    correlation = np.corrcoef(gap.T)[0, 1]
    assert abs(correlation) < 4.0 / math.sqrt(COUNT)
    assert abs(gap.mean(axis=0) / (gap.std(axis=0) / math.sqrt(COUNT))).max() < 4.0


def test_directions_forget_themselves_as_debye_says(tell):
    # D_r = 3/d^3. Each start gives one sample a particle; later starts add independent ones.
    dt = 1e-3
    _, engine = free_engine(dt)
    ranges = (1, 10, 60, 200)
    cosines = {steps: [] for steps in ranges}
    for _ in range(4):
        start, made = engine.snapshot().directions, 0
        for steps in ranges:
            engine.advance(steps - made)
            made = steps
            cosines[steps].append(np.sum(start * engine.snapshot().directions, axis=1))
    for steps in ranges:
        values = np.array(cosines[steps])
        for diameter in (1.0, 1.6):
            cosine = values[:, diameter == DIAMETER]
            time = 3.0 / diameter**3 * dt * (steps - 0.5)
            second = 1.5 * cosine**2 - 0.5
            laws = (("P1", cosine, math.exp(-2.0 * time)), ("P2", second, math.exp(-6.0 * time)))
            for name, seen, wanted in laws:
                error = seen.std() / math.sqrt(seen.size)
                tell(
                    f"⟨{name}(u(0)·u(t))⟩ of free turning, t = 0.06 t0", wanted, seen.mean(), error,
                    source="Debye 1929", when=diameter == 1.0 and steps == 60,
                )  # fmt: skip
                # A finite rotation vector a step: next order of the law, (2 D_r dt)^2 a step.
                bias = 3.0 * (2.0 * 3.0 * dt) ** 2
                assert seen.mean() == pytest.approx(wanted, abs=4.0 * error + bias * wanted)


def test_example_diffuses_as_stokes_and_einstein_say_in_si():
    parameters = load(EXAMPLE)
    particles = draw(parameters)
    system = reduce(parameters, particles)
    heat = 1.380649e-23 * 298.15
    viscosity = 1.5e-3
    length, time = system.units.length_m, system.units.time_s
    translation = heat / (3.0 * math.pi * viscosity * particles.diameter)
    rotation = heat / (math.pi * viscosity * particles.diameter**3)
    np.testing.assert_allclose(system.mobility * length**2 / time, translation, rtol=1e-12)
    np.testing.assert_allclose(system.turning / time, rotation, rtol=1e-12)
    # 24 nm in 1.5 mPa s at 25 degC: 1.213e-11 m2/s and a Brown time 1/(2 D_r) of 7.91 us
    # (computed here by hand from the two formulas).
    assert length**2 / time == pytest.approx(1.2132e-11, rel=1e-3)
    assert time / (2.0 * 3.0) == pytest.approx(7.913e-6, rel=1e-3)
