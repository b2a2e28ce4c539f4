"""Inertial dynamics in closed cases: trap, free flight, moments in a field, equipartition.

Sources: the splitting of B. Leimkuhler and C. Matthews, Appl. Math. Res. Express 2013, 34, is exact
in the place of a harmonic trap at every step; with moves and kicks scaled as D. A. Sivak, J. D.
Chodera and G. E. Crooks, J. Phys. Chem. B 118, 6466 (2014), free diffusion is exact too. Closed
forms, in units of kT: <x^2> = 1/k; the momentum is kept before its kick, where <p^2> = 1 (in units
of its spread) and <x p> = q/2, because half a kick later p is independent of x with
<p^2> = 1 - q^2 k/4 (derived by solving for the stationary moments of the linear map of one step).

Free flight: <v(0) v(t)> = (kT/m) exp(-t/tau) and <x^2> = 2 D [t - tau (1 - exp(-t/tau))]
(P. Langevin, C. R. Acad. Sci. 146, 530 (1908), and L. S. Ornstein, about 1919; from memory).

Gates are at 4 standard errors, fixed seeds.
"""

import math

import numpy as np
import pytest

from sim.engines.cpu import CpuEngine
from sim.kernels.steps.momenta import move_with_momenta
from sim.kernels.steps.noise import AXES, BLOCK
from tests.reference.small_systems import film, parts_of, random_film, state_of, unit_vectors

COUNT = BLOCK
MIDDLE = 200.0


class Driven:
    """256 particles without neighbours, moved with momenta and with noise of numpy's."""

    def __init__(self, seed, dt, moving, turning, **changes):
        values = {
            "fraction": 1e-6, "thickness": 2.0 * MIDDLE, "coupling": 1e-8, "langevin": 0.0,
            "dynamics": "langevin", "momentum_time": np.full(COUNT, moving),
            "spin_time": np.full(COUNT, turning), "dt": dt,
        }  # fmt: skip
        self.system = film(COUNT, **{**values, **changes})
        state = state_of(np.full((COUNT, 3), MIDDLE), unit_vectors(COUNT))
        self.parts = parts_of(self.system, state)
        self.laws = self.parts.laws._replace(drift_cap=1e9)
        self.generator = np.random.default_rng(seed)
        self.slots = self.parts.slots
        self.slots.momentum[:] = self.generator.standard_normal((AXES, COUNT))
        self.sums = np.zeros((COUNT, 8))
        self.field = np.array(self.system.field[0].first)
        self.results = np.zeros(BLOCK), np.zeros(BLOCK)

    def step(self):
        """Make one step with the sums as they stand."""
        normal = self.generator.standard_normal((AXES, BLOCK)).astype(np.float32)
        move_with_momenta(
            0, COUNT, self.slots, self.sums.ravel(), normal, self.field, np.zeros(3),
            self.parts.patch, self.laws, *self.results,
        )  # fmt: skip


