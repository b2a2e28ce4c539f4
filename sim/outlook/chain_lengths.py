"""Chain lengths in equilibrium.

Chains are an ideal mixture: a chain of s particles has the density of its s members times the bond
constants of its s - 1 bonds. Taking neighbours only gives the law of mass action,
<n> = 1/2 + sqrt(1/4 + phi q) for one size (A. Yu. Zubarev and L. Yu. Iskakova, Physical Review E
vol 61, p 5415 (2000); E. V. Mendelev and A. O. Ivanov, Physical Review E vol 70, 051502 (2004);
both from memory): a lower estimate, because a particle at the end of a chain also feels the second,
third, ... neighbour. That gain is known for stiff aligned chains of touching spheres, where the
partition sum is a product of normal modes (`chain_gains`); triples drawn at random agree with it
within 5 % for couplings from 2 to 6. Chains then build up together: pairs are rare, but whoever has
two neighbours binds the more strongly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from analysis.common.arrays import Floats
from analysis.common.constants import ZETA3

COUNTED = 24
"""Chain length up to which gains are counted one by one; the rest is summed in closed form."""
STRONGEST_COUPLING = 8.0
"""Couplings above this one are not told apart: chains are longer than any film by then."""
LARGEST_PRODUCT = 1e5
"""Bond constant times density above this one is not told apart, for the same reason."""


@dataclass(frozen=True)
class ChainMixture:
    """Equilibrium of a mixture of sizes that form chains.

    Attributes
    ----------
    mean_length : float
        Particles over chains, singles included.
    weight_mean_length : float
        Mean length of the chain in which a particle sits.
    singles_fraction : float
        Share of the particles that are alone.
    bond_share : ndarray (n, n)
        Share of the bonds between two classes of size, symmetric; adds up to 1.
    """

    mean_length: float
    weight_mean_length: float
    singles_fraction: float
    bond_share: Floats


def aggregation_number(volume_fraction: float, coupling: float) -> float:
    """Mean chain length by the aggregation number of Andreu, Camacho and Faraudo.

    Parameters
    ----------
    volume_fraction : float
        Volume fraction of whole particles.
    coupling : float
        Coupling lambda at contact.

    Returns
    -------
    float
        N* = sqrt(phi exp(2 lambda - 1)); below 1 no chains form.

    Notes
    -----
    J. S. Andreu, J. Camacho and J. Faraudo, Soft Matter vol 7, p 2336 (2011), from memory.
    """
    return math.sqrt(volume_fraction) * math.exp(min(coupling - 0.5, 300.0))


def _mode_sum(length: int) -> float:
    """Logarithm of the partition sum of a chain over that of free bonds, without its energy.

    Aligned touching spheres: bond b is pulled together with the force 6 lambda f_b,
    f_b = sum of k^-4 over the pairs at separation k across it, and its sideways shifts y have the
    energy lambda sum_pairs [6 (sum_b y_b)^2/k^5 - 3 sum_b y_b^2/k^4].
    """
    bonds = length - 1
    pull = np.zeros(bonds)
    stiffness = np.zeros((bonds, bonds))
    for first in range(length):
        for last in range(first + 1, length):
            separation = float(last - first)
            pull[first:last] += separation**-4
            stiffness[first:last, first:last] += 2.0 * separation**-5
            stiffness[range(first, last), range(first, last)] -= separation**-4
    return float(-np.log(pull).sum() - np.linalg.slogdet(stiffness)[1])


@lru_cache(maxsize=1)
def _mode_factors() -> Floats:
    """Ratios of the mode sums of chains of k and k - 1 particles, entry k = 3 ... COUNTED."""
    sums = [0.0, 0.0] + [_mode_sum(length) for length in range(2, COUNTED + 1)]
    factors = np.ones(COUNTED + 1)
    factors[3:] = np.exp(np.diff(sums)[2:])
    return factors


def chain_gains(coupling: float) -> Floats:
    """Gain of a bond over that of a pair, by the length of the chain it completes.

    Parameters
    ----------
    coupling : float
        Coupling lambda at the bound minimum.

    Returns
    -------
    ndarray (COUNTED + 1,)
        Entry k is (Q_k/Q_{k-1})/Q_2, at least 1; 1 up to k = 2.

    Notes
    -----
    exp(2 lambda sum_{j=2}^{k-1} j^-3) from the energy times 0.87 to 0.89 from the normal modes,
    derived in `_mode_sum`.
    """
    neighbours = np.arange(COUNTED + 1, dtype=np.float64)
    energies = np.zeros(COUNTED + 1)
    energies[3:] = np.cumsum(neighbours[2:-1] ** -3)
    strength = min(coupling, STRONGEST_COUPLING)
    return np.maximum(_mode_factors() * np.exp(2.0 * strength * energies), 1.0)


def end_gain(coupling: Floats) -> Floats:
    """Gain of a bond at the end of a very long chain over that of a pair.

    Parameters
    ----------
    coupling : ndarray
        Coupling lambda at the bound minimum.

    Returns
    -------
    ndarray
        0.872 exp(2 (zeta(3) - 1) lambda), at least 1.
    """
    strength = np.minimum(coupling, STRONGEST_COUPLING)
    endless = _mode_factors()[-1] * np.exp(2.0 * (ZETA3 - 1.0) * strength)
    return np.asarray(np.maximum(endless, 1.0))


def _relative_gains(coupling: float) -> Floats:
    """Products of the gains of the first s - 1 bonds over that of an endless chain, s = 1, 2, ...

    The last entry stands for all longer chains: beyond COUNTED the energies still missing add up
    to the sum over k of 1/(2 k^2), 1/(2 COUNTED).
    """
    ratios = chain_gains(coupling) / float(end_gain(np.array(coupling)))
    products = np.cumprod(np.minimum(ratios[2:], 1.0))
    last = products[-1] * math.exp(-min(coupling, STRONGEST_COUPLING) / COUNTED)
    return np.concatenate([[1.0], products, [last]])


@dataclass(frozen=True)
class _Chains:
    """Sums over all chains for given activities z = exp(mu) of the classes of size.

    With A = sqrt(z_i z_j) K_ij and v = sqrt(z), chains of s particles have the density
    c_s v.A^(s-1).v; ``shape`` holds c_1, c_2, ... and, last, the constant for all longer chains.
    Pairs have nothing to gain and keep their own constants K_2: c_2 is not used.
    """

    pairs: Floats
    bonds: Floats
    shape: Floats

    def _matrix(self, mu: Floats) -> tuple[Floats, Floats]:
        root = np.exp(0.5 * mu)
        return root, root[:, None] * self.bonds * root

    def is_finite(self, mu: Floats) -> bool:
        """Whether the sums converge."""
        return float(np.linalg.eigvalsh(self._matrix(mu)[1])[-1]) < 1.0 - 1e-9

    def densities(self, mu: Floats) -> tuple[float, Floats]:
        """Density of chains, and of particles by class."""
        root, matrix = self._matrix(mu)
        endless = np.linalg.solve(np.eye(root.size) - matrix, root)
        count = self.shape.size - 1
        ends = np.empty((count, root.size))
        ends[0] = root
        for bonds in range(1, count):
            ends[bonds] = matrix @ ends[bonds - 1]
        constant = float(self.shape[-1])
        extra = self.shape[:-1] - constant
        extra[1:2] = -constant
        # Entry (a, b) is the extra weight of a chain with a bonds on one side and b on the other.
        sides = np.add.outer(np.arange(count), np.arange(count))
        weights = np.where(sides < count, extra[np.minimum(sides, count - 1)], 0.0)
        chains = constant * float(root @ endless) + float(extra @ (ends @ root))
        particles = constant * endless**2 + np.sum(ends * (weights @ ends), axis=0)
        activity = root**2
        paired = activity * (self.pairs @ activity)
        return chains + float(paired.sum()), particles + 2.0 * paired

    def equilibrium(self, target: Floats) -> Floats:
        """Find the mu that give the target densities, by Newton's method on their logarithms."""
        mu = self._neighbour_guess(target)
        particles = self.densities(mu)[1]
        for _ in range(100):
            miss = np.log(target / particles)
            worst = float(np.max(np.abs(miss)))
            if worst < 1e-9:
                break
            slopes = self._slopes(mu) / particles[:, None]
            step = np.linalg.solve(slopes, miss)
            for _ in range(50):
                if self.is_finite(mu + step):
                    particles = self.densities(mu + step)[1]
                    if float(np.max(np.abs(np.log(target / particles)))) < worst:
                        break
                step = 0.5 * step
            mu = mu + step
        return mu

    def _neighbour_guess(self, target: Floats) -> Floats:
        """Give the mu if all c_s were 1: z_i = rho_i X_i^2 with the shares X_i of free ends.

        X_i = 1/(1 + sum_j rho_j K_ij X_j), iterated with its geometric mean, which converges.
        """
        free = np.ones(target.size)
        for _ in range(500):
            previous = free
            free = np.sqrt(previous / (1.0 + self.bonds @ (target * previous)))
            if float(np.max(np.abs(free / previous - 1.0))) < 1e-13:
                break
        return np.asarray(np.log(target * free**2))

    def _slopes(self, mu: Floats) -> Floats:
        """Differentiate the densities, by steps that are small beside the convergence."""
        gap = 1.0 - float(np.linalg.eigvalsh(self._matrix(mu)[1])[-1])
        step = 1e-4 * gap
        columns = []
        for shift in step * np.eye(mu.size):
            ahead, behind = self.densities(mu + shift)[1], self.densities(mu - shift)[1]
            columns.append((ahead - behind) / (2.0 * step))
        return np.array(columns).T


