"""Distances between chains, widths of chains and what stays clear, frame by frame.

Three spacings are measured and mean different things: the distance to the nearest chain axis
(three-dimensional, across the chains), the peak of the projected structure factor (what light
through the film sees), and the first shell of the pair correlation of axes (the typical distance
of neighbours, which is larger than that of the nearest one).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.chains.cells import cells_of
from analysis.chains.groups import RING, Chains
from analysis.spacing.parts import OfParts, over_parts
from analysis.spacing.structure_factor import ModeGrid, structure_factor

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

NEAREST_SHELL = 1.5
SHORTEST_CHAIN = 3
"""Particles from which on a group has an axis to measure distances from."""

REACH_SPACINGS = 4.0
"""Distances are counted up to this many line-density spacings."""

ORDERS = 3.0
"""The structure factor reaches this order of the line-density spacing in patches of any size."""

BINS_PER_DIAMETER = 4.0
GOLDEN = 0.5 * (math.sqrt(5.0) - 1.0)
"""Multiples of it, modulo 1, are even and go with no other sequence."""

DOUBLINGS = 4
"""Distances in the plane are looked for within a sixteenth of the reach first."""

WIDTH_SAMPLES = 300
STRIPS = 5

STRIP_LINES = 4.0
STRIPS_OF_FILM = (4, 12)
TILES_OF_FILM = (2, 4)
"""Errors compare compact parts of the film, because neighbouring chains share their gaps: strips
along the chains some lines wide, between 4 and 12 of them; tiles of the patch, 2 to 4 along each
side, where chains have no direction in the plane."""

STEEP = 0.7
"""Share of the chain direction along z from which on a film counts as seen along its chains."""


def lateral_direction(axis: Floats | None) -> Floats | None:
    """Return the unit vector of the film plane that lies across the chains, (2,).

    None for chains that stand along z, or without a direction: all directions of the plane count.
    """
    if axis is None or abs(axis[2]) > STEEP:
        return None
    flat = np.array([-axis[1], axis[0]])
    return np.asarray(flat / np.linalg.norm(flat))


def volume_fraction(diameters: Floats, sides: Floats, thickness: float) -> float:
    """Return the share of the film's volume that spheres of these diameters fill, all in m."""
    volume = float(sides[0] * sides[1]) * thickness
    return float((math.pi * diameters**3 / 6).sum()) / volume