def mean_and_error(values, blocks=20):
    """Return the mean of a series and its standard error from blocks."""
    values = np.asarray(values)
    parts = values[: len(values) // blocks * blocks].reshape(blocks, -1).mean(axis=1)
    return parts.mean(), parts.std(ddof=1) / math.sqrt(blocks)


@pytest.mark.parametrize(
    ("steps_a_time", "stiffness"),
    # h/tau, and k D h: slow and fast swings, an overdamped trap, no inertia to speak of
    [(0.2, 0.5), (0.2, 15.0), (1.0, 1.0), (30.0, 0.5), (30.0, 1.5)],
)
def test_trap_has_the_closed_form_at_every_step(steps_a_time, stiffness, tell):
    dt = 1e-3
    tau = dt / steps_a_time
    driven = Driven(17, dt, tau, tau)
    k = stiffness / dt
    q = float(driven.slots.kick[0])
    assert q == pytest.approx(math.sqrt(2.0 * dt * math.tanh(0.5 * steps_a_time)), rel=1e-12)
    assert q * q * k < 4.0  # else no splitting is stable
    places = [getattr(driven.slots, axis) for axis in "xyz"]
    for axis, place in enumerate(places):
        place[:] = MIDDLE + driven.generator.standard_normal(COUNT) / math.sqrt(k)
        assert driven.slots.momentum[axis].std() > 0.5
    seen = []
    for _ in range(3000):
        for axis, place in enumerate(places):
            driven.sums[:, axis] = -k * (place - MIDDLE)
        driven.step()
        x = np.array(places) - MIDDLE
        p = driven.slots.momentum[:3]
        seen.append((k * np.mean(x * x), np.mean(p * p), np.mean(x * p)))
    names = ("k⟨x²⟩/kT", "⟨p²⟩", "⟨x p⟩")
    for name, values, wanted in zip(
        names, np.array(seen[300:]).T, (1.0, 1.0, 0.5 * q), strict=True
    ):
        mean, error = mean_and_error(values)
        tell(
            f"{name} with inertia, h/τ = {steps_a_time:g}, k D h = {stiffness:g}", wanted, mean,
            error, source="Leimkuhler, Matthews 2013",
            when=(name, stiffness) in (("k⟨x²⟩/kT", 15.0), ("k⟨x²⟩/kT", 1.5)),
        )  # fmt: skip
        assert error < 0.02 * max(1.0, wanted)
        assert mean == pytest.approx(wanted, abs=4.0 * error)


def law(alpha):
    """Return Langevin's function (P. Langevin, Ann. Chim. Phys. 5, 70 (1905))."""
    return 1.0 / math.tanh(alpha) - 1.0 / alpha


@pytest.mark.parametrize("steps_a_time", [0.3, 3.0])
def test_moments_in_a_field_follow_langevins_law_and_spins_equipartition(steps_a_time):
    # At the automatic step D_r dt alpha <= 0.2.
    alpha, h = 3.0, 0.2
    dt, strength = h / (3.0 * alpha), 1e4
    tau = dt / steps_a_time
    driven = Driven(
        29, dt, tau, tau, coupling=1.0, langevin=strength, moment=np.full(COUNT, alpha / strength),
        mobility=np.full(COUNT, 1e-9),
    )  # fmt: skip
    for _ in range(400):
        driven.step()
    seen = []
    for _ in range(6000):
        driven.step()
        spins = driven.slots.momentum[3:]
        seen.append((driven.slots.ux.mean(), np.mean(spins[0] ** 2), np.mean(spins[1:] ** 2)))
    for values, wanted in zip(np.array(seen).T, (law(alpha), 1.0, 1.0), strict=True):
        mean, error = mean_and_error(values)
        assert error < 0.003
        # The scheme is of second order in the step; 0.003 is its bias here at most.
        assert mean == pytest.approx(wanted, abs=4.0 * error + 0.003)


def free_engine(dt, moving, turning, count=4000):
    """Return a system and an engine of free particles."""
    system = film(
        count, coupling=1e-8, langevin=0.0, fraction=2e-4, dt=dt, thickness=120.0, cutoff=2.0,
        list_margin=8.0, dynamics="langevin", momentum_time=np.full(count, moving),
        spin_time=np.full(count, turning),
    )  # fmt: skip
    return system, CpuEngine(system, random_film(system, 21), 1)


def unwrapped(system, state):
    """Return x and y without the wrap."""
    return state.positions[:, :2] + state.image * system.sides


def test_free_flight_forgets_its_velocity_and_diffuses_as_langevin_says(tell):
    dt, tau = 1e-3, 4e-3
    system, engine = free_engine(dt, tau, 0.3 * tau)
    start = engine.snapshot()
    before = unwrapped(system, start)
    spread = math.sqrt(1.0 / tau)  # sqrt(kT/m), D = 1
    for state in (start,):
        assert np.std(state.velocities) / spread == pytest.approx(1.0, abs=4.0 / math.sqrt(24000))
    for steps in (2, 6, 40):
        engine.advance(steps)
        time = engine.step * dt
        state = engine.snapshot()
        kept = np.mean(start.velocities * state.velocities) * tau
        error = 1.0 / math.sqrt(12000)
        tell(
            "⟨v(0) v(t)⟩/⟨v²⟩ at t = 2 τ", math.exp(-time / tau), kept, math.sqrt(2.0) * error,
            source="Langevin 1908", when=steps == 6,
        )  # fmt: skip
        assert kept == pytest.approx(math.exp(-time / tau), abs=4.0 * math.sqrt(2.0) * error)
        spun = np.mean(start.spins * state.spins) / np.mean(start.spins**2)
        assert spun == pytest.approx(math.exp(-time / (0.3 * tau)), abs=6.0 * error)
        far = np.mean((unwrapped(system, state) - before) ** 2)
        wanted = 2.0 * (time - tau * (1.0 - math.exp(-time / tau)))
        # Within a step the flight is straight: (1 + (h/tau)^2/12) at most.
        allowed = 4.0 * wanted * math.sqrt(2.0 / 8000)
        if steps == 2:
            allowed += wanted * (dt / tau) ** 2
        assert far == pytest.approx(wanted, abs=allowed + 2.0 * tau * (dt / tau) ** 2 / 12.0)
    assert np.std(state.velocities) / spread == pytest.approx(1.0, abs=4.0 / math.sqrt(24000))
    assert np.std(state.spins) / math.sqrt(3.0 / (0.3 * tau)) == pytest.approx(1.0, abs=0.026)


@pytest.mark.parametrize("steps_a_time", [0.25, 2.0, 20.0])
def test_free_diffusion_is_exact_at_every_step(steps_a_time, tell):
    # The slope of <x^2> is 2 D whatever h/tau is; without the scaled moves it would be 2 D
    # x coth x with x = h/(2 tau): 1.31 and 10 for the last two.
    dt = 2e-3
    system, engine = free_engine(dt, dt / steps_a_time, dt / steps_a_time)
    start = unwrapped(system, engine.snapshot())
    engine.advance(60)
    near = np.mean((unwrapped(system, engine.snapshot()) - start) ** 2)
    engine.advance(300)
    far = np.mean((unwrapped(system, engine.snapshot()) - start) ** 2)
    error = far * math.sqrt(2.0 / 8000) / (300 * dt)
    slope = (far - near) / (300 * dt)
    tell(
        f"slope of ⟨Δx²⟩ with inertia, h/τ = {steps_a_time:g}", 2.0, slope, error, unit="d²/t0",
        source="Sivak and others 2014", when=steps_a_time == 2.0,
    )  # fmt: skip
    assert slope == pytest.approx(2.0, abs=4.0 * error)


def test_directions_diffuse_as_debye_says_at_long_times():
    # P. Debye, Polar Molecules (1929): <u(0).u(t)> = exp(-2 D_r t), D_r = 3; inertia slows the
    # first tau only, which changes 2 D_r t by 2 D_r tau (1 - ...) at most.
    dt, tau = 1e-3, 1e-3
    system, engine = free_engine(dt, tau, tau)
    assert system.turning[0] == 3.0
    start = engine.snapshot().directions
    engine.advance(150)
    kept = np.mean(np.sum(start * engine.snapshot().directions, axis=1))
    wanted = math.exp(-6.0 * (0.150 - tau))
    assert kept == pytest.approx(wanted, abs=4.0 * math.sqrt((1.0 - wanted**2) / 3.0 / 4000))


def test_interacting_film_keeps_equipartition_and_the_brownian_structure():
    # Chains of coupling 4 in a field, momentum times of 5 and 1.5 steps.
    count = 400
    found = []
    for dynamics in ("brownian", "langevin"):
        inertia = {} if dynamics == "brownian" else {
            "momentum_time": np.full(count, 5e-4), "spin_time": np.full(count, 1.5e-4),
        }  # fmt: skip
        system = film(count, coupling=2.0, dt=1e-4, dynamics=dynamics, cutoff=3.0, **inertia)
        engine = CpuEngine(system, random_film(system), 1)
        engine.advance(6000)
        seen = []
        for _ in range(120):
            engine.advance(150)
            look = engine.observe()
            state = engine.snapshot()
            row = [look["dipolar"], look["steric"], look["magnetisation"][0]]
            if dynamics == "langevin":
                row += [
                    np.mean(state.velocities**2) / (1.0 / 5e-4),
                    np.mean(state.spins**2) / (3.0 / 1.5e-4),
                ]
            seen.append(row)
        found.append([mean_and_error(column, 12) for column in np.array(seen).T])
    for (mean, error), (other, spread) in zip(found[0], found[1], strict=False):
        assert mean == pytest.approx(other, abs=4.0 * math.hypot(error, spread))
    for mean, error in found[1][3:]:
        # The momentum before its kick is exact in a trap, of second order elsewhere.
        assert mean == pytest.approx(1.0, abs=4.0 * error + 0.01)
        assert error < 0.01


def test_restart_and_threads_change_no_bit_of_the_momenta():
    count = 300
    inertia = {"momentum_time": np.full(count, 5e-4), "spin_time": np.full(count, 1.5e-4)}
    system = film(count, dynamics="langevin", hindered=True, precision="float32", **inertia)
    whole = CpuEngine(system, random_film(system), 2)
    whole.advance(120)
    first = CpuEngine(system, random_film(system), 1)
    first.advance(53)
    second = CpuEngine(system, random_film(system, 8), 2)
    second.restore(first.checkpoint())
    second.advance(67)
    for name in ("positions", "directions", "velocities", "spins"):
        np.testing.assert_array_equal(
            getattr(whole.snapshot(), name), getattr(second.snapshot(), name)
        )


def test_without_inertia_the_step_is_that_of_averaged_noise():
    # Momentum times far below the step: the same numbers as the Brownian step, but for the
    # order of two turns, of second order in the angle.
    count = 200
    short = {"momentum_time": np.full(count, 1e-9), "spin_time": np.full(count, 1e-9)}
    brownian = film(count, coupling=1.0, dt=1e-5)
    inertial = film(count, coupling=1.0, dt=1e-5, dynamics="langevin", **short)
    engines = [CpuEngine(system, random_film(system), 1) for system in (brownian, inertial)]
    for engine in engines:
        engine.advance(20)
    one, other = (engine.snapshot() for engine in engines)
    np.testing.assert_allclose(one.positions, other.positions, atol=2e-5)
    np.testing.assert_allclose(one.directions, other.directions, atol=2e-3)
