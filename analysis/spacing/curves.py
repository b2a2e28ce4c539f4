"""Curves of the section ``spacing``: nearest chains, structure factor, pair correlation of axes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar, Protocol

import numpy as np
from numpy.typing import NDArray

from analysis.common.averages.student import ONE_SIGMA, student_factor
from analysis.files.curve import Curve
from analysis.spacing.distances import SpacingFrames, lateral_direction
from analysis.spacing.structure_factor import ModeGrid, full_map, profile

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class NearestNeighbour(Curve):
    """Density in 1/m of distances in m to the nearest chain axis, which integrates to 1."""

    NAME: ClassVar = "nearest_neighbour"
    bin_centres_m: Floats
    density_per_m: Floats
    error: Floats


@dataclass(frozen=True)
class StructureFactorMap(Curve):
    """Projected structure factor, (qy, qx), over both wave numbers in rad/m."""

    NAME: ClassVar = "structure_factor_map"
    qx_per_m: Floats
    qy_per_m: Floats
    s: Floats


@dataclass(frozen=True)
class StructureFactorRadial(Curve):
    """Structure factor across the chains with its errors, by the wave number in rad/m.

    ``flat_error`` is the error where no peak is; modes within ``band_per_m`` of the direction
    across the chains count.
    """

    NAME: ClassVar = "structure_factor_radial"
    q_per_m: Floats
    s: Floats
    error: Floats
    flat_error: Floats
    band_per_m: float


@dataclass(frozen=True)
class AxisCorrelation(Curve):
    """Pair correlation of chain axes with its errors, by the distance in m.

    ``flat_error`` is the error of chains at random.
    """

    NAME: ClassVar = "axis_correlation"
    distance_m: Floats
    g: Floats
    error: Floats
    flat_error: Floats


class Projected(Protocol):
    """Sums of the structure factor over frames, of all particles or of maps."""

    sides: Floats
    median: float
    axis: Floats | None
    grid: ModeGrid
    map_sum: Floats
    map_frames: int

    @property
    def shortest(self) -> float:
        """Smallest distance in m that counts as a spacing of chains."""


def nearest_neighbour(frames: SpacingFrames, structures: float | None) -> NearestNeighbour:
    """Return the density of distances to the nearest chain axis, which integrates to 1."""
    edges = frames.edges
    width = float(edges[1] - edges[0])
    counts = np.sum(frames.nearest_counts, axis=0) if frames.nearest_counts else np.zeros(0)
    total = float(counts.sum())
    share = counts / total if total else np.zeros_like(counts)
    chains = total / max(1, len(frames.nearest_counts)) / max(1.0, float(np.mean(frames.links)))
    free = max(1.0, chains * max(1.0, structures or 1.0))
    return NearestNeighbour(
        bin_centres_m=0.5 * (edges[1:] + edges[:-1]),
        density_per_m=share / width,
        error=np.sqrt(share * (1 - share) / free) / width,
    )


def structure_curves(
    frames: Projected, structures: float | None, weight_length: float | None
) -> tuple[StructureFactorMap, StructureFactorRadial]:
    """Return the map of the projected structure factor and its profile across the chains.

    The band of modes that counts as "across" is as wide as the streak of a chain of the weight
    mean length, pi over that length; a chain that spans the patch leaves the modes exactly across.
    """
    average = frames.map_sum / max(1, frames.map_frames)
    lateral = lateral_direction(frames.axis)
    band = 0.0
    if weight_length is not None:
        band = math.pi / (max(weight_length, 2.0) * frames.median)
    q, s, error, flat = profile(
        average, frames.grid, frames.sides, lateral, band, structures or 1.0
    )
    qy = frames.grid.qy
    whole = full_map(average)
    # The mode at q = 0 only counts the particles.
    whole[len(qy) - 1, len(frames.grid.qx) // 2] = np.nan
    mapped = StructureFactorMap(frames.grid.qx, np.concatenate([-qy[:0:-1], qy]), whole)
    return mapped, StructureFactorRadial(q, s, error, flat, band)


def axis_correlation(frames: SpacingFrames) -> AxisCorrelation:
    """Return the pair correlation of chain axes across the chains; 1 for chains at random.

    The error comes from the scatter between compact parts of the film, over all frames together,
    so that a chain that is seen in every frame counts once and pairs stay in one part.
    """
    counts = np.sum(frames.shell_counts, axis=0)
    ideal = np.sum(frames.shell_ideal, axis=0)
    members = np.sum(frames.shell_members, axis=0)
    edges = frames.edges
    usable, filled = ideal > 0, members > 0
    centres = (0.5 * (edges[1:] + edges[:-1]))[usable]
    if not usable.any() or filled.sum() < 2:
        g = counts.sum(axis=0)[usable] / ideal[usable]
        nothing = np.full(len(g), np.nan)
        return AxisCorrelation(centres, g, nothing, nothing)
    ideal = ideal[usable]
    g = counts[:, usable].sum(axis=0) / ideal
    weight = (members / members.sum())[filled, None]
    away = counts[filled][:, usable] / ideal - weight * g
    batches = int(filled.sum())
    variance = batches / (batches - 1) * (away**2).sum(axis=0)
    # A few parts make a rough variance; its ratio to the count is alike in nearby bins.
    floor = 0.02 * float(g.max(initial=1.0))
    ratio = np.convolve(variance * ideal / np.maximum(g, floor), np.ones(5), mode="same")
    ratio /= np.convolve(np.ones(len(g)), np.ones(5), mode="same")
    flat = student_factor(ONE_SIGMA, batches - 1.0) * np.sqrt(ratio / ideal)
    return AxisCorrelation(centres, g, np.sqrt(np.maximum(g, floor)) * flat, flat)
