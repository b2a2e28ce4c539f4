"""Bundles: chains that run side by side, told from single chains.

Two chains are strands of one bundle where particles of both stand level, no more than
``LATERAL`` mean diameters apart across, along directions less than ``TURN_DEG`` apart, over at
least the share ``OVERLAP`` of the shorter chain (common practice). A bundle has as many strands
as chains cross a cut through it; chains that follow each other end to end are one strand.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.chains.bonds import pair_steps
from analysis.chains.groups import RING, Chains, touching
from analysis.common.arrays import Floats, Integers
from analysis.uncertainty.estimate import estimate_of_pairs
from analysis.uncertainty.ratio import ratio

LATERAL = 1.3
LEVEL = 0.65
"""Mean diameters along the chains, up to which two particles stand level."""
TURN_DEG = 30.0
OVERLAP = 0.5
SHORTEST_STRAND = 3
CUTS = 600
"""Particles of a frame at which bundles are cut; up to twice as many, evenly by their number."""


def chain_tangents(positions: Floats, moments: Floats, sides: Floats, chains: Chains) -> Floats:
    """Return the direction of the chain at each particle, (N, 3); zero for singles.

    It is that of the sum of the particle's bonds, each taken the way its moment points.
    """
    pairs = np.concatenate([chains.bonds, chains.shifts], axis=1)
    step = pair_steps(positions, sides, pairs)
    out = np.zeros_like(positions)
    for side in (0, 1):
        own = chains.bonds[:, side]
        sign = np.where(np.sum(step * moments[own], axis=1) < 0, -1.0, 1.0)
        np.add.at(out, own, step * sign[:, None])
    norm = np.linalg.norm(out, axis=1, keepdims=True)
    return np.asarray(np.divide(out, norm, out=np.zeros_like(out), where=norm > 0))


def find_bundles(
    positions: Floats, tangents: Floats, diameters: Floats, sides: Floats, chains: Chains
) -> Integers:
    """Return the bundle of each particle, (N,), -1 for particles in no chain of three and more.

    A chain without neighbours is a bundle of one strand.

    Parameters
    ----------
    positions, diameters, sides : (N, 3), (N,) and (2,) arrays
        Centres, steric diameters and patch in m.
    tangents : (N, 3) array
        From ``chain_tangents``.
    chains : Chains
        The groups of the frame.
    """
    from analysis.kernels.pairs import label_groups

    long = (chains.size >= SHORTEST_STRAND) & (chains.kind != RING)
    chain = np.where(long[chains.group], chains.group, -1)
    pairs = touching(positions, tangents, diameters, sides, math.hypot(LATERAL, LEVEL), 0.0)
    first, second = chain[pairs[:, 0]], chain[pairs[:, 1]]
    pairs = pairs[(first >= 0) & (second >= 0) & (first != second)]
    beside = _beside(positions, tangents, diameters, sides, pairs)
    pairs = pairs[beside]
    links = _linked(pairs, chain, chains.size)
    label, _, _, _ = label_groups(len(chains.size), links)
    return np.asarray(np.where(chain >= 0, label[chains.group], -1))


def _beside(
    positions: Floats, tangents: Floats, diameters: Floats, sides: Floats, pairs: Integers
) -> NDArray[np.bool_]:
    """Return which pairs stand side by side in two parallel chains, (P,)."""
    one, other = tangents[pairs[:, 0]], tangents[pairs[:, 1]]
    product = np.sum(one * other, axis=1)
    mean = one + other * np.where(product < 0, -1.0, 1.0)[:, None]
    norm = np.linalg.norm(mean, axis=1, keepdims=True)
    mean = np.divide(mean, norm, out=np.zeros_like(mean), where=norm > 0)
    step = pair_steps(positions, sides, pairs)
    along = np.sum(step * mean, axis=1)
    across = np.sqrt(np.maximum(0.0, np.sum(step**2, axis=1) - along**2))
    contact = 0.5 * (diameters[pairs[:, 0]] + diameters[pairs[:, 1]])
    parallel = np.abs(product) > math.cos(math.radians(TURN_DEG))
    return np.asarray(parallel & (np.abs(along) < LEVEL * contact) & (across < LATERAL * contact))


def _linked(pairs: Integers, chain: Integers, size: Integers) -> Integers:
    """Return pairs of chains that are strands of one bundle, (L, 5), as ``label_groups`` reads."""
    if len(pairs) == 0:
        return np.zeros((0, 5), np.int64)
    own = np.concatenate([pairs[:, 0], pairs[:, 1]])
    next_to = chain[np.concatenate([pairs[:, 1], pairs[:, 0]])]
    seen = np.unique(np.stack([own, next_to], axis=1), axis=0)  # a particle beside a chain
    both, count = np.unique(
        np.stack([chain[seen[:, 0]], seen[:, 1]], axis=1), axis=0, return_counts=True
    )
    linked = both[count >= OVERLAP * size[both[:, 0]]]
    return np.concatenate([linked, np.zeros((len(linked), 3), np.int64)], axis=1)


@dataclass
class BundleFrames:
    """Sums over frames about bundles; ``add`` takes one frame.

    Parameters
    ----------
    sides : (2,) array
        Patch in m.
    """

    sides: Floats
    share: list[tuple[float, float]] = field(default_factory=list)
    strands: list[tuple[float, float]] = field(default_factory=list)
    width: list[tuple[float, float]] = field(default_factory=list)
    length_by_strands: list[Floats] = field(default_factory=list)

    def add(
        self,
        positions: Floats,
        tangents: Floats,
        diameters: Floats,
        bundle: Integers,
        chains: Chains,
    ) -> None:
        """Take in one frame.

        Parameters
        ----------
        positions, tangents : (N, 3) arrays
            Centres in m, and directions from ``chain_tangents``.
        diameters : (N,) array
            Steric diameters in m.
        bundle : (N,) array
            From ``find_bundles``.
        chains : Chains
            The groups of the frame.
        """
        from analysis.kernels.contours import cross_sections

        order = np.argsort(bundle, kind="stable")
        count = int(bundle.max(initial=-1)) + 1
        start = np.searchsorted(bundle[order], np.arange(count + 1))
        several = np.zeros(len(chains.size), dtype=bool)
        inside = np.flatnonzero(bundle >= 0)
        _, at = np.unique(chains.group[inside], return_index=True)
        heads = inside[at]  # one particle of every strand
        many = np.bincount(bundle[heads], minlength=count)
        several[chains.group[heads]] = many[bundle[heads]] > 1
        size = chains.size.astype(np.float64)
        self.share.append(ratio(size * several, size))
        chosen = inside[:: max(1, len(inside) // CUTS)]
        strands, width = cross_sections(
            positions, tangents, diameters, self.sides, chains.group, order, start, bundle,
            chosen,
        )  # fmt: skip
        # A cut through n strands meets n particles: each stands for 1/n of a length.
        weight = 1 / strands
        length = np.bincount(strands.astype(np.int64), weight)
        self.length_by_strands.append(length.astype(np.float64))
        held = many[bundle[chosen]] > 1
        self.strands.append(_by_bundle(np.ones(held.sum()), weight[held], bundle[chosen][held]))
        self.width.append(_by_bundle((width * weight)[held], weight[held], bundle[chosen][held]))

    def numbers(self, structures: float | None) -> dict[str, Any]:
        """Return the entry ``bundles``: share, strands and width of bundles of two and more."""
        most = max((len(row) for row in self.length_by_strands), default=0)
        total = np.zeros(most)
        for row in self.length_by_strands:
            total[: len(row)] += row
        whole = float(total.sum()) or 1.0
        return {
            "share": estimate_of_pairs(self.share, structures).as_dict(),
            "strands": estimate_of_pairs(self.strands, structures).as_dict(),
            "width_m": estimate_of_pairs(self.width, structures).as_dict(),
            "distribution": [
                {"strands": k, "share_of_length": float(total[k] / whole)}
                for k in range(1, most)
                if total[k] > 0
            ],
        }


def _by_bundle(values: Floats, weights: Floats, bundle: Integers) -> tuple[float, float]:
    """Return the ratio of two sums and its error from the scatter between bundles."""
    if len(values) == 0:
        return math.nan, math.nan
    _, inverse = np.unique(bundle, return_inverse=True)
    return ratio(np.bincount(inverse, values), np.bincount(inverse, weights))
