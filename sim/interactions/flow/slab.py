"""How liquid flows between two windows: for each wave vector along them, its modes across.

Between windows where the liquid sticks, slow flow is spanned by the eigenmodes of the Stokes
operator. For a wave vector k along the windows they are of two kinds: along the windows and
across k, u = t phi with phi = 0 at both; and in the plane of k and z, with a stream function,
u = (i psi', k psi) with psi = psi' = 0 at both. An eigenmode of eigenvalue q (a wave number
squared) answers a force by (1 + c q) exp(-s^2 q)/(eta q) of its share of it: the smooth part of
`sim.interactions.flow.free`, with the windows in it. As it is a sum of squares, the mobility is
positive whatever the particles do, and its square root is at hand.

Modes are found in Legendre polynomials that meet the windows' conditions (J. Shen, SIAM J. Sci.
Comput. 15, 1489 (1994)), even and odd ones by themselves. For k = 0 the stream function stands for
flow along x and y: no liquid passes through a cross-section of the film as a whole, as in a closed
cell, where a pressure holds back what the particles drag along.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LEFT_OUT = 3e-5
"""Share of the answers that functions across the film may leave out."""
VECTOR = 4
"""Their number is a multiple of this, so that loops over them run in whole vectors."""


class Waves(NamedTuple):
    """Modes of one wave vector that count, at unit force and area; rows are modes.

    Attributes
    ----------
    along, across : (float64 array, float64 array)
        Of modes with a stream function, even and odd ones: how they answer a force along k
        (polynomials of the other parity, times i) and across the film.
    beside : (float64 array, float64 array)
        Of modes across k, even and odd: how they answer such a force.
    """

    along: tuple[Floats, Floats]
    across: tuple[Floats, Floats]
    beside: tuple[Floats, Floats]


class SlabModes:
    """Polynomials across one film, and what all wave vectors share.

    Parameters
    ----------
    thickness : float
        Distance of the windows.
    half : int
        Even polynomials in use, and odd ones.
    """

    def __init__(self, thickness: float, half: int) -> None:
        self.thickness = thickness
        self.half = half
        size = 2 * half
        self._weight = thickness / (2.0 * np.arange(size) + 1.0)
        self._slope = np.zeros((size, size))  # d/dz
        for n in range(1, size):
            lower = np.arange(n - 1, -1, -2)
            self._slope[lower, n] = (2.0 * lower + 1.0) * 2.0 / thickness
        self._stream = [self._derivatives(self._basis(parity, 4), 2) for parity in (0, 1)]
        self._simple = [self._derivatives(self._basis(parity, 2), 1) for parity in (0, 1)]

    def _basis(self, parity: int, short: int) -> Floats:
        """Return polynomials of a parity that meet the windows' conditions, as columns."""
        size = 2 * self.half
        found = np.zeros((size, len(range(parity, size - short, 2))))
        for column, m in enumerate(range(parity, size - short, 2)):
            if short == 2:
                found[[m, m + 2], column] = 1.0, -1.0
            else:
                middle, last = -2.0 * (2 * m + 5) / (2 * m + 7), (2.0 * m + 3) / (2 * m + 7)
                found[[m, m + 2, m + 4], column] = 1.0, middle, last
        return found

    def _derivatives(self, values: Floats, order: int) -> list[tuple[Floats, Floats]]:
        """Return polynomials and their derivatives up to an order, each with its squares."""
        found = []
        for _ in range(order + 1):
            found.append((values, np.asarray(values.T @ (self._weight[:, None] * values))))
            values = self._slope @ values
        return found

    def _solve(
        self, wave: float, stiffness: Floats, mass: Floats, answer: tuple[float, float, float]
    ) -> Floats:
        """Return eigenvectors that count, times the root of their answer, as columns."""
        from scipy.linalg import eigh

        largest, width, correction = answer
        scale = 1.0 / np.sqrt(np.diag(mass))
        values, vectors = eigh(scale[:, None] * stiffness * scale, scale[:, None] * mass * scale)
        kept = values < largest * largest
        q = np.maximum(values[kept], wave * wave)
        response = np.sqrt((1.0 + correction * q) * np.exp(-width * width * q) / q)
        return np.asarray(scale[:, None] * vectors[:, kept] * response)

    def waves(self, wave: float, answer: tuple[float, float, float]) -> Waves:
        """Return the modes of a wave number along the windows.

        Parameters
        ----------
        wave : float
            k.
        answer : (float, float, float)
            Largest wave number that counts, s, and c.
        """
        along, across, beside = [], [], []
        for parity in (0, 1):
            (psi, flat), (first, tilt), (_, bend) = self._stream[parity]
            found = self._solve(
                wave,
                bend + 2.0 * wave**2 * tilt + wave**4 * flat,
                tilt + wave**2 * flat,
                answer,
            )
            along.append((first @ found)[1 - parity :: 2].T)
            across.append(wave * (psi @ found)[parity::2].T)
            if wave == 0.0:  # flow along the other axis of the plane
                beside.append(along[-1])
                continue
            (phi, flat), (_, tilt) = self._simple[parity]
            found = self._solve(wave, tilt + wave**2 * flat, flat, answer)
            beside.append((phi @ found)[parity::2].T)
        if wave == 0.0:
            beside = [along[1], along[0]]  # an odd stream function is an even flow
        return Waves((along[0], along[1]), (across[0], across[1]), (beside[0], beside[1]))

    def polynomials(self, height: Floats) -> tuple[Floats, Floats]:
        """Return even and odd polynomials at heights, (half, heights) each."""
        argument = 2.0 * np.asarray(height) / self.thickness - 1.0
        table: Floats = np.asarray(legendre.legvander(argument, 2 * self.half - 1), float).T
        return table[0::2], table[1::2]

    def profiles(self, squares: Floats) -> Floats:
        """Return the fewest functions across the film that answers are made of.

        Parameters
        ----------
        squares : float64 (2, half, half)
            Of even and odd polynomials, how they answer each other, all modes of all wave vectors
            together.

        Returns
        -------
        float64 (2, half, functions)
            Polynomials of even functions and of odd ones, orthonormal across the film: the
            strongest, whose rest is below `LEFT_OUT` of all.
        """
        found = []
        for parity in (0, 1):
            root = np.sqrt(self._weight[parity::2])
            values, vectors = np.linalg.eigh(root[:, None] * squares[parity] * root)
            rest = np.cumsum(values)  # what is lost without the functions up to each
            needed = int(np.sum(rest > LEFT_OUT * rest[-1]))
            found.append((needed, vectors[:, ::-1] / root[:, None]))
        count = min(self.half, VECTOR * -(-max(needed for needed, _ in found) // VECTOR))
        return np.stack([columns[:, :count] for _, columns in found])

    def in_profiles(self, rows: Floats, parity: int, profiles: Floats) -> Floats:
        """Return rows of polynomials of a parity in terms of `profiles`."""
        weighted = self._weight[parity::2, None] * profiles[parity]
        return np.asarray(rows @ weighted)

    def slopes(self, height: Floats) -> tuple[Floats, Floats]:
        """Return their slopes d/dz."""
        even, odd = self.polynomials(height)
        whole = np.empty((2 * self.half, even.shape[1]))
        whole[0::2], whole[1::2] = even, odd
        sloped = self._slope.T @ whole
        return sloped[0::2], sloped[1::2]


def slab_modes(thickness: float, largest: float) -> SlabModes:
    """Return polynomials that follow all modes up to a wave number.

    Parameters
    ----------
    thickness : float
    largest : float
        Largest wave number that counts.
    """
    half = int(0.275 * largest * thickness) + 7
    return SlabModes(thickness, half)
