"""Windows slow the particles near them: the mobilities, the motion, and what must not change.

Sources: the rational forms of M. A. Bevan and D. C. Prieve, J. Chem. Phys. 113, 1228 (2000) and
their values; the exact series for motion across one wall by H. Brenner, Chem. Eng. Sci. 16, 242
(1961), and H. Faxen's polynomial along it (values computed from the published series, formulas
from memory). A mobility that depends on the place changes no equilibrium: the density between the
windows follows their own potential alone. The drift kT dmu/dz belongs to diffusion with such a
mobility (D. L. Ermak and J. A. McCammon, J. Chem. Phys. 69, 1352 (1978)); the splitting has it
without adding it, which is tested here.

Gates are at 4 standard errors, fixed seeds.
"""

import math

import numpy as np
import pytest

from sim.engines.cpu import CpuEngine
from sim.kernels.laws.hindrance import LEAST_GAP, across_window, along_window, hindered
from sim.kernels.steps.momenta import move_with_momenta
from sim.kernels.steps.noise import AXES, BLOCK
from tests.reference import naive
from tests.reference.small_systems import film, parts_of, random_film, state_of, unit_vectors

# h/a, along: Faxen and rational, across: exact series and rational.
TABLE = [
    (1.05, 0.37868, 0.37903, 0.04633, 0.04665),
    (1.25, 0.52152, 0.52111, 0.18849, 0.18919),
    (1.5, 0.61908, 0.61859, 0.31197, 0.31250),
    (2.0, 0.72144, 0.72155, 0.47047, 0.47059),
    (3.0, 0.81470, 0.81433, 0.63727, 0.63636),
    (5.0, 0.88820, 0.88664, 0.77816, 0.77612),
    (10.0, 0.94386, 0.94203, 0.88795, 0.88576),
]


def brenner(ratio):
    """Return the exact mobility across one wall, centre at ``ratio`` radii, by Brenner's series."""
    a = math.acosh(ratio)
    total = 0.0
    for n in range(1, 400):
        top = 2.0 * math.sinh((2 * n + 1) * a) + (2 * n + 1) * math.sinh(2.0 * a)
        bottom = 4.0 * math.sinh((n + 0.5) * a) ** 2 - (2 * n + 1) ** 2 * math.sinh(a) ** 2
        term = n * (n + 1) / ((2 * n - 1) * (2 * n + 3)) * (top / bottom - 1.0)
        total += term
        if abs(term) < 1e-15 * total or (2 * n + 3) * a > 600.0:
            break
    return 1.0 / (4.0 / 3.0 * math.sinh(a) * total)


@pytest.mark.parametrize(("ratio", "faxen", "along", "exact", "across"), TABLE)
def test_one_window(ratio, faxen, along, exact, across, tell):
    gap = ratio - 1.0
    where = f"one window, centre at {ratio:g} radii"
    tell(
        f"mobility along {where}", faxen, along_window(gap), source="Faxén", when=ratio == 1.25
    )  # fmt: skip
    tell(
        f"mobility across {where}", exact, across_window(gap), source="Brenner 1961",
        when=ratio == 1.25,
    )  # fmt: skip
    assert along_window(gap) == pytest.approx(along, abs=6e-6)
    assert across_window(gap) == pytest.approx(across, abs=6e-6)
    assert along_window(gap) == pytest.approx(faxen, rel=2.2e-3)
    assert brenner(ratio) == pytest.approx(exact, abs=6e-6)
    assert across_window(gap) == pytest.approx(exact, rel=8e-3)


def test_two_windows_add_their_drags_and_the_gap_has_a_least_value():
    along, across = hindered(1.5, 5.0, 0.5)
    for found, law in ((along, along_window), (across, across_window)):
        assert found == pytest.approx(1.0 / (1.0 / law(2.0) + 1.0 / law(6.0) - 1.0), rel=1e-14)
    assert hindered(3.5, 5.0, 0.5) == pytest.approx((along, across), rel=1e-14)
    assert hindered(0.5, 100.0, 0.5)[1] == pytest.approx(across_window(LEAST_GAP), rel=0.02)
    assert hindered(0.3, 100.0, 0.5) == pytest.approx(hindered(0.5, 100.0, 0.5), rel=1e-4)
    # Far from both windows, nothing is left of them (9/8 a/h, Lorentz).
    both = 2.0 * 9.0 / 8.0 / 1000.0
    assert hindered(500.0, 1000.0, 0.5)[1] == pytest.approx(1.0 - both, abs=2e-4)


REPEATS = 40


