"""Starting states."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from sim.film_state import FilmState

if TYPE_CHECKING:
    from sim.reduced_system import ReducedSystem

__all__ = ["CrowdedError", "random_state"]

TRIES = 2000
SWEEPS = 5000
# Overlaps up to this share of contact are left to the first steps.
CONTACT_SHARE = 0.97


class CrowdedError(ValueError):
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
    generator = np.random.default_rng([seed, 1])
    directions = generator.standard_normal((count, 3))
    directions /= np.linalg.norm(directions, axis=1)[:, None]
    return FilmState(
        positions=positions,
        image=np.zeros((count, 2), np.int32),
        directions=directions,
        step=0,
        time=0.0,
        seed=seed,
    )
