"""Laws of mixing beside each other, and beside the coupled dipoles of a frame: where each holds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.optics.coupled_dipoles import DipoleFilm
from analysis.optics.mixture import Mixture, bruggeman, maxwell_garnett
from analysis.optics.touching_spheres import SPHERE

Floats = NDArray[np.float64]

MOST_STEPS = 500


@dataclass(frozen=True)
class Law:
    """What one law says of a film.

    Attributes
    ----------
    name, holds : str
        What it is called, and where it holds.
    along, across : complex
        Refractive index for light polarised along the chains and across them.
    spread : complex or None
        Standard deviation between frames, of ``along - across``; None where no frames are looked
        at.
    """

    name: str
    holds: str
    along: complex
    across: complex
    spread: complex | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return its row of the hand-off."""
        apart = self.along - self.across
        return {
            "law": self.name,
            "holds": self.holds,
            "n_along": self.along.real,
            "k_along": self.along.imag,
            "n_across": self.across.real,
            "k_across": self.across.imag,
            "birefringence": apart.real,
            "dichroism": apart.imag,
            "birefringence_between_frames": None if self.spread is None else self.spread.real,
        }


CHAINED, COUPLED = "Maxwell Garnett, chains", "Coupled dipoles of the frames"
"""The law that the numbers of the hand-off follow, and what the frames themselves say."""
PLAIN = "particles apart from each other and anywhere, shares of volume up to about a fifth"
GRAINS = "particles that touch each other as they come, in no order; an upper guess of contact"
CHAINS = "straight chains of the measured lengths and order, far from each other; point dipoles"
MULTIPOLES = (
    "the same with all multipoles of uniform spheres, which overdoes it where shells keep cores "
    "apart"
)
SELF_CONSISTENT = "chains that feel the film as a whole instead of the liquid; small shares alike"
RODS = "solid rods without end, all along one line: more than any chain can do"
DIPOLES = (
    "the particles where they are, every pair coupled, in a periodic film; point dipoles without "
    "delay"
)


def self_consistent(
    host: complex,
    particle: complex,
    fraction: float,
    shapes: ArrayLike,
    along: ArrayLike,
    weights: ArrayLike,
) -> NDArray[np.complex128]:
    """Return the permittivity along x, y, z of a mixture in which inclusions feel the mixture.

    Parameters
    ----------
    host, particle, fraction, shapes, along, weights
        As of ``mixture.maxwell_garnett``.

    Notes
    -----
    Polder and van Santen, Physica 12, 257 (1946), in the form f <(e_p - e)/(e + L (e_p - e))> + (1
    - f) (e_h - e)/(e + (e_h - e)/3) = 0 for each axis; that the mixture is anisotropic around an
    inclusion is left out of L. With spheres it is the law of Bruggeman. From memory.
    """
    factors = np.asarray(shapes, dtype=np.complex128)
    first = np.asarray(along, dtype=np.float64)
    share = np.asarray(weights, dtype=np.float64)
    rest = 0.5 * (1 - first)
    found = np.asarray(maxwell_garnett(host, particle, fraction, shapes, along, weights))
    for _ in range(MOST_STEPS):
        pulls = 1 / (found[:, None, None] + factors * (particle - found[:, None, None]))
        averaged = first.T * pulls[:, :, 0] + rest.T * (pulls[:, :, 1] + pulls[:, :, 2])
        own = fraction * averaged @ share
        other = (1 - fraction) / (found + SPHERE * (host - found))
        last, found = found, (own * particle + other * host) / (own + other)
        if np.all(np.abs(found - last) < 1e-13 * np.abs(found)):
            break
    return np.asarray(found)


def wiener_rods(host: complex, particle: complex, fraction: float) -> tuple[complex, complex]:
    """Return the permittivity along rods without end and across them.

    Notes
    -----
    Wiener, Abh. Saechs. Ges. Wiss. 32, 509 (1912), for rods: e_along = f e_p + (1 - f) e_h and
    e_across = e_h ((1 + f) e_p + (1 - f) e_h)/((1 - f) e_p + (1 + f) e_h), from which his form
    birefringence follows (from memory).
    """
    along = fraction * particle + (1 - fraction) * host
    top = (1 + fraction) * particle + (1 - fraction) * host
    bottom = (1 - fraction) * particle + (1 + fraction) * host
    return along, host * top / bottom


def compared(
    film: Mixture, lengths: Floats, shares: Floats, closeness: float, squares: Floats
) -> list[Law]:
    """Return what each law of mixing says of a film with chains.

    Parameters
    ----------
    film : Mixture
        Particles and liquid at one wavelength.
    lengths, shares, closeness, squares
        As of ``Mixture.chained_index``, axes along the chains first.
    """
    host, particle, fraction = film.carrier, film.particle, film.fraction
    shapes = film.shapes(lengths, closeness)
    axes = np.broadcast_to(squares, (len(shapes), 3))
    grains = complex(np.sqrt(bruggeman(particle, host, fraction)))
    chained, whole = (
        film.chained_index(lengths, shares, closeness, squares, multipoles=multipoles)
        for multipoles in (False, True)
    )
    own = np.sqrt(self_consistent(host, particle, fraction, shapes, axes, shares))
    rods = np.sqrt(np.array(wiener_rods(host, particle, fraction)))
    plain = film.plain_index()
    return [
        Law("Maxwell Garnett, no structure", PLAIN, plain, plain),
        Law("Bruggeman, no structure", GRAINS, grains, grains),
        Law(CHAINED, CHAINS, complex(chained[0]), complex(chained[1])),
        Law("the same with multipoles", MULTIPOLES, complex(whole[0]), complex(whole[1])),
        Law("Bruggeman, chains", SELF_CONSISTENT, complex(own[0]), complex(own[1])),
        Law("Wiener, rods without end", RODS, complex(rods[0]), complex(rods[1])),
    ]


def dipole_laws(
    frames: list[DipoleFilm], films: list[Mixture], direction: Floats | None
) -> list[Law]:
    """Return what the coupled dipoles of some frames say at each wavelength.

    Parameters
    ----------
    frames : list of DipoleFilm
        Frames of one film.
    films : list of Mixture
        The film at each wavelength.
    direction : (3,) array or None
        Unit vector along the chains; x where there is none.

    Returns
    -------
    list of Law
        One a wavelength. Across is the mean of the two axes across, as of a film that is free to
        turn about its chains.
    """
    axis = np.array([1.0, 0.0, 0.0]) if direction is None else np.asarray(direction)
    out = []
    for film in films:
        pairs = []
        for frame in frames:
            tensor = frame.permittivity(film.carrier, film.particle)
            along = complex(axis @ tensor @ axis)
            pairs.append((np.sqrt(along), np.sqrt(0.5 * (complex(np.trace(tensor)) - along))))
        found: NDArray[np.complex128] = np.array(pairs)
        apart = found[:, 0] - found[:, 1]
        spread = None
        if len(frames) > 1:
            spread = complex(apart.real.std(ddof=1), apart.imag.std(ddof=1))
        along, across = (complex(one) for one in found.mean(axis=0))
        out.append(Law(COUPLED, DIPOLES, along, across, spread))
    return out