@dataclass
class SpacingFrames:
    """Sums over frames of everything about spacing; ``add`` takes one frame.

    Parameters
    ----------
    sides, thickness : (2,) array, float
        Patch and film in m.
    diameters : (N,) array
        Steric diameters in m.
    axis : (3,) array or None
        Direction of the chains; None: only what needs no direction is measured.
    """

    sides: Floats
    thickness: float
    diameters: Floats
    axis: Floats | None
    grid: ModeGrid = field(init=False)
    blocks: tuple[int, int] = field(init=False)
    nearest: list[OfParts] = field(default_factory=list)
    spread: list[OfParts] = field(default_factory=list)
    seen_through: list[OfParts] = field(default_factory=list)
    clear_parts: list[Floats] = field(default_factory=list)
    width: list[float] = field(default_factory=list)
    width_error: list[float] = field(default_factory=list)
    clear: list[float] = field(default_factory=list)
    clear_error: list[float] = field(default_factory=list)
    unpaired: list[float] = field(default_factory=list)
    nearest_counts: list[Floats] = field(default_factory=list)
    shell_counts: list[Floats] = field(default_factory=list)
    shell_members: list[Floats] = field(default_factory=list)
    shell_ideal: list[Floats] = field(default_factory=list)
    links: list[float] = field(default_factory=list)
    map_sum: Floats = field(init=False)
    map_frames: int = 0
    median: float = field(init=False)

    def __post_init__(self) -> None:
        """Choose bins, cells and modes from the film."""
        self.median = float(np.median(self.diameters))
        self.fraction = volume_fraction(self.diameters, self.sides, self.thickness)
        self.line = self.median * math.sqrt(math.pi / (6 * self.fraction))
        bins = max(8, round(REACH_SPACINGS * self.line / self.median * BINS_PER_DIAMETER))
        reach = bins * self.median / BINS_PER_DIAMETER
        # Beyond half the patch a distance would meet the periodic copies of a chain.
        lateral = lateral_direction(self.axis)
        room = self.sides if lateral is None else self.sides[np.abs(lateral) > 0.5]
        self.reach = min(reach, max(2 * self.median, 0.5 * float(np.min(room))))
        self.bins = max(8, round(self.reach / self.median * BINS_PER_DIAMETER))
        self.window = 0.65 * float(self.diameters.max())
        self.grid = ModeGrid.of(self.sides, 0.9 * self.median, self.line / ORDERS)
        self.map_sum = np.zeros((len(self.grid.qx), len(self.grid.qy)))
        self.blocks = self._blocks()
        cells = [min(2048, max(64, int(side / self.median * 12))) for side in self.sides]
        self.points = (cells[0], cells[1])

    @property
    def edges(self) -> Floats:
        """Return the edges of the distance bins in m."""
        return np.linspace(0.0, self.reach, self.bins + 1)

    @property
    def shortest(self) -> float:
        """Return the smallest distance in m that counts as a spacing of chains.

        Nearer than 1.5 diameters are strands of one bundle. Light through the film sees rows at
        different heights between one another, so no bound follows from the number of chains.
        """
        return NEAREST_SHELL * self.median

    def _blocks(self) -> tuple[int, int]:
        """Return the number of parts of the film along both directions of ``_block_of``."""
        lateral = lateral_direction(self.axis)
        if lateral is not None:
            lines = float(np.abs(lateral) @ self.sides) / self.line
            return int(np.clip(round(lines / STRIP_LINES), *STRIPS_OF_FILM)), 1
        tiles = np.clip(np.round(self.sides / self.line / STRIP_LINES), *TILES_OF_FILM)
        return int(tiles[0]), int(tiles[1])

    def _block_of(self, positions: Floats, chain: Integers) -> Integers:
        """Return the part of the film, strip or tile, of each particle: that of its chain, (n,)."""
        lead = positions[chain, :2]
        lateral = lateral_direction(self.axis)
        if lateral is None:
            share = lead / self.sides
        else:
            # The corners of the patch lie between these along the lateral direction.
            first = float(np.minimum(lateral * self.sides, 0.0).sum())
            place = (lead @ lateral - first) / float(np.abs(lateral) @ self.sides)
            share = np.stack([place, np.zeros(len(place))], axis=1)
        part = np.minimum((share * self.blocks).astype(np.int64), np.array(self.blocks) - 1)
        return np.asarray(np.maximum(part, 0) @ [self.blocks[1], 1])

    def add(self, positions: Floats, chains: Chains) -> None:
        """Take in one frame: positions (N, 3) in m and its chains."""
        self._add_cover(positions)
        self.map_sum += structure_factor(positions, self.grid)
        self.map_frames += 1
        long = (chains.size >= SHORTEST_CHAIN) & (chains.kind != RING)
        # A chain is called by its lowest particle: the same name for as long as it lives.
        _, lowest = np.unique(chains.group, return_index=True)
        chain = np.where(long[chains.group], lowest[chains.group], -1)
        self._add_distances(positions, chain)
        self._add_nearest_in_plane(positions, chain)
        self._add_widths(positions, chains, chain)

    def _add_cover(self, positions: Floats) -> None:
        """Measure the clear share, its error from strips that hold whole chains."""
        from analysis.kernels.projection import covered_points

        covered = covered_points(positions, self.diameters, self.sides, *self.points)
        along_y = self.axis is not None and abs(self.axis[1]) > abs(self.axis[0])
        lines = 1 - covered.mean(axis=1 if along_y else 0)
        strips = np.array([part.mean() for part in np.array_split(lines, STRIPS)])
        self.clear.append(float(lines.mean()))
        self.clear_parts.append(np.stack([strips, np.ones(STRIPS)], axis=1))
        self.clear_error.append(float(strips.std(ddof=1)) / math.sqrt(STRIPS))

    def _add_distances(self, positions: Floats, chain: Integers) -> None:
        """Count the distances between chain axes of one frame."""
        from analysis.kernels.across import distances_across

        counts = np.zeros((math.prod(self.blocks), self.bins), np.int64)
        members = np.flatnonzero(chain >= 0)
        chain = chain[members]
        block = self._block_of(positions, chain)
        nearest = np.full(len(members), np.inf)
        if self.axis is not None and len(members):
            cells = cells_of(positions[members], self.sides, 1.3 * self.median)
            distances_across(
                cells, chain, block, self.axis, self.window, self.reach, nearest, counts
            )
        found = np.isfinite(nearest)
        near, spread = _of_medians(nearest[found], chain[found], block[found], len(counts))
        self.nearest.append(near)
        self.spread.append(spread)
        self.unpaired.append(1 - found.sum() / len(members) if len(members) else math.nan)
        histogram, _ = np.histogram(nearest[found], bins=self.edges)
        self.nearest_counts.append(histogram.astype(np.float64))
        self.shell_counts.append(counts.astype(np.float64))
        self.shell_ideal.append(self._ideal_counts(positions[members]))
        self.shell_members.append(np.bincount(block, minlength=len(counts)).astype(np.float64))
        sizes = np.bincount(chain)
        self.links.append(float((sizes**2).sum() / max(1, sizes.sum())))

    def _add_nearest_in_plane(self, positions: Floats, chain: Integers) -> None:
        """Measure the distance to the nearest chain as seen through the film.

        Chains at different heights count as if they stood in one plane; distances are across the
        chains, for chains that stand in any direction of the plane.
        """
        from analysis.kernels.across import distances_across

        lateral = lateral_direction(self.axis)
        members = np.flatnonzero(chain >= 0)
        blocks = math.prod(self.blocks)
        if self.axis is None or len(members) == 0:
            self.seen_through.append(_nothing(blocks))
            return
        along = np.array([0.0, 0.0, 1.0])
        if lateral is not None:
            along = np.array([lateral[1], -lateral[0], 0.0])
        chain = chain[members]
        block = self._block_of(positions, chain)
        cells = cells_of(positions[members] * [1.0, 1.0, 0.0], self.sides, 1.3 * self.median)
        nearest = np.full(len(members), np.inf)
        nothing = np.zeros((blocks, 0), np.int64)
        # Through a thick film the nearest chain is very near: few need to look further.
        for reach in self.reach / 2.0 ** np.arange(DOUBLINGS, -1, -1):
            distances_across(cells, chain, block, along, self.window, reach, nearest, nothing)
        found = np.isfinite(nearest)
        near, _ = _of_medians(nearest[found], chain[found], block[found], blocks)
        self.seen_through.append(near)

    def _ideal_counts(self, points: Floats) -> Floats:
        """Return the counts that chains placed at random in the plane would give, (bins,).

        Heights are spread evenly over the layer that the chains fill, so a lattice keeps the peaks
        that its layers make. For a direction u, pairs are level when
        |dx u_x' + dz u_z| < window, with x' the direction of the chains in the plane; averaged
        over pairs dz and levels, the lateral measure is exact.
        """
        count = len(points)
        edges = self.edges
        if self.axis is None or count < 2:
            return np.zeros(self.bins)
        density = count * (count - 1) / float(self.sides[0] * self.sides[1])
        # n layers one spacing apart fill n spacings of height, their centres n - 1.
        chains = max(2, len(np.unique(np.round(points[:, 2], 12))))
        layer = float(np.ptp(points[:, 2])) * chains / (chains - 1)
        # Differences of two even heights have a triangular law; its quantiles make no noise.
        even = (np.arange(4000) + 0.5) / 4000
        apart = layer * np.sign(even - 0.5) * (1 - np.sqrt(1 - np.abs(2 * even - 1)))
        flat = math.hypot(self.axis[0], self.axis[1])
        if lateral_direction(self.axis) is None:
            rings = math.pi * (edges[1:] ** 2 - edges[:-1] ** 2)
            return density * rings * float((np.abs(apart) < self.window).mean())
        level = self.window * (2 * (np.arange(4000) * GOLDEN % 1.0) - 1)
        forward = (level - apart * self.axis[2]) / flat
        offset = forward * self.axis[2] - apart * flat
        reach = np.sqrt(np.maximum(0.0, edges[None, :] ** 2 - offset[:, None] ** 2))
        lateral = 2 * np.diff(reach, axis=1).mean(axis=0)
        return np.asarray(density * lateral * 2 * self.window / flat)

    def _add_widths(self, positions: Floats, chains: Chains, chain: Integers) -> None:
        """Measure projected widths at particles of chains (of clusters, without directions)."""
        from analysis.kernels.projection import widths

        members = np.flatnonzero(chain >= 0)
        if self.axis is None:
            members = np.flatnonzero(chains.cluster_size[chains.cluster] >= SHORTEST_CHAIN)
        chosen = members[:: max(1, len(members) // WIDTH_SAMPLES)]
        if len(chosen) == 0:
            self.width.append(math.nan)
            self.width_error.append(math.nan)
            return
        order = np.argsort(chains.cluster, kind="stable")
        start = np.concatenate([[0], np.cumsum(chains.cluster_size)])
        lateral = lateral_direction(self.axis)
        directions = [lateral] if lateral is not None else [np.array([1.0, 0]), np.array([0, 1.0])]
        found = np.mean(
            [
                widths(
                    positions, self.diameters, self.sides, order, start, chains.cluster, t, chosen
                )
                for t in directions
            ],
            axis=0,
        )
        mean, error = _mean_by_chain(found, chains.cluster[chosen])
        self.width.append(mean)
        self.width_error.append(error)


def _nothing(blocks: int) -> OfParts:
    """Return a number that a frame does not have."""
    return OfParts(math.nan, math.nan, np.zeros((blocks, 2)))


def _of_medians(
    values: Floats, chain: Integers, block: Integers, blocks: int
) -> tuple[OfParts, OfParts]:
    """Return mean and spread over chains of the median along each chain.

    Chains weigh as many particles as they have. The median passes over the levels where a
    neighbouring chain has a gap and the next but one is met instead. Errors are from the scatter
    between parts of the film, widened by Student's factor: two chains that are each other's
    nearest measure one gap, not two.
    """
    if len(values) == 0:
        return _nothing(blocks), _nothing(blocks)
    order = np.lexsort((values, chain))
    _, first, many = np.unique(chain[order], return_index=True, return_counts=True)
    ranked = values[order]
    medians = 0.5 * (ranked[first + (many - 1) // 2] + ranked[first + many // 2])
    part = block[order][first]
    weights = np.asarray(np.bincount(part, many, blocks), dtype=np.float64)
    excess = weights - weights.mean()
    mean = float(medians @ many) / float(weights.sum())
    spread = math.sqrt(float((medians - mean) ** 2 @ many) / float(weights.sum()))
    sums = np.asarray(np.bincount(part, medians * many, blocks), dtype=np.float64)
    near = over_parts(mean, sums, weights, excess)
    if spread == 0:
        return near, OfParts(0.0, math.nan, np.zeros((blocks, 2)))
    # A spread goes with its square by 1/(2 spread), to first order.
    term = spread + ((medians - mean) ** 2 - spread**2) / (2 * spread)
    sums = np.asarray(np.bincount(part, term * many, blocks), dtype=np.float64)
    return near, over_parts(spread, sums, weights, excess)


def _mean_by_chain(values: Floats, chain: Integers) -> tuple[float, float]:
    """Return the mean over particles and its error from the scatter between chains."""
    from analysis.uncertainty.ratio import ratio

    if len(values) == 0:
        return math.nan, math.nan
    _, inverse = np.unique(chain, return_inverse=True)
    return ratio(np.bincount(inverse, values), np.bincount(inverse))
