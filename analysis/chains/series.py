"""Numbers about chains in every frame, each with its error from the scatter between chains."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.chains.groups import BRANCHED, LINEAR, RING, Chains
from analysis.chains.magnetisation import relative_magnetisation, second_rank_order
from analysis.common.arrays import Floats
from analysis.uncertainty.estimate import Estimate, estimate
from analysis.uncertainty.ratio import ratio

NAMES = (
    "mean_length",
    "weight_mean_length",
    "linear_mean_length",
    "singles_fraction",
    "ring_share",
    "branched_share",
    "spanning_share",
    "longest",
    "straightness",
    "cluster_mean_size",
    "cluster_weight_mean_size",
    "largest_cluster_share",
    "order",
    "tilt_deg",
    "moment_order",
    "magnetisation",
    "in_phase",
    "behind",
    "axis_cos",
    "axis_sin",
)

PARTS = 16
"""Batches of chains whose scatter over the whole average tells what all frames share."""


@dataclass
class ChainSeries:
    """One row a frame for each of ``NAMES``: value and error inside the frame, NaN if unmeasured.

    Parameters
    ----------
    frames : int
        Frames of the run.
    reference : (3,) array or None
        Direction that alignment is measured against.
    along : (3,) array or None
        Direction that magnetisation is measured along.
    turning : (frames, 3) array or None
        Direction of a field that turns, in place of the other two; ``axis`` (3,) is about which.
    saturation : (N,) array or None
        Saturation moments where they are not the size of the moments (multicore beads).
    mixed : bool
        Whether the averaged frames are of a sampled film at rest. Nothing is frozen then, and
        batches of particles differ for good by their sizes and numbers alone, which is no error.

    Attributes
    ----------
    values, within : dict of (frames,) arrays
        Value and error inside the frame by name.
    parts : dict of (frames, PARTS, 2) arrays
        For numbers of chains, sums of numerators and denominators over batches of chains. A chain
        is in the batch of its lowest particle, so that one that lasts stays in its batch.
    """

    frames: int
    reference: Floats | None
    along: Floats | None
    turning: Floats | None = None
    axis: Floats | None = None
    saturation: Floats | None = None
    mixed: bool = False
    values: dict[str, Floats] = field(default_factory=dict)
    within: dict[str, Floats] = field(default_factory=dict)
    parts: dict[str, Floats] = field(default_factory=dict)
    lengths: dict[int, NDArray[np.int64]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Make room for all frames."""
        for name in NAMES:
            self.values[name] = np.full(self.frames, np.nan)
            self.within[name] = np.full(self.frames, np.nan)

    def add(
        self,
        frame: int,
        chains: Chains,
        moments: Floats | None,
        present: NDArray[np.int64] | None = None,
    ) -> None:
        """Take in one frame: its chains, and its moments (N, 3) where the file has them.

        ``present`` says which particles of the run they are, (N,), where not all are there.
        """
        cluster = chains.cluster_size.astype(np.float64)
        self._put(frame, "cluster_mean_size", ratio(cluster, np.ones_like(cluster)))
        self._put(frame, "cluster_weight_mean_size", ratio(cluster**2, cluster))
        share = float(cluster.max() / cluster.sum())
        self._put(frame, "largest_cluster_share", (share, math.nan))
        if moments is None:
            return
        lowest = np.unique(chains.group, return_index=True)[1]
        lowest = lowest if present is None else present[lowest]
        batch = (lowest * 2654435761 >> 16) % PARTS
        self._add_lengths(frame, chains, batch)
        self._add_shapes(frame, chains, batch)
        reference, along = self.reference, self.along
        if self.turning is not None:
            reference = along = self.turning[frame]
        if self.turning is not None and self.axis is not None:
            self._add_lag(frame, chains, moments, self.turning[frame], self.axis)
        if reference is not None:
            self._add_directions(frame, chains, batch, reference)
            self._add_moment_order(frame, moments, reference, chains.group)
        if along is not None:
            found = relative_magnetisation(moments, along, self.saturation, chains.group)
            self._put(frame, "magnetisation", found)

    def _put(self, frame: int, name: str, pair: tuple[float, float]) -> None:
        self.values[name][frame], self.within[name][frame] = pair

    def _put_ratio(
        self, frame: int, name: str, tops: Floats, bottoms: Floats, batch: NDArray[np.int64]
    ) -> None:
        """Put a ratio of sums over chains, whole and by batches."""
        self._put(frame, name, ratio(tops, bottoms))
        sums = [np.bincount(batch, column, PARTS) for column in (tops, bottoms)]
        self.parts.setdefault(name, np.zeros((self.frames, PARTS, 2)))[frame] = np.stack(sums, 1)

    def average(self, name: str, rows: NDArray[np.int64], structures: float | None) -> Estimate:
        """Return the average of one number over some frames, see ``uncertainty.estimate``."""
        parts = None if self.mixed else self.parts.get(name)
        return estimate(
            self.values[name][rows],
            within=self.within[name][rows],
            structures=structures,
            parts=None if parts is None else parts[rows],
        )

    def _add_lengths(self, frame: int, chains: Chains, batch: NDArray[np.int64]) -> None:
        """Lengths; rings are kept apart, branched groups count with all their particles."""
        size = chains.size.astype(np.float64)
        length = chains.lengths.astype(np.float64)
        one = np.ones_like(length)
        self.lengths[frame] = chains.lengths
        open_ended = batch[chains.kind != RING]
        self._put_ratio(frame, "mean_length", length, one, open_ended)
        self._put_ratio(frame, "weight_mean_length", length**2, length, open_ended)
        linear = chains.kind < RING
        plain = size[linear]
        self._put_ratio(frame, "linear_mean_length", plain, np.ones_like(plain), batch[linear])
        if len(length):
            self._put(frame, "longest", (float(length.max()), math.nan))
        for name, mark in (
            ("singles_fraction", chains.size == 1),
            ("ring_share", chains.kind == RING),
            ("branched_share", chains.kind == BRANCHED),
            ("spanning_share", chains.spanning),
        ):
            self._put_ratio(frame, name, size * mark, size, batch)

    def _add_shapes(self, frame: int, chains: Chains, batch: NDArray[np.int64]) -> None:
        """Straightness of linear chains of three particles and more."""
        known = np.isfinite(chains.straightness)
        straight = chains.straightness[known]
        self._put_ratio(frame, "straightness", straight, np.ones_like(straight), batch[known])

    def _add_lag(
        self, frame: int, chains: Chains, moments: Floats, field: Floats, axis: Floats
    ) -> None:
        """Parts of magnetisation and chain axes with a turning field and behind it."""
        flat = field - (field @ axis) * axis
        along = flat / max(float(np.linalg.norm(flat)), 1e-300)
        behind = -np.cross(axis, along)
        self._put(frame, "in_phase", relative_magnetisation(moments, along, self.saturation))
        self._put(frame, "behind", relative_magnetisation(moments, behind, self.saturation))
        several = (chains.size > 1) & (chains.kind != RING)
        axes, weight = chains.axis[several], chains.size[several].astype(np.float64)
        c, s = axes @ along, axes @ behind
        self._put(frame, "axis_cos", ratio(weight * (c * c - s * s), weight))
        self._put(frame, "axis_sin", ratio(weight * (2.0 * c * s), weight))

    def _add_directions(
        self, frame: int, chains: Chains, batch: NDArray[np.int64], reference: Floats
    ) -> None:
        """Order of chain axes, tilt."""
        several = (chains.size > 1) & (chains.kind != RING)
        weight = chains.size[several].astype(np.float64)
        order = 1.5 * (chains.axis[several] @ reference) ** 2 - 0.5
        self._put_ratio(frame, "order", weight * order, weight, batch[several])
        long = (chains.size > 2) & ((chains.kind == LINEAR) | (chains.kind == BRANCHED))
        cosine = np.minimum(1.0, np.abs(chains.axis[long] @ reference))
        weight = chains.size[long].astype(np.float64)
        angle = np.degrees(np.arccos(cosine))
        self._put_ratio(frame, "tilt_deg", weight * angle, weight, batch[long])

    def _add_moment_order(
        self, frame: int, moments: Floats, reference: Floats, group: NDArray[np.int64]
    ) -> None:
        """Order of moments."""
        size = np.linalg.norm(moments, axis=1)
        unit = np.divide(
            moments, size[:, None], out=np.zeros_like(moments), where=size[:, None] > 0
        )
        self._put(frame, "moment_order", second_rank_order(unit, reference, size, group))
