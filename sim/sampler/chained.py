"""A start of long straight chains: the other side from which a film comes to rest."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from sim.film.placing import CrowdedError
from sim.film.state import FilmState

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sim.film.reduced_system import ReducedSystem

__all__ = ["chained_state"]

BESIDE = 1.12
"""Chains stand at least so many largest diameters apart."""
FILLED = 0.85
"""Share of the patch that a chain reaches along, so that it has ends."""


def chained_state(system: ReducedSystem, ratio: float, seed: int) -> FilmState:
    """Return particles in long straight chains along the field, at random places of a lattice.

    Parameters
    ----------
    system : ReducedSystem
    ratio : float
        Distance of bonded particles in mean diameters.
    seed : int
        Decides which sites the chains take and how sizes follow each other.

    Raises
    ------
    CrowdedError
        If the film is too crowded for straight chains.
    """
    field = np.asarray(system.field[0].first)
    axis = int(np.argmax(np.abs(field))) if field.any() else 0
    generator = np.random.default_rng([seed, 4])
    order = generator.permutation(system.count)
    widest = 2.0 * float(system.radius.max())
    box = np.array([*system.sides, system.thickness])
    room = box[axis] - widest if axis == 2 else FILLED * box[axis]
    chains = _cut(order, 2.0 * ratio * system.radius, room)
    sites = _sites(box, axis, BESIDE * widest, widest)
    if len(chains) > len(sites):
        raise CrowdedError(
            "[particles] volume_fraction must leave room for straight chains side by side, from "
            f"which a sampled film starts too; {len(chains)} chains find {len(sites)} places."
        )
    chosen = sites[generator.permutation(len(sites))[: len(chains)]]
    positions = np.zeros((system.count, 3))
    others = [k for k in range(3) if k != axis]
    for members, site in zip(chains, chosen, strict=True):
        radius = system.radius[members]
        along = np.concatenate([[0.0], np.cumsum(ratio * (radius[1:] + radius[:-1]))])
        begin = 0.5 * (box[2] - along[-1]) if axis == 2 else generator.uniform(0.0, box[axis])
        positions[members, axis] = begin + along
        positions[members[:, None], others] = site
    positions[:, :2] %= box[:2]
    positions[:, :2][positions[:, :2] >= box[:2]] = 0.0
    directions = np.zeros((system.count, 3))
    directions[:, axis] = -1.0 if field[axis] < 0.0 else 1.0
    image = np.zeros((system.count, 2), np.int32)
    return FilmState(positions, image, directions, step=0, time=0.0, seed=seed)


def _cut(
    order: NDArray[np.intp], lengths: NDArray[np.float64], room: float
) -> list[NDArray[np.intp]]:
    """Cut a row of particles into chains no longer than the room."""
    ends = np.cumsum(lengths[order])
    piece = np.floor(ends / max(room, float(lengths.max()))).astype(int)
    return [order[piece == k] for k in np.unique(piece)]


def _sites(
    box: NDArray[np.float64], axis: int, spacing: float, widest: float
) -> NDArray[np.float64]:
    """Return the places of a rectangular net across an axis, (sites, 2)."""
    rows = []
    for k in range(3):
        if k == axis:
            continue
        if k == 2:
            count = int(max(box[2] - widest, 0.0) / spacing) + 1
            rows.append(0.5 * box[2] + spacing * (np.arange(count) - 0.5 * (count - 1)))
        else:
            count = max(1, math.floor(box[k] / spacing))
            rows.append(box[k] / count * np.arange(count))
    return np.stack(np.meshgrid(*rows, indexing="ij"), axis=-1).reshape(-1, 2)