def spread_from(height, dt, steps, **changes):
    """Return (x, z) displacements of particles that start at a height, after each of ``steps``."""
    values = {
        "fraction": 1e-6, "thickness": 400.0, "coupling": 1e-8, "langevin": 0.0, "dt": dt,
        "hindered": True, "strength": 1e-12,
    }  # fmt: skip
    system = film(BLOCK, **{**values, **changes})
    generator = np.random.default_rng(41)
    sums, field, results = np.zeros(8 * BLOCK), np.zeros(3), (np.zeros(BLOCK), np.zeros(BLOCK))
    found = []
    start = state_of(np.tile([100.0, 100.0, height], (BLOCK, 1)), unit_vectors(BLOCK))
    parts = parts_of(system, start)
    slots = parts.slots
    for _ in range(REPEATS):
        slots.x[:], slots.y[:], slots.z[:] = 100.0, 100.0, height
        slots.momentum[:] = generator.standard_normal((AXES, BLOCK))
        rows = []
        for made in range(1, max(steps) + 1):
            normal = generator.standard_normal((AXES, BLOCK)).astype(np.float32)
            move_with_momenta(
                0, BLOCK, slots, sums, normal, field, field, parts.patch, parts.laws, *results
            )
            if made in steps:
                rows.append((slots.x - 100.0, slots.z - height))
        found.append(rows)
    return np.concatenate(np.array(found), axis=-1)  # (steps, 2, samples)


INERTIA = {
    "dynamics": "langevin", "momentum_time": np.full(BLOCK, 2e-5),
    "spin_time": np.full(BLOCK, 2e-5),
}  # fmt: skip


@pytest.mark.parametrize("changes", [{}, INERTIA], ids=["brownian", "langevin"])
@pytest.mark.parametrize("ratio", [1.25, 1.5, 3.0])
def test_spread_near_a_window_is_that_of_the_local_mobility(ratio, changes):
    dt, short, long = 4e-6, 40, 240
    seen = spread_from(0.5 * ratio, dt, (short, long), **changes)
    time = (long - short) * dt
    for part, law in ((0, along_window), (1, across_window)):
        near, far = seen[:, part].var(axis=1)
        error = far * math.sqrt(2.0 / seen.shape[-1]) / time
        # What is reached within the time has a mobility that differs by less than 2 %.
        assert (far - near) / time == pytest.approx(
            2.0 * law(ratio - 1.0), abs=4.0 * error + 0.02 * law(ratio - 1.0)
        )


@pytest.mark.parametrize("changes", [{}, INERTIA], ids=["brownian", "langevin"])
def test_particles_drift_away_from_a_window_as_diffusion_demands(changes, tell):
    # <dz> = kT dmu/dz t from a sharp start; derivative of the rational form by differences.
    dt, steps = 1e-5, 200
    seen = spread_from(0.625, dt, (steps,), **changes)[0, 1]
    slope = (across_window(0.2501) - across_window(0.2499)) / 2e-4 / 0.5
    error = seen.std() / math.sqrt(seen.size)
    wanted = slope * dt * steps
    tell(
        "drift away from a window in 0.002 t0", wanted, seen.mean(), error, unit="d",
        source="Ermak, McCammon 1978", when=not changes,
    )  # fmt: skip
    assert wanted > 8.0 * error  # without the drift this test would fail
    assert seen.mean() == pytest.approx(wanted, abs=4.0 * error + 0.03 * wanted)


@pytest.mark.parametrize("dynamics", ["brownian", "langevin"])
def test_density_between_the_windows_is_that_of_their_potential_alone(dynamics, tell):
    # A diffusion without its drift would make it 1/mu: five times denser at the windows.
    count, thickness, dt = 1200, 3.0, 1.6e-4
    inertia = {} if dynamics == "brownian" else {
        "momentum_time": np.full(count, 2e-4), "spin_time": np.full(count, 2e-4),
    }  # fmt: skip
    system = film(
        count, coupling=1e-8, langevin=0.0, fraction=1e-4, thickness=thickness, dt=dt, cutoff=2.0,
        list_margin=8.0, hindered=True, dynamics=dynamics, **inertia,
    )  # fmt: skip
    engine = CpuEngine(system, random_film(system, 3), 1)
    engine.advance(round(4.0 / dt))
    bins = 12
    fine = np.linspace(0.3, thickness - 0.3, 20001)
    weight = np.exp(
        [-naive.window_pair(z, 1.0, thickness, system.window_strength)[0] for z in fine]
    )
    below = np.concatenate([[0.0], np.cumsum(0.5 * (weight[1:] + weight[:-1]))])
    edges = np.interp(np.arange(1, bins) / bins, below / below[-1], fine)
    seen = np.zeros((count, bins))
    looks = 30
    for _ in range(looks):
        engine.advance(round(0.3 / dt))
        place = np.searchsorted(edges, engine.snapshot().positions[:, 2])
        seen[np.arange(count), place] += 1.0 / looks
    # Particles are independent of each other; each one's share of time counts once.
    error = seen.std(axis=0) / math.sqrt(count)
    share = seen.mean(axis=0)
    tell(
        f"share in the lowest of 12 equal layers, {dynamics}", 1.0 / bins, share[0], error[0],
        source="Boltzmann", when=dynamics == "brownian",
    )  # fmt: skip
    assert error.max() < 0.005
    assert (abs(share - 1.0 / bins) < 4.0 * error).all()
