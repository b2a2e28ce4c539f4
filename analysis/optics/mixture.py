"""Light and a film of small particles: grating equation, effective index, transmittance.

All formulas are those of textbooks and hold for particles far smaller than the wavelength; time
runs as exp(-i omega t), so an index n + ik with k > 0 absorbs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.optics.touching_spheres import SPHERE, depolarisation_beyond_dipoles

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

LONGEST_SOLVED = 24
"""Spheres in the longest chain whose multipoles are solved for."""


def grating_angle(
    spacing: float, wavelength: float, outer_index: float = 1.0, order: int = 1
) -> float:
    """Return the angle of a diffraction order from the film normal, at normal incidence.

    Parameters
    ----------
    spacing, wavelength : float
        Grating period and vacuum wavelength in m.
    outer_index : float
        Refractive index of the medium in which the angle is measured.
    order : int
        Order of diffraction.

    Returns
    -------
    float
        Angle in rad; NaN where the order does not exist, because the period is below the
        wavelength in the medium.

    Notes
    -----
    n D sin(theta) = m lambda; Hecht, Optics, section 10.2.8 (from memory). Plane windows in
    between do not change the angle (Snell's law).
    """
    sine = order * wavelength / (outer_index * spacing)
    return math.asin(sine) if abs(sine) < 1 else math.nan


def chain_depolarisation(length: int, closeness: float = 1.0) -> tuple[float, float]:
    """Return the depolarisation factors of a sphere in a straight chain, the chain's mean.

    Parameters
    ----------
    length : int
        Spheres in the chain, at least 1.
    closeness : float
        Cube of diameter over distance of neighbours, from 0 (apart) to 1 (touching).

    Returns
    -------
    along, across : float
        along + 2 across = 1; 1/3 for a single sphere, (1/3)(1 - zeta(3)/2) = 0.133 along an
        endless chain of touching ones.

    Raises
    ------
    ValueError
        If the length is below 1 or the closeness outside its range.

    Notes
    -----
    Each sphere is a point dipole p with the field of the others, 2p/r^3 along and -p/r^3 across
    (Gaussian), with V = pi d^3/6 and a field of -4 pi L p/V inside; own algebra. The sum over all
    pairs of a chain is that of its energy, 2 sum (N - k)/k^3 over N. Touching spheres of high
    permittivity are coupled more strongly than point dipoles.
    """
    if length < 1:
        raise ValueError(f"length must be a whole number from 1 on such as 10; received {length}.")
    if not 0 <= closeness <= 1:
        raise ValueError(f"closeness must be from 0 to 1 such as 0.9; received {closeness}.")
    k = np.arange(1, length)
    pairs = 2 * float(np.sum((length - k) / k**3.0)) / length
    along = SPHERE - closeness * pairs / 12
    return along, 0.5 * (1 - along)


def coated_sphere(core: complex, shell: complex, core_share: float) -> complex:
    """Return the permittivity of the plain sphere that answers like a small coated one.

    Parameters
    ----------
    core, shell : complex
        Permittivities (squares of the indices).
    core_share : float
        Volume of the core over that of the whole particle, from 0 to 1.

    Notes
    -----
    Bohren and Huffman (1983), Eq. 5.36 in the form of a Maxwell Garnett mixture (from memory).
    """
    pull = core_share * (core - shell) / (core + 2 * shell)
    return shell * (1 + 2 * pull) / (1 - pull)


def filled_index(core: complex, matrix: float, share: float, *, grains: bool = False) -> complex:
    """Return the refractive index of a bead whose small cores lie apart in a matrix.

    Parameters
    ----------
    core : complex
        Index n + ik of the cores.
    matrix : float
        Index of what lies between them.
    share : float
        Share of the bead's volume that the cores fill; at 1 the bead is core throughout.
    grains : bool
        Mix after Bruggeman instead.

    Returns
    -------
    complex
        Index of the bead, its square after Maxwell Garnett with the matrix as host: the law of
        spheres that the host surrounds, as cores in a polymer are.

    Notes
    -----
    Maxwell Garnett, Phil. Trans. R. Soc. A 203, 385 (1904); Bohren and Huffman (1983), Eq. 8.50
    (from memory). It is the lower bound of Hashin and Shtrikman for real indices with the core's
    the larger; cores that touch and clump lie above it, see ``bruggeman``.
    """
    if share == 1.0:
        return core
    if grains:
        return complex(np.sqrt(bruggeman(core**2, complex(matrix**2), share)))
    return complex(np.sqrt(coated_sphere(core**2, complex(matrix**2), share)))


def bruggeman(first: complex, second: complex, share: float) -> complex:
    """Return the permittivity of a mixture of grains in which neither surrounds the other.

    Parameters
    ----------
    first, second : complex
        Permittivities, both with a positive real part and no gain.
    share : float
        Volume share of the first, from 0 to 1.

    Returns
    -------
    complex
        The root without gain of f (e1 - e)/(e1 + 2e) + (1 - f)(e2 - e)/(e2 + 2e) = 0.

    Notes
    -----
    Bruggeman, Ann. Phys. (Leipzig) 24, 636 (1935); Bohren and Huffman (1983), Eq. 8.51 (from
    memory).
    """
    half = (3 * share - 1) * first + (2 - 3 * share) * second
    return complex((half + np.sqrt(complex(half**2 + 8 * first * second))) / 4)


def maxwell_garnett(
    host: complex,
    particle: complex,
    fraction: float,
    shapes: ArrayLike = ((SPHERE, SPHERE, SPHERE),),
    along: ArrayLike = ((1.0, 0.0, 0.0),),
    weights: ArrayLike = (1.0,),
) -> Complexes:
    """Return the permittivity of a mixture along three axes, after Maxwell Garnett.

    Parameters
    ----------
    host, particle : complex
        Permittivities.
    fraction : float
        Volume fraction of the particles.
    shapes : (K, 3) array
        Depolarisation factors of each kind of inclusion along its own three axes; complex where
        they stand for the answer of coupled absorbing spheres.
    along : (K, 3) array
        Mean square of the cosine between the *first* axis of each kind and x, y, z; the other
        two axes share the rest alike.
    weights : (K,) array
        Share of the particles' volume in each kind; adds up to 1.

    Returns
    -------
    (3,) complex array
        Permittivity along x, y, z.

    Notes
    -----
    a = (e_p - e_h)/(e_h + L (e_p - e_h)); e = e_h [1 + f <a>/(1 - f <L a>)], averaged over kinds
    and directions. For spheres Bohren and Huffman (1983), Eq. 8.50; for aligned ellipsoids and for
    those in all directions Sihvola, Electromagnetic Mixing Formulas (1999), section 4 (from
    memory).
    """
    factors = np.asarray(shapes, dtype=np.complex128)
    first = np.asarray(along, dtype=np.float64)
    share = np.asarray(weights, dtype=np.float64)
    answer = np.asarray((particle - host) / (host + factors * (particle - host)), np.complex128)
    product: Complexes = factors * answer
    rest = 0.5 * (1 - first)

    def averaged(own: Complexes) -> Complexes:
        """Mean over kinds of a quantity known along the axes of each kind."""
        here = first * own[:, :1] + rest * (own[:, 1:2] + own[:, 2:])
        return np.asarray(share @ here)

    return np.asarray(host * (1 + fraction * averaged(answer) / (1 - fraction * averaged(product))))


def squares_of(order: float) -> Floats:
    """Return the mean squares of the cosines between chains and their direction, across, across."""
    return np.array([1 + 2 * order, 1 - order, 1 - order]) / 3


def transmittance(index: complex, thickness: float, wavelength: float) -> float:
    """Return the share of light that a layer lets through, absorption alone (Beer, Lambert).

    Parameters
    ----------
    index : complex
        Refractive index n + ik of the layer.
    thickness, wavelength : float
        Layer and vacuum wavelength in m.
    """
    return math.exp(-4 * math.pi * index.imag * thickness / wavelength)


@dataclass(frozen=True)
class Mixture:
    """Particles in a liquid, as light of one wavelength meets them.

    Attributes
    ----------
    carrier, particle : complex
        Permittivities of the liquid and of a whole particle (core and shell as one sphere).
    fraction : float
        Volume fraction of whole particles.
    """

    carrier: complex
    particle: complex
    fraction: float

    @classmethod
    def of(
        cls, carrier: float, shell: float, core: complex, core_share: float, fraction: float
    ) -> Mixture:
        """Make a mixture from refractive indices; ``core_share`` is the core's share of volume."""
        whole = coated_sphere(core**2, complex(shell**2), core_share)
        return cls(complex(carrier**2), whole, fraction)

    def plain_index(self) -> complex:
        """Refractive index of the film without structure: spheres anywhere."""
        return complex(np.sqrt(maxwell_garnett(self.carrier, self.particle, self.fraction)[0]))

    def index_per_fraction(self) -> complex:
        """Rise of the plain index with the volume fraction, at the fraction of this mixture."""
        if self.fraction == 0:
            return 0j
        return (self.plain_index() - complex(np.sqrt(self.carrier))) / self.fraction

    def _factors(self, length: int, closeness: float, multipoles: bool) -> tuple[complex, complex]:
        """Depolarisation factors of a chain, along and across."""
        along, across = chain_depolarisation(length, closeness)
        if not multipoles:
            return along, across
        # What multipoles add is that of the inner spheres: it is the same for all long chains.
        few = min(length, LONGEST_SOLVED)
        plain = chain_depolarisation(few, closeness)
        whole = depolarisation_beyond_dipoles(few, closeness, self.particle / self.carrier)
        return along + whole[0] - plain[0], across + whole[1] - plain[1]

    def shapes(
        self, lengths: ArrayLike, closeness: float, *, multipoles: bool = False
    ) -> list[tuple[complex, complex, complex]]:
        """Return the depolarisation factors of chains of these lengths, along, across, across."""
        out = []
        for length in np.asarray(lengths, dtype=np.int64):
            along, across = self._factors(int(length), closeness, multipoles)
            out.append((along, across, across))
        return out

    def chained_index(
        self,
        lengths: ArrayLike,
        shares: ArrayLike,
        closeness: float,
        squares: ArrayLike,
        *,
        multipoles: bool = False,
    ) -> Complexes:
        """Return the refractive index along x, y, z of a film with straight chains.

        Parameters
        ----------
        lengths, shares : (K,) arrays
            Particles in a chain, and the share of all particles that are in such chains.
        closeness : float
            Cube of diameter over distance of neighbours in a chain.
        squares : (3,) array
            Mean square of the cosine between chain axes and x, y, z.
        multipoles : bool
            Whether spheres are more than point dipoles; they then are uniform up to their rims,
            which overdoes it where a shell keeps cores apart.
        """
        shapes = self.shapes(lengths, closeness, multipoles=multipoles)
        axes = np.broadcast_to(np.asarray(squares, dtype=np.float64), (len(shapes), 3))
        mixed = maxwell_garnett(self.carrier, self.particle, self.fraction, shapes, axes, shares)
        return np.sqrt(mixed)
