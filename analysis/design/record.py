"""`design.json` as figures and page read it: quantities, free keys, curves along them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.common.arrays import Floats
from analysis.common.odds import BAND_SIGMAS
from analysis.sweeps.keys import SweptKey
from analysis.uncertainty.number_text import (
    Scale,
    as_float,
    digits_of,
    scale_for,
    with_error,
    with_unit,
)

LONG = 10_000.0
"""Times above so many s are told in the largest of these units that they hold."""
UNITS = (("years", 31_557_600.0), ("weeks", 604_800.0), ("days", 86_400.0), ("hours", 3600.0))


@dataclass(frozen=True)
class Shown:
    """A quantity of a search.

    Attributes
    ----------
    label, name, unit : str
        Its key in design.json, name, and SI unit; "%" for a share.
    least, most : float
        What is wished for; infinite where nothing is.
    is_wished, is_known : bool
        Whether it is wished for; whether it follows from the film without a run.
    """

    label: str
    name: str
    unit: str
    least: float = -math.inf
    most: float = math.inf
    is_wished: bool = False
    is_known: bool = False

    def scale(self, values: Sequence[float] | Floats) -> Scale:
        """Return factor and unit in which values are drawn."""
        if self.unit == "%":
            return Scale(100.0, "%")
        finite = [abs(float(v)) for v in values if math.isfinite(v)]
        middle = float(np.median(finite)) if finite else 0.0
        if self.unit == "s" and middle > LONG:
            unit, seconds = next(one for one in UNITS if middle > one[1])
            return Scale(1 / seconds, unit)
        return scale_for(middle, self.unit) if self.unit else Scale(1.0, "")

    def text(self, value: Any, error: Any = None) -> str:
        """Return a value for a reader, with its error where one is known."""
        number, width = as_float(value), as_float(error)
        if self.unit == "s" and number > LONG:
            scale = self.scale([number])
            return f"{number * scale.factor:.3g} {scale.unit}"
        if math.isfinite(width) and width > 0:
            return with_error(number, width, self.unit)
        return with_unit(number, self.unit, 4 if self.unit == "%" else 3)

    def band(self, expected: dict[str, float]) -> str:
        """Return an expected value with its band that holds 90 of 100 films, rounded to it."""
        ends = [expected[key] for key in ("value", "low", "high")]
        spread = abs(ends[2] - ends[1]) / (2.0 * BAND_SIGMAS)
        if self.is_known or not spread:
            return self.text(ends[0])
        value, low, high = (
            self.text(end)
            if self.unit == "s" and end > LONG
            else with_unit(end, self.unit, digits_of(end, spread))
            for end in ends
        )
        return value if low == high else f"{value} ({low} to {high})"

    def wish(self) -> str:
        """Return what is wished for, "" where nothing is."""
        if math.isfinite(self.least) and math.isfinite(self.most):
            return f"{self.text(self.least)} to {self.text(self.most)}"
        ends = (("at least", self.least), ("at most", self.most))
        return "".join(f"{word} {self.text(end)}" for word, end in ends if math.isfinite(end))


def shown_of(told: dict[str, Any]) -> dict[str, Shown]:
    """Return all quantities of a search by label, those wished for first."""
    wishes = {one["label"]: one for one in told["wishes"]}
    out = {}
    for one in told["quantities"]:
        wish, light = wishes.get(one["label"]), one.get("wavelength_m")
        name = one["name"] + (f" at {1e9 * light:.0f} nm" if light else "")
        ends = (-math.inf, math.inf)
        if wish:
            ends = (
                -math.inf if wish["least"] is None else wish["least"],
                math.inf if wish["most"] is None else wish["most"],
            )
        is_known = one.get("is_known", False)
        out[one["label"]] = Shown(
            one["label"], name, one["unit"], *ends, wish is not None, is_known
        )
    return out


def key_of(free: dict[str, Any]) -> SweptKey:
    """Return a free key with its words and unit."""
    return SweptKey(free["path"], free["unit"])


def words_of(name: str) -> str:
    """Return a name as it stands within a sentence."""
    return f"{name[:1].lower()}{name[1:]}"
