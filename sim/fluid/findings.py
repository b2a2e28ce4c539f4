"""What a sheet tells of its fluid: numbers with intervals, and what it cannot tell, in words."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from analysis.common.arrays import Floats
from sim.fluid.chantrell import Ends, LogNormal, ends_of_curve, from_ends
from sim.fluid.contradictions import contradictions, misfits
from sim.fluid.model import FRACTION, MAIN, Model, span_text
from sim.fluid.posterior import FLUIDS, best_fit, sample
from sim.fluid.scatter import widened
from sim.fluid.sheet import Sheet
from sim.parameters.toml import ParameterError
from sim.physics import material

TIED = 0.7
"""From this correlation on two unknowns make up for each other."""
UNTOLD = 0.8
"""A sheet tells nothing of an unknown that keeps this share of the spread that it had before."""
NOTICED = {
    FRACTION: 0.1, "core_diameter": 0.03, "size_spread": 0.03, "dead_layer": 0.15e-9,
    "shell_thickness": 0.3e-9,
}  # fmt: skip
"""Standard deviations, relative ones of the first two, from which a film is another one."""
STRONG_COUPLING = 2.0
"""Beyond this coupling chains form without a field, which the theory of the curve leaves out."""
BAD_FIT = 1.5
"""A curve that is missed by so many times its errors, on average, is not of this kind."""
TOGETHER = 2.0
"""Neighbouring misses are alike from this correlation on, in its errors for a curve of noise."""

HELP = (
    ("curve", ("size_spread", "core_diameter", "dead_layer"), "a magnetisation curve"),
    ("density", ("dead_layer", FRACTION), "the density"),
    ("viscosity", ("shell_thickness",), "the viscosity"),
    ("spectrum", ("shell_thickness",), "a spectrum of the susceptibility"),
    ("core_diameter", ("core_diameter", "dead_layer"), "a size from a microscope"),
)
"""What a sheet may lack, the unknowns that it would help with, and what it is called."""


@dataclass(frozen=True)
class Number:
    """A number of the fluid.

    Attributes
    ----------
    words : str
        What it is.
    dimension : str
        A key of `sim.physics.units.DIMENSIONS`.
    values : float64 (fluids,)
        In all fluids that fit, in SI.
    """

    words: str
    dimension: str
    values: Floats

    @property
    def mean(self) -> float:
        """Mean of the fluids that fit."""
        return float(self.values.mean())

    @property
    def error(self) -> float:
        """Their standard deviation."""
        return float(self.values.std())

    def interval(self, level: float) -> tuple[float, float]:
        """Give the ends between which a share of them lies, as many below as above."""
        low, high = np.quantile(self.values, [0.5 - 0.5 * level, 0.5 + 0.5 * level])
        return float(low), float(high)


@dataclass(frozen=True, eq=False)
class Findings:
    """What a sheet tells.

    Attributes
    ----------
    model : Model
        The sheet and what was possible before.
    places : float64 (fluids, unknowns)
        Coordinates of equally likely fluids.
    best : float64 (unknowns,)
        Coordinates of the one that fits best.
    """

    model: Model
    places: Floats
    best: Floats

    @cached_property
    def numbers(self) -> dict[str, Number]:
        """Numbers of the fluid by name, those sought first."""
        model, fluids = self.model, self.model.fluids(self.places)
        cores, shell = model.cores(fluids), fluids["shell_thickness"]
        found = {
            one.name: Number(one.words, one.dimension, fluids[one.name]) for one in model.unknowns
        }
        found["core_fraction"] = Number(
            "volume fraction of cores", "number", cores.fraction(np.zeros_like(shell))
        )
        found["whole_fraction"] = Number(
            "volume fraction with shells", "number", cores.fraction(shell)
        )
        found["coupling"] = Number("coupling of the median", "number", self._couplings(0.0))
        found["coupling_by_volume"] = Number(
            "coupling of the median by volume", "number", self._couplings(3.0)
        )
        return found

    def _couplings(self, powers: float) -> Floats:
        """Couplings of particles of the median by number, or that of another power of the size."""
        fluids = self.model.fluids(self.places)
        cores = fluids["core_diameter"] * np.exp(powers * fluids["size_spread"] ** 2)
        magnetic = np.maximum(cores - 2.0 * fluids["dead_layer"], 0.0)
        moments = fluids["core_magnetisation"] * math.pi / 6.0 * magnetic**3
        outer = cores + 2.0 * fluids["shell_thickness"]
        return np.asarray(material.coupling(moments, outer, self.model.sheet.temperature))

    @cached_property
    def correlations(self) -> dict[tuple[str, str], float]:
        """Correlation of each two of the main unknowns, in their coordinates."""
        table: Floats = np.corrcoef(self.places[:, : len(MAIN)].T)  # type: ignore[assignment]
        return {
            (MAIN[a], MAIN[b]): float(table[a, b])
            for a, b in itertools.combinations(range(len(MAIN)), 2)
        }

    @property
    def ends(self) -> Ends | None:
        """Both ends of the curve, where there is one that saturates."""
        curve = self.model.sheet.curve
        found = None if curve is None else ends_of_curve(curve.field, curve.magnetisation)
        return found if found is not None and found.is_saturated else None

    @property
    def log_normal(self) -> LogNormal | None:
        """Sizes from both ends of the curve, or its upper end and the stated susceptibility."""
        ends, sheet = self.ends, self.model.sheet
        stated = sheet.numbers.get("susceptibility")
        if ends is None or (stated is None and ends.susceptibility <= 0.0):
            return None
        known = None if stated is None else stated.value
        return from_ends(ends, sheet.core_magnetisation.value, sheet.temperature, known)

    def untold(self) -> list[str]:
        """Say what the sheet cannot tell, a sentence each."""
        free = [one for one in MAIN if self._width(one) > UNTOLD]
        names = {one.name: one for one in self.model.unknowns}
        told = [
            f"The sheet tells nothing of the {names[one].words}: it may be anything from "
            f"{self._span(one)}.{self._help(one)}"
            for one in free
        ]
        for (a, b), tie in self.correlations.items():
            if abs(tie) < TIED or not (self._is_noticed(a) and self._is_noticed(b)):
                continue
            more, other = names[a].words, names[b].words
            sign = "more" if tie > 0.0 else "less"
            told.append(
                f"The sheet cannot tell {more} from {other} (correlation {tie:.2f}): more of the "
                f"first with {sign} of the second fits as well, {more} from {self._span(a)}, "
                f"{other} from {self._span(b)}; films of both kinds are run."
                f"{self._help(a, b)}"
            )
        return told

    def _width(self, name: str) -> float:
        """Give the standard deviation of an unknown over that before the sheet was read."""
        k = MAIN.index(name)
        low, high = self.model.ends[:, k]
        return float(self.places[:, k].std() * math.sqrt(12.0) / (high - low))

    def _is_noticed(self, name: str) -> bool:
        k = MAIN.index(name)
        return float(self.places[:, k].std()) > NOTICED[name]

    def _span(self, name: str) -> str:
        number = self.numbers[name]
        return span_text(*number.interval(0.95), number.dimension, 2)

    def _help(self, *names: str) -> str:
        """Name what would tell more; "" where nothing is known that the sheet lacks."""
        sheet = self.model.sheet
        for lacking, unknowns, words in HELP:
            has = lacking in sheet.numbers or getattr(sheet, lacking, None) is not None
            if not has and set(names) & set(unknowns):
                return f" It would help to have {words}."
        return ""

    def cautions(self) -> list[str]:
        """Say where the theory behind the numbers is strained, a sentence each."""
        return list(self._cautions())

    def _cautions(self) -> Iterator[str]:
        strong = self.numbers["coupling_by_volume"]
        magnetic = {"susceptibility", "curve", "spectrum"} & self._given()
        if strong.mean > STRONG_COUPLING and magnetic:
            yield (
                f"The coupling of the median by volume is {strong.mean:.2g}: beyond "
                f"{STRONG_COUPLING:g} chains form in the bottle, and its susceptibility is larger "
                "than the theory of the curve (second order) knows; sizes may come out too large."
            )
        sheet = self.model.sheet
        for name, misses in self._misses().items():
            factor: float = getattr(sheet, name).widened
            missed = float(np.sqrt(np.mean(misses**2)))
            if factor > 1.0:
                yield (
                    f"The {name} scatters by {factor:.2g} times its stated errors, which are "
                    "widened by that (the root of chi2 per degree of freedom, of the fluid that "
                    "fits it best)."
                )
                if _hang_together(misses):
                    yield (
                        f"Neighbouring points of the {name} are missed alike, which is no noise: "
                        "sizes of another law, clusters, or a background; intervals are too narrow "
                        "then."
                    )
            if missed > BAD_FIT:
                yield (
                    f"The best fluid misses the {name} by {missed:.2g} times its errors, as the "
                    "numbers of the sheet say otherwise: sizes of another law, clusters, or errors "
                    "that are stated too small; intervals are too narrow then."
                )

    def _given(self) -> set[str]:
        sheet = self.model.sheet
        curves = {name for name in ("curve", "spectrum") if getattr(sheet, name) is not None}
        return curves | set(sheet.numbers)

    def misses(self) -> dict[str, float]:
        """Root mean square deviation of the best fluid from each curve, in its stated errors."""
        sheet = self.model.sheet
        return {
            name: getattr(sheet, name).widened * float(np.sqrt(np.mean(part**2)))
            for name, part in self._misses().items()
        }

    def _misses(self) -> dict[str, Floats]:
        """Deviations of the best fluid from each curve, point by point, in errors as widened."""
        residuals = self.model.residuals(self.best[None, :])[0][len(self.model.data) :]
        curve = self.model.sheet.curve
        count = 0 if curve is None else curve.field.size
        parts = {"curve": residuals[:count], "spectrum": residuals[count:]}
        return {name: part for name, part in parts.items() if part.size}


def _hang_together(misses: Floats) -> bool:
    """Tell whether neighbouring misses are more alike than those of noise."""
    alike = float(misses[1:] @ misses[:-1]) / float(misses @ misses)
    return alike > TOGETHER / math.sqrt(misses.size)


def find(sheet: Sheet, name: str, seed: int, count: int = FLUIDS) -> Findings:
    """Find the fluids that fit a sheet.

    Parameters
    ----------
    sheet : Sheet
        What is known.
    name : str
        The file, as messages call it.
    seed : int
        Of the random numbers.
    count : int
        Fluids to draw.

    Returns
    -------
    Findings
        Equally likely fluids, and the one that fits best.

    Raises
    ------
    sim.parameters.toml.ParameterError
        If the sheet contradicts itself; it lists all that does.
    """
    sheet = widened(sheet)
    if problems := list(contradictions(sheet)):
        raise ParameterError(name, problems)
    model = Model(sheet)
    places = sample(model, np.random.default_rng(seed), count)
    best = best_fit(model, places)
    if problems := list(misfits(model, best)):
        raise ParameterError(name, problems)
    return Findings(model, places, best)
