"""Places without overlap, at random or on a lattice, and directions at random."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.common.blocks import blocks_of, of_each, on_all_cores
from analysis.common.errors import InputError
from sim.film.state import FilmState

if TYPE_CHECKING:
    from sim.film.reduced_system import ReducedSystem

TRIES = 2000
SWEEPS = 5000
# Overlaps up to this share of contact are left to the first steps.
CONTACT_SHARE = 0.97


class CrowdedError(InputError):
    """More particles than can be placed in the film without overlap."""


def random_state(system: ReducedSystem, seed: int) -> FilmState:
    """Return particles at random places without overlap, their moments in random directions.

    Parameters
    ----------
    system : ReducedSystem
    seed : int
        0 to 2^63 - 1.

    Returns
    -------
    FilmState
        At step 0.

    Raises
    ------
    CrowdedError
        If no state without overlap is found.

    Notes
    -----
    Random sequential insertion, largest first; in a crowded film particles that had to be
    placed too close are pushed apart afterwards.
    """
    from sim.kernels.insertion import insert, push_apart

    count = system.count
    positions = np.zeros((count, 3))
    order = np.argsort(-system.radius, kind="stable")
    sides = np.array(system.sides)
    share = insert(order, system.radius, sides, system.thickness, np.uint64(seed), TRIES, positions)
    if share < 1.0:
        left = push_apart(system.radius, sides, system.thickness, CONTACT_SHARE, SWEEPS, positions)
        if left:
            volume = sides[0] * sides[1] * system.thickness
            fraction = 4.0 / 3.0 * np.pi * np.sum(system.radius**3) / volume
            raise CrowdedError(
                f"[particles] volume_fraction is too large for this film: at {fraction:.3g} of a "
                f"film {system.thickness:.3g} diameters thick, {left} overlaps could not be "
                "removed from a random start; take a smaller fraction or a thicker film."
            )
    return _at_rest(positions, random_directions(count, seed), seed)


def _at_rest(
    positions: NDArray[np.float64], directions: NDArray[np.float64], seed: int
) -> FilmState:
    """Return the state at step 0."""
    image = np.zeros((len(positions), 2), np.int32)
    return FilmState(positions, image, directions, step=0, time=0.0, seed=seed)


def random_directions(count: int, seed: int) -> NDArray[np.float64]:
    """Return ``count`` unit vectors spread evenly over all directions, (count, 3)."""
    generator = np.random.default_rng([seed, 1])
    directions = generator.standard_normal((count, 3))
    return of_each(_of_unit_length, directions)


def _of_unit_length(vectors: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return vectors (N, 3) over their lengths; columns added one by one, as numpy's norm adds."""
    x, y, z = (vectors * vectors).T
    made: NDArray[np.float64] = vectors / np.sqrt(x + y + z)[:, None]
    return made


def lattice_state(system: ReducedSystem, seed: int) -> FilmState:
    """Return particles on a lattice that fills the film, their moments in random directions.

    Parameters
    ----------
    system : ReducedSystem
    seed : int
        Of the directions; sizes are shuffled by the seed anyway.

    Returns
    -------
    FilmState
        At step 0.

    Raises
    ------
    CrowdedError
        If the lattice has too few sites for particles of this size.

    Notes
    -----
    Layers from window to window, a rectangular net in each; of all lattices with a site for every
    particle the one with the widest spacing. Sites that are left over are spread evenly.
    """
    widest = 2.0 * float(system.radius.max())

    def sites(spacing: float) -> tuple[int, int, int]:
        room = max(system.thickness - widest, 0.0)
        x, y = (max(1, int(side / spacing)) for side in system.sides)
        return x, y, int(room / spacing) + 1

    low, high = widest, max(*system.sides, system.thickness)
    if math.prod(sites(low)) < system.count:
        raise CrowdedError(
            f'[start] kind = "lattice" must have a site for each of the {system.count} particles; '
            f"a film {system.thickness:.3g} diameters thick has {math.prod(sites(low))} of them at "
            'contact: take a smaller volume_fraction or kind = "random".'
        )
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if math.prod(sites(middle)) >= system.count else (low, middle)
    x, y, z = sites(low)
    span = system.thickness - widest
    positions = np.empty((system.count, 3))

    def place(some: slice) -> None:
        chosen = np.arange(some.start, some.stop) * (x * y * z) // system.count
        i, j, k = np.unravel_index(chosen, (x, y, z))
        positions[some, 0] = (i + 0.5) * system.sides[0] / x
        positions[some, 1] = (j + 0.5) * system.sides[1] / y
        positions[some, 2] = (
            0.5 * widest + k * span / (z - 1) if z > 1 else 0.5 * system.thickness + 0.0 * k
        )

    on_all_cores(place, blocks_of(system.count))
    return _at_rest(positions, random_directions(system.count, seed), seed)
