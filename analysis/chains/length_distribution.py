"""Share of chains of each length beside the geometric law of the same mean."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from analysis.chains.series import ChainSeries
from analysis.chains.theory import chain_length_law
from analysis.common import file_names
from analysis.common.arrays import Floats
from analysis.files.curve import Curve, Table
from analysis.trajectory.stages import Stage
from analysis.uncertainty.estimate import estimate


@dataclass(frozen=True)
class ChainLengths(Curve):
    """Lengths in particles from 1 to the longest, share of chains, its error, geometric law."""

    NAME: ClassVar = "chain_lengths"
    TABLE: ClassVar = Table(file_names.LENGTHS, {"theory": "geometric_law"}, always=True)
    length: NDArray[np.int64]
    fraction_of_chains: Floats
    error: Floats
    theory: Floats

    def seen(self) -> list[dict[str, Any]]:
        """Return the entry ``distribution`` of measures.json: the lengths that occur."""
        columns = zip(self.length, self.fraction_of_chains, self.error, strict=True)
        return [
            {"length": int(n), "fraction_of_chains": float(p), "error": float(e)}
            for n, p, e in columns
            if p > 0
        ]


def length_distribution(
    series: ChainSeries, stage: Stage, structures: float | None
) -> ChainLengths:
    """Return the distribution of lengths over the averaged frames.

    Parameters
    ----------
    series, stage : ChainSeries, Stage
        Lengths of every frame, and which frames count.
    structures : float or None
        How many independent structures these have seen, None where unknown.
    """
    rows = [series.lengths[f] for f in stage.frames if f in series.lengths]
    rows = [r for r in rows if len(r)]
    if not rows:
        nothing = np.zeros(0)
        return ChainLengths(np.zeros(0, np.int64), nothing, nothing, nothing)
    longest = max(int(r.max()) for r in rows)
    counts = np.stack([np.bincount(r, minlength=longest + 1)[1:] for r in rows])
    chains = counts.sum(axis=1, keepdims=True)
    share = counts / chains
    mean = share.mean(axis=0)
    # A length never seen may still have a share of about one in all chains.
    floor = np.maximum(mean, 1 / chains.sum())
    inside = np.sqrt(floor * (1 - np.minimum(floor, 0.5)) / chains.mean())
    errors = [
        estimate(
            share[:, k], within=np.full(len(rows), inside[k]), structures=structures or 1.0
        ).error
        for k in range(longest)
    ]
    error = np.array([math.nan if e is None else e for e in errors])
    length = np.arange(1, longest + 1)
    law = chain_length_law(length, float((length * mean).sum()))
    return ChainLengths(length, mean, error, law)
