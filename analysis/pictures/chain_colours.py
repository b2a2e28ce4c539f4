"""A colour for each chain, such that chains seen side by side differ, in greyscale too."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.pictures import style

if TYPE_CHECKING:
    from numpy.typing import NDArray

_REACH = 2.0  # chains closer than so many median diameters in a view count as side by side
_SAME_COLOUR, _SAME_LIGHTNESS, _SAME_HUE = 1.0, 0.35, 0.15
_EVEN_USE = 1e-3  # settles ties, so that all colours appear


def colour_table() -> NDArray[np.float64]:
    """Red, green, blue (9, 3) in 0..1 of the chain colours, three of each lightness in turn."""
    from matplotlib.colors import to_rgb

    return np.array([to_rgb(colour) for row in style.CHAIN_COLOURS for colour in row])


def chain_colours(
    positions: NDArray[np.float64],
    diameters: NDArray[np.float64],
    chain_index: NDArray[np.int_],
    sides: tuple[float, float],
) -> NDArray[np.float64]:
    """Colour of every particle; particles of one chain share one, singles are pale grey.

    Parameters
    ----------
    positions : ndarray, shape (N, 3)
        Wrapped positions in m.
    diameters : ndarray, shape (N,)
        Diameters in m.
    chain_index : ndarray of int, shape (N,)
        Number of the chain a particle belongs to, -1 for a single one. Any numbering will do.
    sides : tuple of float
        Periods in x and y, in m.

    Returns
    -------
    ndarray, shape (N, 3)
        Red, green, blue in 0..1.
    """
    from matplotlib.colors import to_rgb

    colours = np.tile(np.array(to_rgb(style.SINGLE_PARTICLE)), (len(positions), 1))
    in_chain = chain_index >= 0
    if not in_chain.any():
        return colours
    _, compact = np.unique(chain_index[in_chain], return_inverse=True)
    pairs, weights = _side_by_side(
        positions[in_chain], compact, _REACH * float(np.median(diameters)), sides
    )
    choice = _choose(int(compact.max()) + 1, np.bincount(compact), pairs, weights)
    colours[in_chain] = colour_table()[choice[compact]]
    return colours


def _side_by_side(
    positions: NDArray[np.float64],
    chain: NDArray[np.int_],
    reach: float,
    sides: tuple[float, float],
) -> tuple[NDArray[np.int_], NDArray[np.float64]]:
    """Pairs of chains that meet in the top or side view, and how often their particles do."""
    from scipy.spatial import cKDTree

    found = []
    for up, period in ((1, sides[1]), (2, 0.0)):  # a period of 0 means: does not repeat
        flat = positions[:, [0, up]].copy()
        for column, length in ((0, sides[0]), (1, period)):
            if length > 0:
                flat[:, column] %= length
                flat[flat[:, column] >= length, column] = 0.0  # the remainder can round up to it
        tree = cKDTree(flat, boxsize=(sides[0], period))
        near = tree.query_pairs(min(reach, 0.49 * sides[0]), output_type="ndarray")
        found.append(np.sort(chain[near.reshape(-1, 2)], axis=1))
    meeting = np.concatenate(found)
    meeting = meeting[meeting[:, 0] != meeting[:, 1]]
    pairs, counts = np.unique(meeting.reshape(-1, 2), axis=0, return_counts=True)
    return pairs, counts.astype(float)


def _choose(
    count: int,
    lengths: NDArray[np.int_],
    pairs: NDArray[np.int_],
    weights: NDArray[np.float64],
) -> NDArray[np.int_]:
    """Greedy choice, longest chain first: the colour that is least like those around it."""
    likeness = _likeness()
    neighbours: list[list[tuple[int, float]]] = [[] for _ in range(count)]
    for (a, b), weight in zip(pairs.tolist(), weights.tolist(), strict=True):
        neighbours[a].append((b, weight))
        neighbours[b].append((a, weight))
    choice = np.full(count, -1)
    used = np.zeros(len(likeness))
    for chain in np.argsort(-lengths, kind="stable"):
        cost = _EVEN_USE * used
        for other, weight in neighbours[chain]:
            if choice[other] >= 0:
                cost = cost + weight * likeness[choice[other]]
        choice[chain] = int(np.argmin(cost))
        used[choice[chain]] += 1.0
    return choice


def _likeness() -> NDArray[np.float64]:
    """How alike two colours of the table look: 1 the same, less for one lightness or one hue."""
    lightness, hue = np.divmod(np.arange(9), 3)
    alike: NDArray[np.float64] = _SAME_LIGHTNESS * (lightness[:, None] == lightness) + _SAME_HUE * (
        hue[:, None] == hue
    )
    np.fill_diagonal(alike, _SAME_COLOUR)
    return alike
