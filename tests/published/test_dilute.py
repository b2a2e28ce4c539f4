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

import itertools
import math

import numpy as np
import pytest
from scipy import special

from analysis.chains import find_chains
from sim.engines.cpu import CpuEngine
from tests.reference import naive
from tests.reference.small_systems import film, moments_of, random_film

FARTHEST, ALIGNED = 1.3, 0.5


def nodes(low, high, count):
    """Return nodes and weights of Gauss and Legendre."""
    x, weight = np.polynomial.legendre.leggauss(count)
    return low + 0.5 * (high - low) * (x + 1.0), 0.5 * (high - low) * weight


def pair_integrals(coupling, cutoff, room=math.inf):
    """Return (bond constant, rest of the Mayer integral outside the rule, mean dipolar energy).

    The second is the integral of exp(-U) - 1 over states that are no bonds; the third the integral
    of U_dipolar exp(-U). Between windows ``room`` apart the share r/(2 room) of the partners at
    distance r is missing (the mean of r |cos|/room over directions), which is taken off.
    """
    bonded = other = energy = 0.0
    edges = (0.5, 0.8, 0.9, 1.0, 1.13, 1.3, 1.8, 3.0, cutoff)
    for low, high in itertools.pairwise(edges):
        r, weight_r = nodes(low, high, 40)
        core = np.array([naive.soft_core_pair([x, 0.0, 0.0], 1.0, 1.0)[0] for x in r])
        weight_r = weight_r * (1.0 - 0.5 * r / room)
        factor = np.exp(-core) * weight_r * 4.0 * math.pi * r**2
        empty = weight_r * 4.0 * math.pi * r**2
        whole = free = mean = 0.0
        # In the cosines of both moments; the rule c1 c2 > 1/2 is cut out exactly.
        c1, w1 = nodes(0.0, 1.0, 60)
        for a, wa in zip(c1, w1, strict=True):
            split = ALIGNED / a
            parts = [(-1.0, min(split, 1.0), False)]
            if split < 1.0:
                parts.append((split, 1.0, True))
            for start, end, is_bond in parts:
                c2, w2 = nodes(start, end, 40)
                y = coupling / r[:, None] ** 3
                bessel = y * math.sqrt(1.0 - a * a) * np.sqrt(1.0 - c2**2)
                along = 2.0 * y * a * c2
                # Both signs of c1 are alike, and each cosine has the density 1/2: 2 wa w2/4.
                share = 0.5 * wa * w2
                boltzmann = special.i0(bessel) * np.exp(along) * share
                counted = float(factor @ boltzmann.sum(axis=1))
                dipolar = (
                    -bessel * special.i1(bessel) * np.exp(along)
                    - along * special.i0(bessel) * np.exp(along)
                ) * share
                mean += float(factor @ dipolar.sum(axis=1))
                if is_bond and high <= FARTHEST:
                    whole += counted
                else:
                    free += counted - float(empty.sum() * share.sum())
        bonded, other, energy = bonded + whole, other + free, energy + mean
    other -= 4.0 / 3.0 * math.pi * 0.5**3  # nearer than 0.5 nothing comes
    return bonded, other, energy


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


def gas(coupling, fraction, steps, looks, every, count=2000):
    """Return (bonds, single share, dipolar energy a particle) at each look, density and room."""
    system = film(
        count, coupling=coupling, langevin=0.0, fraction=fraction, thickness=24.0, dt=1.4e-4,
        cutoff=4.0, precision="float32", list_margin=2.0,
    )  # fmt: skip
    engine = CpuEngine(system, random_film(system), 2)
    engine.advance(steps)
    rows = []
    for _ in range(looks):
        engine.advance(every)
        state = engine.snapshot()
        chains = find_chains(
            state.positions, moments_of(system, state), 2.0 * system.radius, system.sides,
            bond_distance=FARTHEST, bond_alignment=ALIGNED,
        )  # fmt: skip
        single = float(np.sum(chains.size == 1)) / count
        rows.append((len(chains.bonds) / count, single, engine.observe()["dipolar"]))
    volume = system.sides[0] * system.sides[1] * system.thickness
    # Windows push particles off: the room is thinner than the film by about one diameter.
    heights = np.linspace(0.0, system.thickness, 20001)
    open_share = np.mean(
        np.exp([-naive.window_pair(max(z, 0.05), 1.0, system.thickness, 1.0)[0]
                if z < system.thickness - 0.05 else -1e3 for z in heights])
    )  # fmt: skip
    room = system.thickness * open_share
    return np.array(rows), count / (volume * open_share), room


def mean_and_error(values, blocks=10):
    """Return mean and standard error from blocks."""
    parts = values[: len(values) // blocks * blocks].reshape(blocks, -1).mean(axis=1)
    return parts.mean(), parts.std(ddof=1) / math.sqrt(blocks)


@pytest.mark.slow
def test_bonded_pairs_of_dilute_dipoles(tell):
    coupling, fraction = 3.0, 1e-3
    rows, density, room = gas(coupling, fraction, 20000, 150, 2500)
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
    rows, density, room = gas(coupling, fraction, 15000, 200, 1200)
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
