"""Dilute dipoles: share of bonded pairs, and the energy that the second virial coefficient gives.

At low density, with the same potential and bond rule (textbook: Mayer's expansion),

    bonds/N = n1^2/(2 n) q,   q = integral over bonded states of exp(-U) dr dO1 dO2/(4 pi)^2,
    U/N = (n/2) integral of U exp(-U) dr dO1 dO2/(4 pi)^2 = n dB2/d(ln lambda) for its dipolar part,

n particles and n1 single ones a volume. Quadrature by Gauss and Legendre in r and both polar
angles; the angle between the planes gives Bessel functions. First density corrections: single
particles lose those that are bonded (taken from the run), and the attraction outside the bond rule
adds 2 B' n, B' the part of -B2 outside it, which is included as a factor exp(2 B' n).

Gates are at 4 standard errors, fixed seeds.
"""

import math

import numpy as np
import pytest

from tests.reference.dilute_gas import gas, mean_and_error, pair_integrals


def test_quadrature_gives_the_virial_coefficient_of_hard_spheres_with_dipoles(tell):
    # Weak coupling: B2 of the soft core and the dipoles falls as B2(0) - (4/3 pi) lambda^2/3 ...
    # by the series of exp(-U): half the mean square energy, integral of (2/3) lambda^2/r^6.
    weak, none = pair_integrals(0.05, 20.0), pair_integrals(1e-9, 20.0)
    change = -0.5 * (weak[0] + weak[1] - none[0] - none[1])
    r = np.linspace(0.6, 20.0, 200001)
    core = 4.0 * (r**-12 - r**-6) + 1.0
    core = np.where(r < 2.0 ** (1.0 / 6.0), core, 0.0)
    square = 4.0 * math.pi * np.trapezoid(r**2 * np.exp(-core) * (2.0 / 3.0) * 0.05**2 / r**6, r)
    tell("change of B2 by weak dipoles, λ = 0.05", -0.25 * square, change, source="Mayer, λ² term")
    assert change == pytest.approx(-0.25 * square, rel=2e-3)


@pytest.mark.slow
def test_bonded_pairs_of_dilute_dipoles(tell):
    coupling, fraction = 3.0, 1e-3
    rows, density, room, _ = gas(coupling, fraction, 20000, 150, 2500)
    bonded, other, _ = pair_integrals(coupling, 4.0, room)
    assert fraction * bonded / (math.pi / 6.0) < 0.05
    bonds, error = mean_and_error(rows[:, 0])
    single = rows[:, 1].mean()
    wanted = 0.5 * density * single**2 * bonded * math.exp(density * other)
    tell(
        f"bonds a particle, λ = {coupling:g}, φ = {fraction:g}", wanted, bonds, error,
        source="Mayer, same bond rule",
    )  # fmt: skip
    assert error < 0.05 * wanted
    # Triplets are of second order: n q times what is above.
    assert bonds == pytest.approx(wanted, abs=4.0 * error + 0.03 * wanted)


@pytest.mark.slow
@pytest.mark.parametrize(("coupling", "fraction"), [(1.0, 0.01), (2.0, 3e-3)])
def test_dipolar_energy_of_dilute_dipoles(coupling, fraction, tell):
    rows, density, room, _ = gas(coupling, fraction, 15000, 200, 1200)
    bonded, other, energy = pair_integrals(coupling, 4.0, room)
    found, error = mean_and_error(rows[:, 2])
    wanted = 0.5 * density * energy
    tell(
        f"dipolar energy a particle, λ = {coupling:g}, φ = {fraction:g}", wanted, found, error,
        unit="kT", source="second virial coefficient",
    )  # fmt: skip
    correction = abs(density * (bonded + other))
    assert correction < 0.06
    assert error < 0.05 * abs(wanted)
    assert found == pytest.approx(wanted, abs=4.0 * error + 1.5 * correction * abs(wanted))
