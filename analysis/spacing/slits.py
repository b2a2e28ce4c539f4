"""Widths of the clear slits between chains, along straight lines across them.

The film is looked through along z. A slit is a stretch of line that no particle covers; each slit
that begins on a line counts once, whole, so that wide ones are not cut off by the patch.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from analysis.common.averages.student import ONE_SIGMA, student_factor
from analysis.files.curve import Curve
from analysis.spacing.distances import GOLDEN, lateral_direction
from analysis.spacing.parts import OfParts, averaged, over_parts
from analysis.uncertainty.ratio import ratio

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

LINES = (200, 1000)
DISCS = 2_000_000
"""Few lines pass between two particles of a chain, and the widest slits are theirs: many lines are
wanted, as many as look at this number of discs, between the two limits."""
PARTS = (4, 12)
PART_SLITS = 4.0
"""Lines cross the same chains one after the other, and neighbouring slits share a chain: errors
compare strips of the film along the chains, a few mean slits wide, between 4 and 12 of them;
without a direction in the plane, the tiles of as many strips both ways, 2 to 4 each."""

SETS = 4
"""Sets of neighbouring lines: where layers leave a clear line between particles it is clear across
the whole film, which strips along the chains do not show. Few, so that a set is longer than the
chains of most films."""

BINS = 40


@dataclass(frozen=True)
class SlitWidths(Curve):
    """Density of slit widths in 1/m, which integrates to 1, its error, and that of discs at random.

    By the width in m.
    """

    NAME: ClassVar = "slit_widths"
    width_m: Floats
    density_per_m: Floats
    error: Floats
    random_per_m: Floats


@dataclass
class SlitFrames:
    """Slit widths over frames; ``add`` takes one frame.

    Parameters
    ----------
    sides, diameters : (2,) and (N,) arrays
        Patch and steric diameters in m.
    axis : (3,) array or None
        Direction of the chains. For chains that stand along z, or have no direction, lines along
        both sides of the patch count.
    """

    sides: Floats
    diameters: Floats
    axis: Floats | None
    slits: list[Floats] = field(default_factory=list)
    parts: list[Integers] = field(default_factory=list)
    sets: list[Integers] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Choose the parts of the film from the slits of discs at random."""
        lateral = lateral_direction(self.axis)
        room = float(
            np.sqrt(self.sides.prod()) if lateral is None else np.abs(lateral) @ self.sides
        )
        strips = round(room / (PART_SLITS * (self.random_m + float(np.median(self.diameters)))))
        self.strips = int(np.clip(strips, *PARTS)) if lateral is not None else 0
        self.tiles = int(np.clip(strips, 2, 4))

    def add(self, positions: Floats) -> None:
        """Take in one frame: positions (N, 3) in m."""
        from analysis.kernels.slits import gaps_along

        lateral = lateral_direction(self.axis)
        directions = [lateral] if lateral is not None else list(np.eye(2))
        share = self.lines // len(directions)
        begin = np.random.default_rng(len(self.slits)).random()
        found, parts, sets = [], [], []
        for along in directions:
            beside = np.array([along[1], -along[0]])
            length = float(np.abs(along) @ self.sides)
            room = float(np.abs(beside) @ self.sides)
            for line in range(share):
                # Even steps would meet particles of touching rows always at the same places.
                place = (begin + line * GOLDEN) % 1.0
                slits = gaps_along(
                    positions, self.diameters, self.sides, place * room * beside, along, length
                )
                found.append(slits)
                parts.append(self._parts(slits[:, 1] / length, place, along))
                sets.append(np.full(len(slits), int(place * SETS)))
        self.slits.append(np.concatenate(found))
        self.parts.append(np.concatenate(parts))
        self.sets.append(np.concatenate(sets))

    def _parts(self, share: Floats, place: float, along: Floats) -> Integers:
        """Return the part of the film of slits at these shares of a line, (n,)."""
        if self.strips:
            return np.minimum((share * self.strips).astype(np.int64), self.strips - 1)
        own = np.minimum((share * self.tiles).astype(np.int64), self.tiles - 1)
        other = min(int(place * self.tiles), self.tiles - 1)
        return own * self.tiles + other if along[0] == 1.0 else other * self.tiles + own

    @property
    def count(self) -> int:
        """Return the number of parts of the film."""
        return self.strips or self.tiles**2

    @property
    def lines(self) -> int:
        """Return the number of lines over a frame."""
        return int(np.clip(DISCS // len(self.diameters), *LINES))

    @property
    def random_m(self) -> float:
        """Return the mean slit in m between discs at random.

        A line meets discs of the areal density n and the diameter d as a Poisson process of n d a
        length, so slits are exponential (Boolean model; Hall, Introduction to the Theory of
        Coverage Processes, 1988, from memory).
        """
        return float(self.sides[0] * self.sides[1] / self.diameters.sum())

    def numbers(self, structures: float | None) -> dict[str, Any]:
        """Return the entry ``slits``: mean, median and spread of their widths, mean at random."""
        rows = [
            _of_parts(slits, parts, sets, self.count)
            for slits, parts, sets in zip(self.slits, self.parts, self.sets, strict=True)
            if len(slits) > 1
        ]

        mean, median, spread = (
            averaged([row[which] for row in rows], structures).as_dict() for which in range(3)
        )
        return {
            "mean_m": mean,
            "median_m": median,
            "spread_m": spread,
            "random_mean_m": self.random_m,
        }

    def curve(self, structures: float | None) -> SlitWidths:
        """Return the density of slit widths, which integrates to 1, and that at random."""
        pooled = np.concatenate([rows[:, 0] for rows in self.slits]) if self.slits else np.zeros(0)
        if len(pooled) < 2:
            return SlitWidths.empty()
        edges = np.linspace(0.0, float(np.quantile(pooled, 0.995)), BINS + 1)
        step = float(edges[1])
        # A part of all frames together is one member: slits of one chain stay together.
        part = np.concatenate(self.parts)
        bins = np.clip(np.searchsorted(edges, pooled, side="right") - 1, 0, BINS)
        counts = np.zeros((self.count, BINS + 1))
        np.add.at(counts, (part, bins), 1.0)
        every = counts.sum(axis=1)
        counts = counts[every > 0, :BINS]
        every = every[every > 0]
        rows = np.array([ratio(counts[:, b], every) for b in range(BINS)])
        # A few parts make a rough scatter; counts of independent slits are the least. Lines nearer
        # to each other than the diameter of a particle show the same slits.
        lines = float(np.sqrt(self.sides.prod()) / np.median(self.diameters))
        free = len(pooled) / len(self.slits) * min(1.0, lines / self.lines)
        free *= min(len(self.slits), max(1.0, structures or 1.0))
        least = np.sqrt(np.maximum(rows[:, 0], 1 / len(pooled)) / free)
        centre = 0.5 * (edges[1:] + edges[:-1])
        return SlitWidths(
            width_m=centre,
            density_per_m=rows[:, 0] / step,
            error=np.maximum(rows[:, 1], least) / step,
            random_per_m=np.exp(-centre / self.random_m) / self.random_m,
        )


def _of_parts(slits: Floats, parts: Integers, sets: Integers, count: int) -> list[OfParts]:
    """Return mean, median and spread of the slits of one frame.

    The error of the median is that of the share of slits below it, carried through their
    distribution (Woodruff, J. Am. Stat. Assoc. 47, 635, 1952, from memory).
    """
    widths = slits[:, 0]
    many: Floats = np.bincount(parts, minlength=count).astype(np.float64)
    excess = _excess(parts, slits, count)
    sets_factor = student_factor(ONE_SIGMA, SETS - 1.0)
    mean, median = float(widths.mean()), float(np.median(widths))
    spread = float(widths.std())
    near = np.quantile(widths, [0.4, 0.6])
    slope = float(near[1] - near[0]) / 0.2
    # Each number as the mean of something of every slit, to first order.
    terms = [
        (mean, widths, True),
        (median, median + slope * (0.5 - (widths <= median)), False),
        (spread, spread + ((widths - mean) ** 2 - spread**2) / (2 * spread or 1.0), True),
    ]
    out = []
    for value, term, hangs_on_lines in terms:
        sums = np.asarray(np.bincount(parts, term, count), dtype=np.float64)
        found = over_parts(value, sums, many, excess)
        if hangs_on_lines:
            across = ratio(np.bincount(sets, term), np.bincount(sets))[1]
            found = found._replace(error=max(found.error, sets_factor * across))
        out.append(found)
    if not spread > 0:
        out[2] = out[2]._replace(error=math.nan)
    return out


def _excess(parts: Integers, slits: Floats, count: int) -> Floats:
    """Return how many discs lines meet in each part beyond the mean of the film, (count,)."""
    span = np.bincount(parts, slits[:, 2], count)
    discs = np.bincount(parts, slits[:, 3], count)
    return np.asarray(discs - span * (discs.sum() / span.sum()))
