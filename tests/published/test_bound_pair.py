"""A bound pair of dipoles against the Boltzmann factor, by quadrature.

The weight of a pair at distance r, with the angles t1, t2 of its moments to the line between them
and p between the planes of the two, is

    exp(-U_steric(r) - y [sin t1 sin t2 cos p - 2 cos t1 cos t2])

with y = lambda d^3/r^3 (textbook: dipole algebra and Boltzmann). The integral over p is the
modified Bessel function I0; the others are done here by Gauss and Legendre.

The same restraint on both sides: r < 1.4 d. At lambda = 8 a pair lives for about
e^(2 lambda)/(144 lambda^2) = 960 t0 and is followed for 1 t0, so that fewer
than 1 in 100 leave and what leaves and comes back hardly matters (and in equilibrium not at all).

Gates at the chance of 4 sigma, two-sided, with fixed seeds.
"""

import math

import numpy as np
import pytest
from scipy import special, stats

from sim.engines.cpu import CpuEngine
from tests.reference import naive
from tests.reference.small_systems import film, state_of

COUPLING = 8.0
FARTHEST = 1.4
SIDE = 25
APART = 10.0
FOUR_SIGMA = math.erfc(4.0 / math.sqrt(2.0))
KINDS = ["soft_core", "surfactant"]
SHELL, GRAFTING = 1.0 / 12.0, 0.3 * 24.0**2
# k D dt of the stiffest place at most 0.25: soft core at -2 lambda, surfactant at contact.
STEP = {"soft_core": 5e-5, "surfactant": 1e-4}


def steric_energy(kind, r):
    """Return the repulsion at distances r, from the slow forms."""
    vectors = [np.array([distance, 0.0, 0.0]) for distance in r]
    if kind == "soft_core":
        return np.array([naive.soft_core_pair(v, 1.0, 1.0)[0] for v in vectors])
    return np.array([naive.brush_pair(v, 1.0, 1.0, SHELL, GRAFTING)[0] for v in vectors])


def nodes(low, high, count):
    """Return nodes and weights of Gauss and Legendre."""
    x, weight = np.polynomial.legendre.leggauss(count)
    return low + 0.5 * (high - low) * (x + 1.0), 0.5 * (high - low) * weight


class Boltzmann:
    """Marginal laws of a bound pair."""

    def __init__(self, kind):
        self.r, weight_r = nodes(0.75, FARTHEST, 160)
        self.c, weight_c = nodes(-1.0, 1.0, 60)
        sine = np.sqrt(1.0 - self.c**2)
        field = (COUPLING / self.r**3)[:, None, None]
        along = 2.0 * self.c[:, None] * self.c
        bessel = field * (sine[:, None] * sine)
        # The largest exponent, 2 y, is taken off so that nothing overflows.
        inner = special.ive(0, bessel) * np.exp(field * along + bessel - 2.0 * COUPLING)
        table = self.r[:, None, None] ** 2 * inner
        table = table * np.exp(-steric_energy(kind, self.r))[:, None, None]
        table = table * weight_r[:, None, None] * (weight_c[:, None] * weight_c)
        self.table = table / table.sum()
        # <cos p> is -I1/I0: the mean of the dipolar energy needs it.
        ratio = special.ive(1, bessel) / special.ive(0, bessel)
        self.energy = float(np.sum(self.table * (-bessel * ratio - field * along)))
        self.steric = float(np.sum(self.table.sum(axis=(1, 2)) * steric_energy(kind, self.r)))

    def distances(self):
        """Return (r, share below r)."""
        shares = self.table.sum(axis=(1, 2))
        return self.r, np.cumsum(shares) - 0.5 * shares

    def cosines(self):
        """Return (c, share of |cos t1| below c) for c > 0; both signs are alike."""
        shares = self.table.sum(axis=(0, 2))
        positive = self.c > 0.0
        shares = 2.0 * shares[positive]
        return self.c[positive], np.cumsum(shares) - 0.5 * shares