def chain_mixture(
    constants: Floats, densities: Floats, couplings: Floats | None = None
) -> ChainMixture:
    """Equilibrium of chains of several sizes of particles.

    Parameters
    ----------
    constants : ndarray (n, n)
        Bond constants in m3, or any unit of volume.
    densities : ndarray (n,)
        Number of particles of each class per volume, in the inverse unit.
    couplings : ndarray (n, n), optional
        Couplings at the bound minimum; with them the neighbours beyond the first count, without
        them only pairs do (the lower estimate).

    Returns
    -------
    ChainMixture
        Mean lengths, singles and bonds.

    Notes
    -----
    The gain of short chains beyond pairs is taken at the mean coupling of the pair bonds.
    """
    scale = float(densities.sum())
    share = densities / scale
    products = np.minimum(constants, LARGEST_PRODUCT / scale) * scale
    if couplings is None:
        chains = _Chains(products, products, np.ones(3))
    else:
        bonds = chain_mixture(constants, densities).bond_share
        shape = _relative_gains(float(np.sum(bonds * couplings)))
        chains = _Chains(products, products * end_gain(couplings), shape)
    mu = chains.equilibrium(share)
    return _summary(chains, mu)


def _summary(chains: _Chains, mu: Floats) -> ChainMixture:
    """Collect the means of an equilibrium."""
    count, particles = chains.densities(mu)
    step = 1e-4 * (1.0 - float(np.linalg.eigvalsh(chains._matrix(mu)[1])[-1]))
    squares = (chains.densities(mu + step)[1] - chains.densities(mu - step)[1]).sum() / (2.0 * step)
    root, matrix = chains._matrix(mu)
    ends = np.linalg.solve(np.eye(root.size) - matrix, root)
    bonds = ends[:, None] * matrix * ends
    total = float(particles.sum())
    return ChainMixture(
        mean_length=total / count,
        weight_mean_length=float(squares) / total,
        singles_fraction=float(np.exp(mu).sum()) / total,
        bond_share=bonds / bonds.sum()
        if bonds.sum() > 0.0
        else np.full_like(bonds, bonds.size**-1.0),
    )
