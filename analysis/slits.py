"""Widths of the clear slits between chains, along straight lines across them.

The film is looked through along z. A slit is a stretch of line that no particle covers; each slit
that begins on a line counts once, whole, so that wide ones are not cut off by the patch.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.spacing import lateral_direction
from analysis.uncertainty import estimate, ratio

Floats = NDArray[np.float64]

LINES = 40
STRIPS = 5
"""Neighbouring lines cross the same chains: errors compare so many strips of them."""

BINS = 40


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
    widths: list[Floats] = field(default_factory=list)
    strips: list[list[Floats]] = field(default_factory=list)

    def add(self, positions: Floats) -> None:
        """Take in one frame: positions (N, 3) in m."""
        from analysis.kernels.slits import gaps_along

        lateral = lateral_direction(self.axis)
        directions = [lateral] if lateral is not None else list(np.eye(2))
        share = LINES // len(directions)
        begin = np.random.default_rng(len(self.widths)).random()
        found = []
        for along in directions:
            beside = np.array([along[1], -along[0]])
            length = float(np.abs(along) @ self.sides)
            room = float(np.abs(beside) @ self.sides)
            for line in range(share):
                origin = (line + begin) / share * room * beside
                found.append(
                    gaps_along(positions, self.diameters, self.sides, origin, along, length)
                )
        self.widths.append(np.concatenate(found))
        parts = np.array_split(np.arange(len(found)), STRIPS)
        self.strips.append([np.concatenate([found[k] for k in part]) for part in parts])

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
        mean, median, spread = [], [], []
        for widths, strips in zip(self.widths, self.strips, strict=True):
            if len(widths) < 2:
                continue
            mean.append(ratio([s.sum() for s in strips], [len(s) for s in strips]))
            # As correlated as the mean is; sqrt(pi/2) is the price of a median, sqrt(1/2) that
            # of a spread of bell-shaped widths, 1 covers exponential ones.
            error = mean[-1][1]
            median.append((float(np.median(widths)), math.sqrt(math.pi / 2) * error))
            spread.append((float(widths.std(ddof=1)), error))

        def of(rows: list[tuple[float, float]]) -> dict[str, Any]:
            value, within = np.array(rows).T if rows else np.zeros((2, 0))
            return estimate(value, within=within, structures=structures).as_dict()

        return {
            "mean_m": of(mean),
            "median_m": of(median),
            "spread_m": of(spread),
            "random_mean_m": self.random_m,
        }

    def curve(self, structures: float | None) -> dict[str, Floats]:
        """Return the density of slit widths, which integrates to 1, and that at random."""
        pooled = np.concatenate(self.widths) if self.widths else np.zeros(0)
        if len(pooled) < 2:
            nothing = np.zeros(0)
            return {"width_m": nothing, "density_per_m": nothing, "error": nothing,
                    "random_per_m": nothing}  # fmt: skip
        edges = np.linspace(0.0, float(np.quantile(pooled, 0.995)), BINS + 1)
        step = float(edges[1])
        # Each strip of all frames together is one member: slits of one chain stay together.
        counts = np.array(
            [
                np.histogram(np.concatenate([frame[k] for frame in self.strips]), bins=edges)[0]
                for k in range(STRIPS)
            ]
        )
        every = np.array([sum(len(frame[k]) for frame in self.strips) for k in range(STRIPS)])
        rows = np.array([ratio(counts[:, b], every) for b in range(BINS)])
        # Five strips make a rough scatter; counts of independent slits are the least.
        free = len(pooled) / len(self.widths) * min(len(self.widths), max(1.0, structures or 1.0))
        least = np.sqrt(np.maximum(rows[:, 0], 1 / len(pooled)) / free)
        centre = 0.5 * (edges[1:] + edges[:-1])
        return {
            "width_m": centre,
            "density_per_m": rows[:, 0] / step,
            "error": np.maximum(rows[:, 1], least) / step,
            "random_per_m": np.exp(-centre / self.random_m) / self.random_m,
        }
