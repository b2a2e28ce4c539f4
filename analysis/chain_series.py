"""Numbers about chains in every frame, each with its error from the scatter between chains."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.chains import BRANCHED, LINEAR, RING, Chains
from analysis.magnetisation import relative_magnetisation, second_rank_order
from analysis.uncertainty import ratio

Floats = NDArray[np.float64]

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
    """

    frames: int
    reference: Floats | None
    along: Floats | None
    turning: Floats | None = None
    axis: Floats | None = None
    saturation: Floats | None = None
    values: dict[str, Floats] = field(default_factory=dict)
    within: dict[str, Floats] = field(default_factory=dict)
    lengths: dict[int, NDArray[np.int64]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Make room for all frames."""
        for name in NAMES:
            self.values[name] = np.full(self.frames, np.nan)
            self.within[name] = np.full(self.frames, np.nan)

    def add(self, frame: int, chains: Chains, moments: Floats | None) -> None:
        """Take in one frame: its chains, and its moments (N, 3) where the file has them."""
        cluster = chains.cluster_size.astype(np.float64)
        self._put(frame, "cluster_mean_size", ratio(cluster, np.ones_like(cluster)))
        self._put(frame, "cluster_weight_mean_size", ratio(cluster**2, cluster))
        share = float(cluster.max() / cluster.sum())
        self._put(frame, "largest_cluster_share", (share, math.nan))
        if moments is None:
            return
        self._add_lengths(frame, chains)
        self._add_shapes(frame, chains)
        reference, along = self.reference, self.along
        if self.turning is not None:
            reference = along = self.turning[frame]
        if self.turning is not None and self.axis is not None:
            self._add_lag(frame, chains, moments, self.turning[frame], self.axis)
        if reference is not None:
            self._add_directions(frame, chains, moments, reference)
        if along is not None:
            self._put(
                frame, "magnetisation", relative_magnetisation(moments, along, self.saturation)
            )

    def _put(self, frame: int, name: str, pair: tuple[float, float]) -> None:
        self.values[name][frame], self.within[name][frame] = pair

    def _add_lengths(self, frame: int, chains: Chains) -> None:
        """Lengths; rings are kept apart, branched groups count with all their particles."""
        size = chains.size.astype(np.float64)
        length = chains.lengths.astype(np.float64)
        one = np.ones_like(length)
        self.lengths[frame] = chains.lengths
        self._put(frame, "mean_length", ratio(length, one))
        self._put(frame, "weight_mean_length", ratio(length**2, length))
        plain = chains.size[(chains.kind < RING)].astype(np.float64)
        self._put(frame, "linear_mean_length", ratio(plain, np.ones_like(plain)))
        if len(length):
            self._put(frame, "longest", (float(length.max()), math.nan))
        for name, mark in (
            ("singles_fraction", chains.size == 1),
            ("ring_share", chains.kind == RING),
            ("branched_share", chains.kind == BRANCHED),
            ("spanning_share", chains.spanning),
        ):
            self._put(frame, name, ratio(size * mark, size))

    def _add_shapes(self, frame: int, chains: Chains) -> None:
        """Straightness of linear chains of three particles and more."""
        straight = chains.straightness[np.isfinite(chains.straightness)]
        self._put(frame, "straightness", ratio(straight, np.ones_like(straight)))

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
        self, frame: int, chains: Chains, moments: Floats, reference: Floats
    ) -> None:
        """Order of chain axes and of moments, tilt."""
        several = (chains.size > 1) & (chains.kind != RING)
        axes, weight = chains.axis[several], chains.size[several].astype(np.float64)
        self._put(frame, "order", second_rank_order(axes, reference, weight))
        long = (chains.size > 2) & ((chains.kind == LINEAR) | (chains.kind == BRANCHED))
        cosine = np.minimum(1.0, np.abs(chains.axis[long] @ reference))
        weight = chains.size[long].astype(np.float64)
        self._put(frame, "tilt_deg", ratio(weight * np.degrees(np.arccos(cosine)), weight))
        size = np.linalg.norm(moments, axis=1)
        unit = np.divide(
            moments, size[:, None], out=np.zeros_like(moments), where=size[:, None] > 0
        )
        self._put(frame, "moment_order", second_rank_order(unit, reference, size))
