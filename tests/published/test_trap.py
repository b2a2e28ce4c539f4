"""The integrator in closed cases: a harmonic trap, and a moment held by a field.

Source: B. Leimkuhler and C. Matthews, Appl. Math. Res. Express 2013, 34 (averaged noise; exact in
the harmonic trap, second order elsewhere). Closed forms in the step h = k D dt/kT, by squaring
x' = (1 - h) x + noise: fresh noise (Euler and Maruyama) gives <x^2> = (kT/k)/(1 - h/2); averaged
noise (R_n + R_(n+1))/2 gives kT/k for every h < 2. The compiled ``move`` is driven directly.

Rotation by finite turns has no such closed form. Against Langevin's law (P. Langevin, Ann. Chim.
Phys. 5, 70 (1905)) the bias of <cos> shows the order in h = D_r dt alpha: first with fresh noise,
second or better with averaged noise.

Gates are at 4 standard errors, fixed seeds.
"""

import math

import numpy as np
import pytest

from sim.kernels.steps.motion import move
from sim.kernels.steps.noise import AXES, BLOCK
from tests.reference.small_systems import film, parts_of, state_of, unit_vectors

COUNT = BLOCK
MIDDLE = 200.0


class Driven:
    """256 particles without neighbours, moved by ``move`` with noise of numpy's."""

    def __init__(self, averaged, seed, **changes):
        values = {"fraction": 1e-6, "thickness": 2.0 * MIDDLE, "coupling": 1e-8, "langevin": 0.0}
        self.system = film(COUNT, **{**values, **changes})
        state = state_of(np.full((COUNT, 3), MIDDLE), unit_vectors(COUNT))
        self.parts = parts_of(self.system, state)
        self.laws = self.parts.laws._replace(drift_cap=1e9)
        self.generator = np.random.default_rng(seed)
        self.parts.slots.last_noise[:] = self.normals()
        self.averaged = averaged
        self.sums = np.zeros((COUNT, 8))
        self.field = np.array(self.system.field[0].first)
        self.results = np.zeros(BLOCK), np.zeros(BLOCK)

    def normals(self):
        """Return new normals."""
        return self.generator.standard_normal((AXES, BLOCK)).astype(np.float32)

    def step(self):
        """Make one step with the sums as they stand."""
        fresh = self.normals()
        if not self.averaged:
            self.parts.slots.last_noise[:] = fresh
        move(
            0, COUNT, self.parts.slots, self.sums.ravel(), fresh, self.field, np.zeros(3),
            self.parts.patch, self.laws, *self.results,
        )  # fmt: skip


def mean_and_error(values, blocks=20):
    """Return the mean of a series and its standard error from blocks."""
    values = np.asarray(values)
    parts = values[: len(values) // blocks * blocks].reshape(blocks, -1).mean(axis=1)
    return parts.mean(), parts.std(ddof=1) / math.sqrt(blocks)


def trap_variance(h, averaged, steps=3000):
    """Return k <x^2>/kT over the three axes, and its error."""
    dt = 1e-3
    driven = Driven(averaged, seed=17, dt=dt)
    stiffness = h / dt
    places = [getattr(driven.parts.slots, axis) for axis in "xyz"]
    seen = []
    for made in range(steps):
        for axis, place in enumerate(places):
            driven.sums[:, axis] = -stiffness * (place - MIDDLE)
        driven.step()
        if made * h > 20.0:
            squares = [np.mean((place - MIDDLE) ** 2) for place in places]
            seen.append(stiffness * np.mean(squares))
    return mean_and_error(seen)


@pytest.mark.parametrize("h", [0.1, 0.5, 1.0, 1.5])
def test_trap_with_averaged_noise_is_exact_at_every_step(h, tell):
    variance, error = trap_variance(h, averaged=True)
    tell(
        f"k⟨x²⟩/kT in a trap, k D dt = {h}, averaged noise", 1.0, variance, error,
        source="Leimkuhler, Matthews 2013", when=h == 1.5,
    )  # fmt: skip
    assert error < 0.005
    assert variance == pytest.approx(1.0, abs=4.0 * error)


@pytest.mark.parametrize("h", [0.25, 1.0])
def test_trap_with_fresh_noise_is_off_as_computed(h, tell):
    # Shows that the check above can fail: +14 % and +100 %.
    variance, error = trap_variance(h, averaged=False)
    wanted = 1.0 / (1.0 - 0.5 * h)
    tell(
        f"k⟨x²⟩/kT in a trap, k D dt = {h:g}, fresh noise (not used)", wanted, variance, error,
        source="closed form of the Euler step", when=h == 1.0,
    )  # fmt: skip
    assert variance == pytest.approx(wanted, abs=4.0 * error)


def law(alpha):
    """Return Langevin's function."""
    return 1.0 / math.tanh(alpha) - 1.0 / alpha


def turning_bias(h, averaged, steps, alpha=2.0):
    """Return the bias of <cos> of a moment in a field, and its error."""
    dt, strength = h / (3.0 * alpha), 1e4
    driven = Driven(
        averaged, seed=29, dt=dt, coupling=1.0, langevin=strength,
        moment=np.full(COUNT, alpha / strength), mobility=np.full(COUNT, 1e-9),
    )  # fmt: skip
    for _ in range(round(1.0 / dt)):
        driven.step()
    seen = []
    for _ in range(steps):
        driven.step()
        seen.append(driven.parts.slots.ux.mean())
    mean, error = mean_and_error(seen)
    return mean - law(alpha), error


@pytest.mark.parametrize("alpha", [1.0, 5.0])
def test_moment_in_a_field_is_unbiased_at_the_automatic_step(alpha, tell):
    # The automatic step keeps D_r dt alpha at 0.2 or below.
    bias, error = turning_bias(0.2, averaged=True, steps=6000, alpha=alpha)
    tell(
        f"bias of ⟨cos⟩ at the automatic step, α = {alpha:g}", 0.0, bias, error,
        source="Langevin 1905", when=alpha == 5.0,
    )  # fmt: skip
    assert error < 0.002
    assert abs(bias) < 4.0 * error


def order(small, large):
    """Return the order of the bias in the step, and its error, from a step and its double."""
    (b1, e1), (b2, e2) = small, large
    return math.log2(b2 / b1), math.hypot(e1 / b1, e2 / b2) / math.log(2.0)


def test_turning_is_of_second_order_or_better():
    # Steps four and eight times the automatic one: biases of about -0.006 and -0.06.
    small, large = (turning_bias(h, averaged=True, steps=7000) for h in (0.8, 1.6))
    found, error = order(small, large)
    assert abs(small[0]) < 0.01
    assert error < 0.3
    assert found > 2.0 - 4.0 * error


def test_turning_with_fresh_noise_is_of_first_order():
    # The bias is already -0.04 at the automatic step: averaging is what makes turns accurate.
    small, large = (turning_bias(h, averaged=False, steps=4000) for h in (0.2, 0.4))
    found, error = order(small, large)
    assert small[0] < -0.03
    assert found == pytest.approx(1.0, abs=4.0 * error + 0.2)
