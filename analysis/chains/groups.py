"""Who is bonded to whom: chains, rings, branched groups and clusters of one frame.

Two particles are bonded when they are nearer than ``bond_distance`` mean diameters and their
moments point head to tail along the line between them, ``(u_i.n)(u_j.n) > bond_alignment``; or,
by choice, when their dipolar energy is low enough (``analysis.chains.bonds``).
Groups of bonded particles are chains; groups that only touch are clusters and are kept apart,
since half-shifted neighbours of two chains touch without being bonded.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.chains.bonds import EnergyRule, pair_steps
from analysis.chains.cells import cells_of
from analysis.common.arrays import Floats, Integers
from analysis.common.conventions import BOND_ALIGNMENT, BOND_DISTANCE

SINGLE, LINEAR, RING, BRANCHED = 0, 1, 2, 3


@dataclass(frozen=True)
class Chains:
    """The groups of one frame.

    Attributes
    ----------
    group : ndarray
        Group of each particle, (N,); groups are numbered by their lowest particle.
    size : ndarray
        Particles in each group, (G,); a single particle is a group of one.
    kind : ndarray
        SINGLE, LINEAR, RING or BRANCHED, (G,).
    spanning : ndarray
        True where a group closes on itself through the periodic patch, (G,). It has no ends.
    axis : ndarray
        Long axis of each group, a unit vector of either sign, (G, 3); NaN for singles.
    straightness : ndarray
        End-to-end distance over contour length of linear groups of three and more, (G,); else NaN.
    bonds : ndarray
        Bonded pairs i < j, (B, 2).
    shifts : ndarray
        Image shifts of j in x and y as seen from i, (B, 2).
    cluster : ndarray
        Cluster (by distance alone) of each particle, (N,).
    cluster_size : ndarray
        Particles in each cluster, (C,).
    """

    group: Integers
    size: Integers
    kind: Integers
    spanning: NDArray[np.bool_]
    axis: Floats
    straightness: Floats
    bonds: Integers
    shifts: Integers
    cluster: Integers
    cluster_size: Integers

    @property
    def index(self) -> Integers:
        """Return the chain of each particle, (N,), -1 for singles, without gaps."""
        numbers = np.cumsum(self.size > 1) - 1
        return np.asarray(np.where(self.size > 1, numbers, -1)[self.group])

    @property
    def lengths(self) -> Integers:
        """Return the sizes of all groups but rings: those that enter the lengths."""
        return np.asarray(self.size[self.kind != RING])


def find_chains(
    positions: ArrayLike,
    moments: ArrayLike | None,
    diameters: ArrayLike,
    sides: ArrayLike,
    *,
    bond_distance: float = BOND_DISTANCE,
    bond_alignment: float = BOND_ALIGNMENT,
    bond_energy: EnergyRule | None = None,
) -> Chains:
    """Find the chains of one frame.

    Parameters
    ----------
    positions : (N, 3) array
        Centres, any unit of length, x and y inside the patch.
    moments : (N, 3) array or None
        Moments, any unit; without them nothing is bonded and only clusters are found.
    diameters : (N,) array or float
        Steric diameters, in the unit of the positions.
    sides : (2,) array
        Periodic sides of the patch in x and y, in the same unit.
    bond_distance : float
        Largest bond in units of the mean of both diameters.
    bond_alignment : float
        Smallest product of the two cosines, from -1 to 1.
    bond_energy : EnergyRule, optional
        Decides about bonds in place of distance and alignment; lengths are then in m, moments in
        A m2. Clusters go by ``bond_distance`` all the same.

    Returns
    -------
    Chains
        Groups, clusters and bonds.

    Raises
    ------
    ValueError
        Where shapes do not fit, or a value is not finite or outside its range.
    """
    points, units, sizes, patch = _checked(positions, moments, diameters, sides)
    if not (np.isfinite(bond_distance) and 0 < bond_distance <= 10):
        raise ValueError(f"bond_distance must be from 0 to 10 diameters; received {bond_distance}.")
    if not (np.isfinite(bond_alignment) and -1 <= bond_alignment < 1):
        raise ValueError(f"bond_alignment must be from -1 to below 1; received {bond_alignment}.")
    from analysis.kernels.pairs import label_groups

    count = len(points)
    if bond_energy is None:
        near = touching(points, units, sizes, patch, bond_distance, bond_alignment)
        bonded = near[near[:, 4] == 1]
    else:
        vectors = np.zeros_like(points) if moments is None else np.asarray(moments, np.float64)
        reach = max(bond_distance, bond_energy.reach(vectors, sizes))
        pairs = touching(points, units, sizes, patch, reach, bond_alignment)
        bonded = pairs[bond_energy.bound(points, vectors, sizes, patch, pairs)]
        near = pairs[relative_distances(points, sizes, patch, pairs) < bond_distance]
        del pairs
    # Of very many particles each list weighs some gigabytes.
    del units
    cluster, _, _, _ = label_groups(count, near)
    del near
    group, image, degree, spanning = label_groups(count, bonded)
    size = np.bincount(group, minlength=len(spanning))
    whole = points.copy()
    whole[:, :2] += image * patch
    kind = _kinds(group, size, degree, spanning, len(bonded))
    return Chains(
        group=group,
        size=size,
        kind=kind,
        spanning=spanning,
        axis=_axes(whole, group, size),
        straightness=_straightness(points, whole, bonded, group, size, degree, kind, patch),
        bonds=bonded[:, :2],
        shifts=bonded[:, 2:4],
        cluster=cluster,
        cluster_size=np.bincount(cluster) if count else np.zeros(0, np.int64),
    )


def _checked(
    positions: ArrayLike, moments: ArrayLike | None, diameters: ArrayLike, sides: ArrayLike
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return float arrays of fitting shapes; moments become unit vectors (zero stays zero)."""
    points = np.array(positions, dtype=np.float64)
    patch = np.asarray(sides, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 3:
        raise ValueError(f"positions must have shape (N, 3); received {points.shape}.")
    if patch.shape != (2,) or not (np.isfinite(patch).all() and (patch > 0).all()):
        raise ValueError(f"sides must be two positive lengths; received {patch}.")
    sizes = np.asarray(diameters, dtype=np.float64)
    if sizes.ndim == 0:
        sizes = np.full(len(points), float(sizes))
    vectors = np.zeros_like(points) if moments is None else np.asarray(moments, dtype=np.float64)
    if sizes.shape != (len(points),) or vectors.shape != points.shape:
        raise ValueError(
            f"diameters and moments must have one row for each of {len(points)} particles; "
            f"received {sizes.shape} and {vectors.shape}."
        )
    finite = np.isfinite(points).all() and np.isfinite(sizes).all() and np.isfinite(vectors).all()
    if not finite or (sizes <= 0).any():
        raise ValueError("positions, moments and diameters must be finite, diameters positive.")
    points[:, :2] %= patch
    points[:, :2][points[:, :2] >= patch] = 0.0
    norms = np.linalg.norm(vectors, axis=1, keepdims=True)
    units = np.divide(vectors, norms, out=np.zeros_like(vectors), where=norms > 0)
    return points, units, np.ascontiguousarray(sizes), patch


def relative_distances(points: Floats, sizes: Floats, patch: Floats, pairs: Integers) -> Floats:
    """Return the distance of each pair in mean diameters of the two, (P,)."""
    contact = 0.5 * (sizes[pairs[:, 0]] + sizes[pairs[:, 1]])
    return np.asarray(np.linalg.norm(pair_steps(points, patch, pairs), axis=1) / contact)


def touching(
    points: Floats, units: Floats, sizes: Floats, patch: Floats, reach: float, cosine: float
) -> Integers:
    """Return all pairs nearer than ``reach`` mean diameters: i, j, image shifts, head-to-tail mark.

    Parameters
    ----------
    points, units : (N, 3) arrays
        Centres inside the patch, unit vectors of the moments.
    sizes, patch : (N,) and (2,) arrays
        Diameters and sides, in the unit of the centres.
    reach, cosine : float
        The bond rule.

    Returns
    -------
    (P, 5) array
        The mark is 1 where (u_i.n)(u_j.n) > ``cosine``.
    """
    from analysis.kernels.pairs import touching_pairs

    if len(points) == 0:
        return np.zeros((0, 5), np.int64)
    cells = cells_of(points, patch, reach * float(sizes.max()))
    place = np.zeros(len(points), np.int64)
    # Counted first: the list has no room to spare, and its pairs stand in the order of i.
    touching_pairs(cells, units, sizes, reach, cosine, place, np.empty((0, 5), np.int64))
    ends = np.cumsum(place)
    out = np.empty((int(ends[-1]), 5), np.int64)
    if len(out):
        touching_pairs(cells, units, sizes, reach, cosine, ends - place, out)
    return out


def _kinds(
    group: Integers, size: Integers, degree: Integers, spanning: NDArray[np.bool_], bonds: int
) -> Integers:
    """Tell singles, linear groups (spanning ones too), rings and branched groups apart."""
    kind = np.full(len(size), LINEAR, np.int64)
    kind[size == 1] = SINGLE
    if bonds:
        highest = np.zeros(len(size), np.int64)
        np.maximum.at(highest, group, degree)
        links = np.bincount(group, weights=degree, minlength=len(size)) / 2
        kind[(highest == 2) & (links == size) & ~spanning] = RING
        kind[highest > 2] = BRANCHED
    return kind


def _axes(whole: Floats, group: Integers, size: Integers) -> Floats:
    """Return the principal axis of each group of two and more, (G, 3)."""
    axis = np.full((len(size), 3), np.nan)
    several = np.flatnonzero(size > 1)
    if len(several) == 0:
        return axis
    centre = np.stack([np.bincount(group, whole[:, k], len(size)) / size for k in range(3)], axis=1)
    away = whole - centre[group]
    tensor = np.empty((len(size), 3, 3))
    for a in range(3):
        for b in range(a, 3):
            tensor[:, a, b] = np.bincount(group, away[:, a] * away[:, b], len(size))
            tensor[:, b, a] = tensor[:, a, b]
    scale = np.trace(tensor[several], axis1=1, axis2=2)
    _, vectors = np.linalg.eigh(tensor[several] / scale[:, None, None])
    axis[several] = vectors[:, :, -1]
    return axis


def _straightness(
    points: Floats,
    whole: Floats,
    bonded: Integers,
    group: Integers,
    size: Integers,
    degree: Integers,
    kind: Integers,
    patch: Floats,
) -> Floats:
    """Return end-to-end distance over contour length of linear groups with two ends, (G,)."""
    out = np.full(len(size), np.nan)
    ends = np.flatnonzero(degree == 1)
    ends = ends[kind[group[ends]] == LINEAR]
    # A linear group that spans the patch has no ends; every other one has exactly two.
    ends = ends[np.argsort(group[ends], kind="stable")].reshape(-1, 2)
    step = points[bonded[:, 1]] - points[bonded[:, 0]]
    step[:, :2] += bonded[:, 2:4] * patch
    contour = np.bincount(group[bonded[:, 0]], np.linalg.norm(step, axis=1), len(size))
    chain = group[ends[:, 0]]
    apart = np.linalg.norm(whole[ends[:, 0]] - whole[ends[:, 1]], axis=1)
    long = size[chain] > 2
    out[chain[long]] = apart[long] / contour[chain[long]]
    return out
