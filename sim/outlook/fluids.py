"""What theory says of a film whose fluid is not quite known: the bottle's error beside its own."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.common.arrays import Floats
from sim.outlook.look_ahead import BAND, Outlook

NUMBERS: dict[str, tuple[str, str, Callable[[Outlook], float]]] = {
    "coupling": ("coupling of the median", "number", lambda seen: seen.coupling),
    "coupling_largest_tenth": (
        "coupling of the largest tenth", "number", lambda seen: seen.coupling_tail
    ),
    "volume_fraction": (
        "volume fraction", "number", lambda seen: seen.particles.volume_fraction
    ),
    "predicted_mean_length": (
        "mean chain length", "number", lambda seen: seen.lengths.central
    ),
    "singles_fraction": (
        "share of single particles", "number", lambda seen: seen.lengths.singles_fraction
    ),
    "line_density_spacing_m": (
        "distance of straight single chains", "length", lambda seen: seen.spacing
    ),
    "film_formation_time_s": ("time a film takes", "time", lambda seen: seen.film_time),
}  # fmt: skip
"""Key, words, dimension and source of what is told over all fluids."""


@dataclass(frozen=True)
class OverFluids:
    """A predicted number over all fluids of an ensemble.

    Attributes
    ----------
    words, dimension : str
        What it is, and a key of `sim.physics.units.DIMENSIONS`.
    values : float64 (fluids,)
        Of each, in SI.
    """

    words: str
    dimension: str
    values: Floats

    @property
    def mean(self) -> float:
        """Mean over the fluids."""
        return float(self.values.mean())

    @property
    def bottle(self) -> float:
        """Standard deviation over the fluids: what the bottle leaves open; 0 of a single one."""
        return float(self.values.std(ddof=1)) if self.values.size > 1 else 0.0


@dataclass(frozen=True)
class FluidsOutlook:
    """A film ahead of its run, with each fluid of an ensemble.

    Attributes
    ----------
    numbers : dict of OverFluids
        By the names of `NUMBERS`.
    """

    numbers: dict[str, OverFluids]

    @classmethod
    def of(cls, seen: Sequence[Outlook]) -> FluidsOutlook:
        """Gather what was seen ahead with each fluid."""
        return cls(
            {
                name: OverFluids(words, dimension, np.array([source(one) for one in seen]))
                for name, (words, dimension, source) in NUMBERS.items()
            }
        )

    def length_bands(self) -> dict[str, tuple[float, float]]:
        """Give the bands of the mean length that the law, the bottle, and both leave open.

        Returns
        -------
        dict
            ``law``, ``bottle`` and ``together``, each from low to high. The law is good to a
            factor `BAND` on the excess over single particles, which counts as two standard
            deviations of its logarithm; the bottle's is that between the fluids, on two sides too;
            together they add as squares.
        """
        excess = np.maximum(self.numbers["predicted_mean_length"].values - 1.0, 1e-9)
        middle = self.numbers["predicted_mean_length"].mean - 1.0
        law = math.log(BAND)
        bottle = 2.0 * float(np.log(excess).std(ddof=1)) if excess.size > 1 else 0.0
        spans = {"law": law, "bottle": bottle, "together": math.hypot(law, bottle)}
        return {
            name: (1.0 + middle * math.exp(-span), 1.0 + middle * math.exp(span))
            for name, span in spans.items()
        }
