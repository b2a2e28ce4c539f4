"""A dilute gas of dipoles without a field: the run, and pair integrals by quadrature."""

import itertools
import math

import numpy as np
from scipy import special

from analysis.chains.groups import find_chains
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


def open_height(thickness):
    """Return the height that the windows leave to centres of diameter 1: their Boltzmann factor.

    It is less than the film by about one diameter.
    """
    heights = np.linspace(0.0, thickness, 20001)
    return thickness * np.mean(
        np.exp([-naive.window_pair(max(z, 0.05), 1.0, thickness, 1.0)[0]
                if z < thickness - 0.05 else -1e3 for z in heights])
    )  # fmt: skip


def gas(coupling, fraction, steps, looks, every, count=2000):
    """Return (bonds, single share, dipolar energy a particle) at each look, density and room.

    Last, the number of chains of each length up to 19 at each look.
    """
    system = film(
        count, coupling=coupling, langevin=0.0, fraction=fraction, thickness=24.0, dt=1.4e-4,
        cutoff=4.0, precision="float32", list_margin=2.0,
    )  # fmt: skip
    engine = CpuEngine(system, random_film(system), 2)
    engine.advance(steps)
    rows, lengths = [], []
    for _ in range(looks):
        engine.advance(every)
        state = engine.snapshot()
        chains = find_chains(
            state.positions, moments_of(system, state), 2.0 * system.radius, system.sides,
            bond_distance=FARTHEST, bond_alignment=ALIGNED,
        )  # fmt: skip
        single = float(np.sum(chains.size == 1)) / count
        lengths.append(np.bincount(np.minimum(chains.size, 19), minlength=20))
        rows.append((len(chains.bonds) / count, single, engine.observe()["dipolar"]))
    volume = system.sides[0] * system.sides[1] * system.thickness
    room = open_height(system.thickness)
    open_share = room / system.thickness
    return np.array(rows), count / (volume * open_share), room, np.array(lengths)


def mean_and_error(values, blocks=10):
    """Return mean and standard error from blocks."""
    parts = values[: len(values) // blocks * blocks].reshape(blocks, -1).mean(axis=1)
    return parts.mean(), parts.std(ddof=1) / math.sqrt(blocks)
