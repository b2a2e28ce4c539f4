"""Dipoles that only turn, against the Boltzmann law: what is kept over inner steps makes no bias.

Two dipoles held at a distance r, with the coupling y = lambda d^3/r^3, have the energy

    U/kT = y [u1.u2 - 3 (u1.n) (u2.n)],

so that with c1, c2 their cosines to the line between them and p the angle about it the law is
I0(y s1 s2) exp(2 y c1 c2) after p is integrated out (textbook: dipole algebra and Boltzmann);
c1 and c2 are integrated here by Gauss and Legendre. At r = 1.7 d the whole field is kept over
the outer step, at 1.3 d near and far sums share it. A field that is kept unchanged for an outer
step t hardly changes the energy of so simple a pair, but lets the two sway together less: the mean
of s1 s2 cos p comes out some y D_rot t/2 too small, here 4 %.

Gates of 4 standard errors over independent pairs, with fixed seeds.
"""

import math

import numpy as np
import pytest
from scipy import special

from sim.engines.cpu import CpuEngine
from tests.reference.small_systems import film, state_of, unit_vectors

SIDE, APART = 32, 8.0
STEP, INNER = 6.4e-3, 16
FIELD_COUPLING = 4.0  # y


def exact():
    """Return the means of energy and s1 s2 cos p by quadrature."""
    c, weight = np.polynomial.legendre.leggauss(80)
    s = np.sqrt(1.0 - c**2)
    y = FIELD_COUPLING
    bessel = y * s[:, None] * s
    along = 2.0 * y * c[:, None] * c
    table = special.ive(0, bessel) * np.exp(along + bessel - 2.0 * y) * weight[:, None] * weight
    ratio = special.ive(1, bessel) / special.ive(0, bessel)
    energy = np.sum(table * (-bessel * ratio - along)) / table.sum()
    return energy, np.sum(table * ratio * -s[:, None] * s) / table.sum()


def measured(distance, ahead=None):
    """Return means and standard errors of energy and s1 s2 cos p, over pairs that only turn."""
    grid = (np.arange(SIDE) + 0.5) * APART
    middle = np.array([(x, y, 5.0) for x in grid for y in grid])
    half = np.array([0.5 * distance, 0.0, 0.0])
    places = np.concatenate([middle - half, middle + half])
    count = len(places)
    system = film(
        count, coupling=FIELD_COUPLING * distance**3, langevin=0.0, cutoff=3.0, dt=STEP,
        inner_steps=INNER, list_margin=0.5, sides=(SIDE * APART, SIDE * APART), thickness=10.0,
        mobility=np.full(count, 1e-14),
    )  # fmt: skip
    engine = CpuEngine(system, state_of(places, unit_vectors(count)), 1)
    if ahead is not None:
        split = engine._content.split._replace(ahead=ahead)
        engine._film._pack(engine._content._replace(split=split))
    engine.advance(100)
    samples = []
    for _ in range(200):
        engine.advance(5)  # D_rot t = 0.1; errors are over pairs
        u = engine.snapshot().directions
        u, v = u[: count // 2], u[count // 2 :]
        energy = FIELD_COUPLING * (np.sum(u * v, axis=1) - 3.0 * u[:, 0] * v[:, 0])
        samples.append([energy, u[:, 1] * v[:, 1] + u[:, 2] * v[:, 2]])
    of_pairs = np.mean(samples, axis=0)
    return of_pairs.mean(axis=1), of_pairs.std(axis=1, ddof=1) / math.sqrt(count // 2)


@pytest.mark.parametrize("distance", [1.3, 1.7])
def test_energy_and_sway_of_turning_pairs(distance, tell):
    values, errors = measured(distance)
    for name, value, error, wanted in zip(
        ("energy", "common sway"), values, errors, exact(), strict=True
    ):
        tell(
            f"{name} of two turning dipoles, field kept over inner steps", wanted, value, error,
            unit="kT" if name == "energy" else "", source="Boltzmann factor by quadrature",
            when=distance == 1.7,
        )  # fmt: skip
        assert error < 0.008 * abs(wanted)
        assert value == pytest.approx(wanted, abs=4.0 * error)


def test_a_field_kept_unchanged_would_be_seen():
    values, errors = measured(1.7, ahead=0.0)
    assert abs(values[1] - exact()[1]) > 5.0 * errors[1]
