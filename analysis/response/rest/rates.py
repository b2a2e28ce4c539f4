"""Rate equations of chain lengths: living chains that join end to end and break at any bond.

With n_s chains of s particles to a particle (sum s n_s = 1), two chains of i and j particles join
at the rate 2 a g_ij n_i n_j, g_ij = (i^-w + j^-w)/2, and a chain of i + j breaks there at the rate
(a/K) g_ij at each of its bonds, so that every pair of lengths balances in detail at
n_(i+j) = K n_i n_j: lengths are geometric at rest, with a mean length L of L (L - 1) = K. ``a`` is
the rate at which single particles meet, K the bond constant times the density of particles. The
exponent w says how the rate falls with length: 0 for none, 1 for ends that meet by the diffusion
of free-draining chains, D_s = D_1/s.

Lengths are grouped in classes: every length up to ``WHOLE``, a growing grid beyond. A length
between two classes is shared between them so that chains and particles are both conserved
(S. Kumar and D. Ramkrishna, Chemical Engineering Science 51, 1311 (1996), from memory), and what
outgrows the grid counts with all its particles in the last class. Without a fall of the rate the
number of chains obeys a closed equation on any grid, dn/dt = -a n^2 + (a/K) (1 - n)
(T. J. Blatz and A. V. Tobolsky, J. Phys. Chem. 49, 77 (1945); P. G. J. van Dongen and M. H. Ernst,
J. Stat. Phys. 37, 301 (1984); both from memory): `closed_mean_length`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.common.arrays import Floats, Integers

WHOLE = 10
"""Lengths up to this one are a class each."""

GROWTH = 1.2
"""Ratio of the lengths of two classes beyond."""

DRIFT = 0.3
"""Time in d^2/D in which a pair within its distance of capture comes together."""

ROOM = 12.0
"""The grid reaches this many mean lengths: exp(-12) of a geometric law lies beyond."""


def rest_length(constant: float) -> float:
    """Return the mean length at rest, the L of L (L - 1) = K."""
    return 0.5 + math.sqrt(0.25 + constant)


def closed_mean_length(times: Floats, constant: float, first: float = 1.0) -> Floats:
    """Return the mean length where the rates do not depend on length.

    Parameters
    ----------
    times : (n,) array
        In units of 1/a.
    constant : float
        K, above 0.
    first : float
        Mean length at the time 0, whatever the lengths.

    Returns
    -------
    (n,) array
        1/n of dn/dt = -n^2 + (1 - n)/K.

    Notes
    -----
    A Riccati equation: the two roots of n^2 + n/K = 1/K are n = 1/L and n' = -(1/L + 1/K), and
    (n - 1/L)/(n - n') falls as exp(-(1/L - n') t).
    """
    rest = 1.0 / rest_length(constant)
    other = -(rest + 1.0 / constant)
    left = (1.0 / first - rest) / (1.0 / first - other)
    ratio = left * np.exp(-(rest - other) * times)
    return np.asarray((1.0 - ratio) / (rest - other * ratio))


def class_lengths(longest: float) -> Integers:
    """Return the length of each class of a grid that reaches a length, rising."""
    lengths = list(range(1, WHOLE + 1))
    while lengths[-1] < longest:
        lengths.append(math.ceil(GROWTH * lengths[-1]))
    return np.array(lengths, dtype=np.int64)


def placed(lengths: Integers, chains: Integers) -> Floats:
    """Share chains out over classes.

    Parameters
    ----------
    lengths : (K,) array
        Class lengths, rising from 1.
    chains : (n,) array
        Particles in each chain.

    Returns
    -------
    (n, K) array
        Row by row the same number of chains, 1, and of particles; a chain beyond the last class
        keeps its particles alone.
    """
    above = np.clip(np.searchsorted(lengths, chains), 1, len(lengths) - 1)
    low, high = lengths[above - 1], lengths[above]
    share = np.clip((chains - low) / (high - low), 0.0, 1.0)
    rows = np.arange(len(chains))
    table = np.zeros((len(chains), len(lengths)))
    table[rows, above - 1] = 1.0 - share
    table[rows, above] += share
    beyond = chains > lengths[-1]
    table[beyond, -1] = chains[beyond] / lengths[-1]
    return table


@dataclass(frozen=True)
class ChainRates:
    """Rate equations on a grid of lengths, times in units of 1/a.

    Attributes
    ----------
    lengths : (K,) array
        Particles in a chain of each class.
    joining : (K, K, K) array
        dn_k/dt = sum_ij joining[k, i, j] n_i n_j.
    breaking : (K, K) array
        dn_k/dt = sum_i breaking[k, i] n_i/K.
    """

    lengths: Integers
    joining: Floats
    breaking: Floats

    @classmethod
    def of(cls, longest_mean: float, fall: float = 0.0) -> ChainRates:
        """Set up the equations.

        Parameters
        ----------
        longest_mean : float
            Largest mean length that the grid has room for.
        fall : float
            Exponent w with which the rate falls with length.
        """
        lengths = class_lengths(ROOM * longest_mean)
        size = len(lengths)
        slow = lengths.astype(np.float64) ** -fall
        pace = 0.5 * (slow[:, None] + slow)
        sums = (lengths[:, None] + lengths).ravel()
        gains = placed(lengths, sums).reshape(size, size, size)
        one = np.eye(size)
        changes = gains - one[:, None, :] - one[None, :, :]
        joining = np.ascontiguousarray(np.moveaxis(pace[:, :, None] * changes, 2, 0))
        return cls(lengths, joining, cls._breaking(lengths, fall))

    @staticmethod
    def _breaking(lengths: Integers, fall: float) -> Floats:
        """Sum over the bonds of a chain of each class."""
        pieces = np.arange(1, lengths[-1], dtype=np.int64)
        where, slow = placed(lengths, pieces), pieces.astype(np.float64) ** -fall
        table = np.zeros((len(lengths), len(lengths)))
        for column, length in enumerate(lengths):
            if length > 1:
                # The bond after i particles leaves pieces of i and of length - i.
                pace = 0.5 * (slow[: length - 1] + slow[: length - 1][::-1])
                table[:, column] = 2.0 * pace @ where[: length - 1]
                table[column, column] -= pace.sum()
        return table

    def shares(self, chains: Integers | None = None) -> Floats:
        """Return chains to a particle in each class, of counted chains; of single ones without."""
        if chains is None:
            return np.asarray((self.lengths == 1).astype(np.float64))
        return np.asarray(placed(self.lengths, chains).sum(axis=0) / chains.sum())

    def mean_length(self, constant: float, times: Floats, first: Floats | None = None) -> Floats:
        """Return the mean length at some times.

        Parameters
        ----------
        constant : float
            K, above 0.
        times : (n,) array
            Rising from 0 on, in units of 1/a.
        first : (K,) array, optional
            Chains to a particle in each class at the time 0; single particles without.
        """
        found = self.densities(constant, times, first)
        return np.asarray((self.lengths @ found) / found.sum(axis=0))

    def densities(self, constant: float, times: Floats, first: Floats | None = None) -> Floats:
        """Return chains to a particle, (K, n); parameters as of `mean_length`.

        Raises
        ------
        ArithmeticError
            Where the equations could not be solved.
        """
        from scipy.integrate import solve_ivp

        broken = self.breaking / constant

        def change(_: float, chains: Floats) -> Floats:
            return np.asarray((self.joining @ chains) @ chains + broken @ chains)

        twice = self.joining + np.swapaxes(self.joining, 1, 2)

        def slopes(_: float, chains: Floats) -> Floats:
            return np.asarray(twice @ chains + broken)

        start = self.shares() if first is None else first
        solved = solve_ivp(
            change, (0.0, float(times[-1])), start, method="LSODA", t_eval=times, jac=slopes,
            rtol=1e-5, atol=1e-9,
        )  # fmt: skip
        if not solved.success:
            raise ArithmeticError(f"the rate equations could not be solved: {solved.message}")
        return np.asarray(solved.y)


@dataclass(frozen=True)
class Meetings:
    """How many meetings a pair of single particles has had by a time: at first more than later.

    Spheres that stick at a distance R meet at the rate 4 pi D R (1 + R/sqrt(pi D t)), because the
    near ones come first (M. von Smoluchowski, Zeitschrift fuer Physikalische Chemie 92, 129 (1917),
    from memory). With the steady rate a = 24 phi (R/d) D/d^2 the excess lasts t_e = 4 R^2/(2 pi D)
    for two that both move; the time ``DRIFT`` that near pairs need to come together bounds it at
    first. Joining and breaking share the factor, so that balance stays.

    Attributes
    ----------
    diffusion_time : float
        d^2/D in s.
    volume_fraction : float
        Of whole particles; infinite for no excess.
    """

    diffusion_time: float
    volume_fraction: float

    def _roots(self, pace: Floats) -> tuple[Floats, float]:
        """Return the roots of t_e and of the time of drift."""
        capture = pace * self.diffusion_time / (24.0 * self.volume_fraction)
        excess = capture * math.sqrt(2.0 * self.diffusion_time / math.pi)
        return np.asarray(excess), math.sqrt(DRIFT * self.diffusion_time)

    def by(self, times: Floats, pace: Floats) -> Floats:
        """Return the meetings by times in s, for the steady rate ``pace`` a in 1/s."""
        excess, drift = self._roots(pace)
        return np.asarray(pace * (times + excess * (np.sqrt(times + drift**2) - drift)))

    def rate(self, times: Floats, pace: Floats) -> Floats:
        """Return the rate of meetings in 1/s."""
        excess, drift = self._roots(pace)
        return np.asarray(pace * (1.0 + 0.5 * excess / np.sqrt(times + drift**2)))

    def times(self, meetings: Floats, pace: Floats) -> Floats:
        """Return the times in s by which there were so many meetings."""
        excess, drift = self._roots(pace)
        root = np.sqrt(0.25 * excess**2 + meetings / pace + drift**2 + excess * drift)
        return np.asarray(np.maximum((root - 0.5 * excess) ** 2 - drift**2, 0.0))