class Pairs:
    """What many independent pairs of the engine did."""

    def __init__(self, kind):
        grid = (np.arange(SIDE) + 0.5) * APART
        middle = np.array([(x, y, 6.0) for x in grid for y in grid])
        count = 2 * len(middle)
        half = np.array([0.52, 0.0, 0.0])
        system = film(
            count, steric=kind, coupling=COUPLING, langevin=0.0, dt=STEP[kind], cutoff=3.0,
            sides=(SIDE * APART, SIDE * APART), thickness=12.0, shell=SHELL, grafting=GRAFTING,
            list_margin=1.0,
        )  # fmt: skip
        positions = np.concatenate([middle - half, middle + half])
        # Both senses, so that the film as a whole has no moment.
        sense = np.where(np.arange(len(middle)) % 2, 1.0, -1.0)
        ones = np.column_stack([sense, 0.0 * sense, 0.0 * sense])
        engine = CpuEngine(system, state_of(positions, np.concatenate([ones, ones])), 1)
        # Angles relax in 1/(2 lambda D_rot) = 0.02 t0, distances faster; samples are 0.06 apart.
        apart = round(0.06 / system.dt)
        engine.advance(5 * apart)
        parts = []
        for _ in range(12):
            engine.advance(apart)
            parts.append(self.look(kind, system, engine.snapshot()))
        self.r, self.first, self.dipolar, self.steric = np.concatenate(parts, axis=1)
        self.started = 12 * len(middle)

    @staticmethod
    def look(kind, system, state):
        """Return distance, cosine, dipolar and steric energy of pairs that are bound."""
        half = len(state.positions) // 2
        gap = state.positions[half:] - state.positions[:half]
        gap[:, :2] -= system.sides * np.rint(gap[:, :2] / system.sides)
        r = np.linalg.norm(gap, axis=1)
        kept = r < FARTHEST
        n, r = gap[kept] / r[kept, None], r[kept]
        u, v = state.directions[:half][kept], state.directions[half:][kept]
        first, second = np.sum(u * n, axis=1), np.sum(v * n, axis=1)
        dipolar = COUPLING / r**3 * (np.sum(u * v, axis=1) - 3.0 * first * second)
        return np.array([r, abs(first), dipolar, steric_energy(kind, r)])


@pytest.fixture(scope="module", params=KINDS)
def steric_kind(request):
    return request.param


@pytest.fixture(scope="module")
def pair(steric_kind):
    """Return (what was seen, what the quadrature says)."""
    return Pairs(steric_kind), Boltzmann(steric_kind)


def chance(values, law, bins=25):
    """Return the chance of so large a chi-square, in bins of equal probability."""
    x, below = law
    edges = np.interp(np.arange(1, bins) / bins, below, x)
    counts = np.bincount(np.searchsorted(edges, values), minlength=bins)
    return stats.chisquare(counts).pvalue


def test_nearly_all_pairs_stay_bound(pair):
    seen, _ = pair
    assert seen.r.size > 0.99 * seen.started


def test_distances(pair, steric_kind, tell):
    seen, law = pair
    found = chance(seen.r, law.distances())
    tell(
        "χ² chance of distances in a bound pair, λ = 8, surfactant",
        f"above {FOUR_SIGMA:.1g}", found, source="Boltzmann factor by quadrature",
        when=steric_kind == "surfactant",
    )  # fmt: skip
    assert found > FOUR_SIGMA


def test_angles(pair, steric_kind, tell):
    seen, law = pair
    found = chance(seen.first, law.cosines())
    tell(
        "χ² chance of angles in a bound pair, λ = 8, surfactant",
        f"above {FOUR_SIGMA:.1g}", found, source="Boltzmann factor by quadrature",
        when=steric_kind == "surfactant",
    )  # fmt: skip
    assert found > FOUR_SIGMA


def test_mean_energies(pair, steric_kind, tell):
    seen, law = pair
    parts = (("dipolar", seen.dipolar, law.energy), ("steric", seen.steric, law.steric))
    for name, values, wanted in parts:
        # Samples of one pair are 3 relaxation times apart: the error grows by some 5 %.
        error = 1.05 * values.std() / math.sqrt(values.size)
        tell(
            f"{name} energy of a bound pair, λ = 8, {steric_kind.replace('_', ' ')}", wanted,
            values.mean(), error, unit="kT", source="Boltzmann factor by quadrature",
            when=name == "dipolar",
        )  # fmt: skip
        assert values.mean() == pytest.approx(wanted, abs=4.0 * error)
        assert error < 0.01 * abs(wanted) + 0.01


@pytest.mark.parametrize("kind", KINDS)
def test_check_would_see_a_coupling_off_by_three_hundredths(kind, monkeypatch):
    # The same quadrature at another coupling: its mean energy lies far outside the gate.
    exact = Boltzmann(kind).energy
    monkeypatch.setitem(globals(), "COUPLING", 1.03 * COUPLING)
    other = Boltzmann(kind).energy
    # 7500 samples with a standard deviation of about 1.4 kT: a gate of 0.07 kT.
    assert abs(other - exact) > 0.15
