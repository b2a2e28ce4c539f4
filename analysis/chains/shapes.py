"""Shape of chains: contours, bending, kinks and branch points.

The persistence length comes from the correlation of the tangents along open chains,

    C(s) = A [P + (1 - P) exp(-s/((1 - P) l))],    C'(0)/C(0) = -1/l,

with l the persistence length (Kratky, Porod 1949: A = 1, P = 0). A field that straightens the
chains lifts the far end to the level P and leaves the initial slope to the bending alone (a weakly
bent rod in an aligning field, from memory). A < 1 takes up the zigzag of single particles, which
is forgotten after one bond; the first bond is therefore left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from analysis.chains.groups import LINEAR, Chains
from analysis.common.arrays import Floats, Integers
from analysis.common.averages.student import ONE_SIGMA, student_factor
from analysis.files.curve import Curve
from analysis.uncertainty.estimate import NOTHING, Estimate
from analysis.uncertainty.ratio import ratio

FIRST_BOND = 2
MOST_BONDS = 60
FEWEST_PARTICLES = 5
"""Open chains of fewer particles have no tangents far enough apart."""

BATCHES = 16
"""Batches of chains, each kept together over all frames: left out in turn for the error."""

SEEN_FALL = 3.0

OTHER_SHAPES = 0.5
"""With this share of the particles in rings and branched groups, or in bundles of chains, no mean
length of single chains is told."""

SPANNING = 0.1
"""The same of particles in chains without ends."""

KINK_COSINE = math.cos(math.radians(45))


def contours(chains: Chains, fewest: int = FEWEST_PARTICLES) -> tuple[Integers, Integers]:
    """Return the particles of open chains in their order along the chain.

    Parameters
    ----------
    chains : Chains
        The groups of one frame.
    fewest : int
        Shorter chains are left out.

    Returns
    -------
    order (M,), start (C + 1,) : arrays
        Chain c is ``order[start[c]:start[c + 1]]``.
    """
    from analysis.kernels.contours import walk_chains

    count = len(chains.group)
    degree = np.bincount(chains.bonds.ravel(), minlength=count)
    fits = (chains.kind == LINEAR) & ~chains.spanning & (chains.size >= fewest)
    both = np.concatenate([chains.bonds, chains.bonds[:, ::-1]])
    both = both[fits[chains.group[both[:, 0]]]]
    both = both[np.argsort(both[:, 0], kind="stable")]
    partner = np.full((count, 2), -1, np.int64)
    second = np.zeros(len(both), np.int64)
    second[1:] = both[1:, 0] == both[:-1, 0]
    partner[both[:, 0], second] = both[:, 1]
    ends = np.flatnonzero((degree == 1) & fits[chains.group])
    _, first = np.unique(chains.group[ends], return_index=True)
    order, start = walk_chains(partner, ends[first])
    return np.asarray(order), np.asarray(start)


@dataclass(frozen=True)
class TangentCorrelation(Curve):
    """Correlation of the tangents of open chains and its error, by the distance along in m."""

    NAME: ClassVar = "tangent_correlation"
    distance_m: Floats
    correlation: Floats
    error: Floats


@dataclass
class ShapeFrames:
    """Sums over frames about the shape of chains; ``add`` takes one frame.

    Parameters
    ----------
    sides : (2,) array
        Patch in m.
    """

    sides: Floats
    sums: Floats = field(default_factory=lambda: np.zeros((BATCHES, MOST_BONDS)))
    counts: Floats = field(default_factory=lambda: np.zeros((BATCHES, MOST_BONDS)))
    bond_m: list[float] = field(default_factory=list)
    kinks: list[tuple[float, float]] = field(default_factory=list)
    branch_points: list[tuple[float, float]] = field(default_factory=list)
    loops: list[float] = field(default_factory=list)

    def add(self, positions: Floats, chains: Chains, present: Integers | None = None) -> None:
        """Take in one frame: positions (N, 3) in m, its chains, and which particles they are."""
        self._add_bends(positions, chains, present)
        size = chains.size.astype(np.float64)
        degree = np.bincount(chains.bonds.ravel(), minlength=len(positions))
        branches = np.bincount(chains.group, degree > 2, len(size))
        self.branch_points.append(ratio(branches, size))
        self.loops.append(float(len(chains.bonds) - len(positions) + len(size)))

    def _add_bends(self, positions: Floats, chains: Chains, present: Integers | None) -> None:
        """Add the tangent products and kinks of one frame."""
        from analysis.kernels.contours import tangent_sums

        order, start = contours(chains)
        if len(start) < 2:
            self.kinks.append((math.nan, math.nan))
            return
        whole = np.ones(max(0, len(order) - 1), dtype=bool)
        whole[start[1:-1] - 1] = False  # from the end of one chain to the start of the next
        step = np.diff(positions[order], axis=0)[whole]
        step[:, :2] -= self.sides * np.round(step[:, :2] / self.sides)
        length = np.linalg.norm(step, axis=1)
        tangents = step / length[:, None]
        bonds = start - np.arange(len(start))
        # A chain is called by its lowest particle: the same name for as long as it lives.
        lowest = np.minimum.reduceat(order, start[:-1])
        lowest = lowest if present is None else present[lowest]
        # Scrambled, or chains of one length would all fall into a few batches.
        batch = (lowest * 2654435761 >> 16) % BATCHES
        tangent_sums(tangents, bonds, batch, self.sums, self.counts)
        self.bond_m.append(float(length.mean()))
        inner = np.ones(max(0, len(tangents) - 1), dtype=bool)
        inner[bonds[1:-1] - 1] = False
        cosine = np.sum(tangents[1:] * tangents[:-1], axis=1)
        chain = np.repeat(np.arange(len(bonds) - 1), np.diff(bonds))[:-1]
        bent = np.bincount(chain[inner], cosine[inner] < KINK_COSINE, len(bonds) - 1)
        self.kinks.append(ratio(bent, np.bincount(chain[inner], minlength=len(bonds) - 1)))

    def tangent_correlation(self) -> TangentCorrelation:
        """Return the correlation of the tangents of open chains."""
        usable = np.flatnonzero(self._usable())
        bond = float(np.mean(self.bond_m)) if self.bond_m else math.nan
        whole = self.sums.sum(axis=0)[usable] / self.counts.sum(axis=0)[usable]
        left = self._left_out()[:, usable]
        error = np.full(len(usable), np.nan)
        if len(left) > 1:
            error = np.sqrt((len(left) - 1) * left.var(axis=0))
        return TangentCorrelation(np.asarray(usable * bond), whole, error)

    def persistence_length(self, in_field: bool) -> tuple[Estimate, float | None]:
        """Return the persistence length in m and the level P that the field holds up.

        Parameters
        ----------
        in_field : bool
            Whether a field may straighten the chains; without one P is zero.

        Returns
        -------
        Estimate, float or None
            Error by leaving out each of ``BATCHES`` batches of chains in turn (jackknife). Both
            are nothing where fewer than three distances along open chains were seen, or where the
            correlation does not fall by ``SEEN_FALL`` of its errors: chains too short or too
            straight to show a bend.
        """
        bonds = np.flatnonzero(self._usable())
        bonds = bonds[bonds >= FIRST_BOND]
        if len(bonds) < 3:
            return NOTHING, None
        weight = self.counts.sum(axis=0)[bonds]
        whole = self.sums.sum(axis=0)[bonds] / weight
        left = self._left_out()[:, bonds]
        if not whole[0] > 0.05 or not _falls(bonds, whole, left, weight):
            return NOTHING, None
        found = _worm_fit(bonds, whole, weight, in_field)
        parts = np.array([_worm_fit(bonds, part, weight, in_field)[0] for part in left])
        scale = float(np.mean(self.bond_m))
        if len(parts) < 3:
            return Estimate(found[0] * scale, None, len(parts)), found[1]
        # The length bends with the correlation, so its mean lies high by a part that falls as one
        # over the batches: the jackknife tells it (M. H. Quenouille, Biometrika 43, 353 (1956)).
        # Of ln length, which is nearer to normal.
        logs, freedom = np.log(parts), len(parts) - 1.0
        error = math.sqrt(freedom * float(logs.var()))
        lean = freedom * (float(logs.mean()) - math.log(found[0]))
        lean = float(np.clip(lean, -error, error))
        value = found[0] * math.exp(-lean) * scale
        wide = value * error * student_factor(ONE_SIGMA, freedom)
        return Estimate(value, wide, len(parts), freedom), found[1]

    def _usable(self) -> NDArray[np.bool_]:
        """Return which distances along the chain have pairs enough: a hundredth of the nearest."""
        counts = self.counts.sum(axis=0)
        return np.asarray((counts > 0) & (counts >= 0.01 * counts[0]))

    def _left_out(self) -> Floats:
        """Return the correlation without each batch in turn, (batches with chains, bonds)."""
        filled = np.flatnonzero(self.counts[:, 0] > 0)
        if len(filled) < 2:
            return np.zeros((0, MOST_BONDS))
        sums = self.sums.sum(axis=0) - self.sums[filled]
        counts = self.counts.sum(axis=0) - self.counts[filled]
        plain = np.broadcast_to(self.sums.sum(axis=0), sums.shape) / np.maximum(
            1, self.counts.sum(axis=0)
        )
        return np.asarray(np.divide(sums, counts, out=plain.copy(), where=counts > 0))


def _falls(bonds: Integers, correlation: Floats, left_out: Floats, weight: Floats) -> bool:
    """Return whether the correlation falls along the chain beyond the error of its slope."""
    if len(left_out) < 3:
        return False
    away = weight * (bonds - np.average(bonds, weights=weight))
    error = math.sqrt((len(left_out) - 1) * float((left_out @ away).var()))
    return bool(-correlation @ away > SEEN_FALL * error)


def _worm_fit(bonds: Integers, correlation: Floats, weight: Floats, in_field: bool) -> Floats:
    """Fit the tangent correlation; return persistence length in bonds and level P."""
    from scipy.optimize import least_squares

    root = np.sqrt(weight / weight.sum())

    def model(p: Floats) -> Floats:
        level = p[2] if in_field else 0.0
        decay = np.exp(-bonds / (math.exp(p[1]) * (1 - level)))
        return np.asarray(root * (p[0] * (level + (1 - level) * decay) - correlation))

    drop = math.log(max(correlation[0], 1e-3) / max(correlation[-1], 1e-4))
    start = math.log((bonds[-1] - bonds[0]) / min(max(drop, 0.01), 5.0))
    first = min(max(float(correlation[0]), 0.1), 0.99)
    best = least_squares(
        model, [first, start, 0.3], bounds=([0.01, -2.0, 0.0], [1.0, 14.0, 0.995]), max_nfev=100
    )
    return np.array([math.exp(best.x[1]), best.x[2] if in_field else 0.0])
