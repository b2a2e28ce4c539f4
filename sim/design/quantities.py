"""What can be wished for, declared once: scale, range and the band of its theory."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from analysis.common.arrays import Floats
from analysis.common.odds import BAND_SIGMAS
from sim.outlook.cell.drift import LONGEST
from sim.parameters.values import Expectation, Number, Quantity


@dataclass(frozen=True)
class Wanted:
    """A quantity that can be wished for.

    Attributes
    ----------
    word : str
        What a wish calls it.
    name, meaning : str
        Name, and what it is in words, for page and screen.
    unit : str
        SI unit, "%" for a share, "" for a plain number.
    must : Expectation
        What a bound must be.
    path : str
        Where runs measure it, in measures.json or, for "light." and "response.", in the hand-off;
        empty where it follows from the film alone.
    band : float
        Factor each way within which theory holds in 90 of 100 films.
    has_sign : bool
        Whether it may be zero or below, so that no logarithm can be taken.
    needs_light, needs_times : bool
        Whether it belongs to a wavelength; whether a sampled film has none.
    least, most : float
        Beyond which it is not told, whatever is interpolated.
    """

    word: str
    name: str
    meaning: str
    unit: str
    must: Expectation
    path: str
    band: float
    has_sign: bool = False
    needs_light: bool = False
    needs_times: bool = False
    least: float = -math.inf
    most: float = math.inf

    @property
    def is_known(self) -> bool:
        """Whether it follows from the film without a run."""
        return not self.path

    @property
    def sigma(self) -> float:
        """Standard deviation of theory on the scale of `scaled`."""
        return math.log(self.band) / BAND_SIGMAS


LENGTH = Quantity("length", 1e-9, 1e-3, "100 nm")
DELAY = Quantity("length", -1e-3, 1e-3, "10 nm")
TIME = Quantity("time", 1e-9, 3.2e9, "0.2 ms")

WANTED = (
    Wanted(
        "mean_length", "Mean chain length", "particles in an average chain, single ones included",
        "", Number(1.0, 1e6, 5.0), "chains.mean_length", 2.5, least=1.0,
    ),
    Wanted(
        "spacing", "Distance to the nearest chain",
        "from the axis of a chain to the closest axis beside it",
        "m", LENGTH, "spacing.nearest_neighbour_m", 1.6,
    ),
    Wanted(
        "period", "Repeat distance across the chains",
        "from the peak of the structure factor: what light meets as a grating",
        "m", LENGTH, "spacing.structure_factor_m", 1.6,
    ),
    Wanted(
        "retardance", "Retardance",
        "by which light polarised along the chains falls behind that polarised across them",
        "m", DELAY, "light.retardance_m", 2.0, has_sign=True, needs_light=True,
    ),
    Wanted(
        "transmittance", "Light passed",
        "share that absorption leaves of light polarised along the chains",
        "%", Number(0.0, 1.0, 0.8, is_open=True), "light.transmittance_along", 1.3,
        needs_light=True,
    ),
    Wanted(
        "on_time", "Response on",
        "10 to 90 % of the change of the birefringence after the field goes on",
        "s", TIME, "response.on_birefringence_s", 6.0, needs_times=True,
    ),
    Wanted(
        "off_time", "Response off",
        "10 to 90 % of the change of the birefringence after the field goes off",
        "s", TIME, "response.off_birefringence_s", 10.0, needs_times=True,
    ),
    Wanted(
        "field", "Field", "largest applied flux density at the patch",
        "T", Quantity("field", 0.0, 1e3, "30 mT"), "", 1.01,
    ),
    Wanted(
        "life", "Life",
        "until a tenth of the particles lie elsewhere than at the start, drawn by the magnets or "
        "sunk by their weight, as chains of the predicted length",
        "s", TIME, "", 1.1, most=LONGEST,
    ),
)  # fmt: skip
"""All of them, in the order of page and tables."""

BY_WORD = {one.word: one for one in WANTED}
UNIT_OF_SIGN = 3.0
"""A quantity with a sign counts from so many times less than its size on."""


@dataclass(frozen=True)
class Scaled:
    """A quantity at a wavelength, on the scale that the search reckons on.

    Attributes
    ----------
    wanted : Wanted
        The quantity.
    wavelength : float or None
        In m, of quantities of light.
    unit_value : float
        What counts as a little of a quantity with a sign, in SI; 0: not told yet.

    Notes
    -----
    The scale is the logarithm, of a share of light that of its absorbance, and asinh(x/unit_value)
    of a quantity with a sign: a relative error of theory or run is an error on the scale. A value
    below its unit has the band of the unit, so that its sign is open.
    """

    wanted: Wanted
    wavelength: float | None = None
    unit_value: float = 0.0

    def of_size(self, size: float) -> Scaled:
        """Return the same where values in SI, as of a bound or by theory, have a size."""
        return replace(self, unit_value=abs(size) / UNIT_OF_SIGN)

    @property
    def label(self) -> str:
        """Word and wavelength."""
        if self.wavelength is None:
            return self.wanted.word
        return f"{self.wanted.word} at {1e9 * self.wavelength:g} nm"

    @property
    def falls(self) -> bool:
        """Whether a larger value is a smaller number on the scale."""
        return self.wanted.unit == "%"

    def scaled(self, values: ArrayLike) -> Floats:
        """Return values in SI on the scale; NaN stays NaN, none or full light is cut."""
        x = np.asarray(values, np.float64)
        if self.wanted.has_sign:
            return np.arcsinh(x / self.unit_value)
        if self.falls:
            return np.log(-np.log(np.clip(x, 1e-12, 1.0 - 1e-9)))
        return np.log(np.maximum(x, 1e-300))

    def in_si(self, scaled: ArrayLike) -> Floats:
        """Return the values in SI of numbers on the scale."""
        y = np.clip(np.asarray(scaled, np.float64), -700.0, 700.0)
        if self.wanted.has_sign:
            return self.unit_value * np.sinh(y)
        found = np.exp(-np.exp(np.minimum(y, 4.0))) if self.falls else np.exp(y)
        return np.clip(found, self.wanted.least, self.wanted.most)

    def scaled_error(self, value: float, error: float) -> float:
        """Return the error on the scale of a value with its error in SI."""
        if self.wanted.has_sign:
            return error / math.hypot(value, self.unit_value)
        if self.falls:
            kept = min(max(value, 1e-12), 1.0 - 1e-9)
            return error / (kept * -math.log(kept))
        return error / max(value, 1e-300)
