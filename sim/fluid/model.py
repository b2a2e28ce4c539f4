"""Which fluids may be in the bottle, and how well each fits its sheet.

A fluid is a row of unknowns: the volume fraction of what is magnetic, median and spread of the
cores, dead layer and shell, and, where the sheet gives an error for them, the magnetisation and
density of the cores and viscosity and density of the carrier. All functions take many fluids.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from analysis.common.arrays import Floats
from sim.fluid import magnetisation
from sim.fluid.magnetisation import Cores, Turning
from sim.fluid.measured import Value
from sim.fluid.sheet import Sheet
from sim.fluid.suspension import density, relative_viscosity
from sim.physics.units import format_quantity

MOST_WHOLE = 0.64
"""Volume fraction of random packing: no fluid holds more."""
THINNEST = 0.4
"""No dead layer is thicker than this share of the median core."""
REACH = 4.0
"""Ranges reach this many errors beyond a value that the sheet states."""


def nanometres(length: float, digits: int = 4) -> str:
    """Write a length of a particle in m; all in one unit, so that they can be compared."""
    return f"{1e9 * length:.{digits}g} nm"


def span_text(low: float, high: float, dimension: str, digits: int = 4) -> str:
    """Give a range in words; particles alone have lengths."""
    ends = (
        nanometres(end, digits)
        if dimension == "length"
        else format_quantity(end, dimension, digits)
        for end in (low, high)
    )
    return " to ".join(ends)


@dataclass(frozen=True)
class Unknown:
    """One unknown.

    Attributes
    ----------
    name : str
        Key of [particles], or what else it is.
    words : str
        What it is called in a sentence.
    dimension : str
        A key of `sim.physics.units.DIMENSIONS`.
    low, high : float
        Range in SI within which all values are equally likely before the sheet is read.
    is_logarithmic : bool
        Whether it is the logarithm of which all values are equally likely.
    """

    name: str
    words: str
    dimension: str
    low: float
    high: float
    is_logarithmic: bool = False

    @property
    def ends(self) -> tuple[float, float]:
        """The range in the coordinate that is sampled."""
        return (math.log(self.low), math.log(self.high)) if self.is_logarithmic else (
            self.low, self.high)  # fmt: skip

    @property
    def text(self) -> str:
        """The range in words."""
        span = span_text(self.low, self.high, self.dimension)
        return f"{self.words}: {span}" + (", logarithmic" if self.is_logarithmic else "")


FRACTION = "magnetic_fraction"
MOST_SPREAD = 0.6
_FREE = (
    Unknown(FRACTION, "magnetic volume fraction", "number", 1e-5, 0.3, is_logarithmic=True),
    Unknown("core_diameter", "median core", "length", 3e-9, 40e-9, is_logarithmic=True),
    Unknown("size_spread", "spread", "number", 0.02, MOST_SPREAD),
    Unknown("dead_layer", "dead layer", "length", 0.0, 1.5e-9),
    Unknown("shell_thickness", "shell", "length", 0.5e-9, 5e-9),
)
"""What is sought, with the range of each before the sheet is read."""

MAIN = tuple(one.name for one in _FREE)


@dataclass(frozen=True)
class Fluids:
    """Many fluids in SI: the columns of `Model` by name, each float64 (fluids,)."""

    columns: dict[str, Floats]

    def __getitem__(self, name: str) -> Floats:
        return self.columns[name]


@dataclass(frozen=True, eq=False)
class Model:
    """A sheet, and the fluids that may be behind it.

    Attributes
    ----------
    sheet : Sheet
        What is known.
    """

    sheet: Sheet

    @cached_property
    def unknowns(self) -> tuple[Unknown, ...]:
        """All unknowns: those sought, then what the sheet knows with an error."""
        sheet = self.sheet
        found = []
        for one in _FREE:
            stated = sheet.numbers.get(one.name)
            low, high = one.low, one.high
            if stated is not None and one.name != "size_spread":
                low = min(low, max(stated.value - REACH * stated.error, 0.2 * stated.value))
                high = max(high, stated.value + REACH * stated.error)
            found.append(Unknown(one.name, one.words, one.dimension, low, high, one.is_logarithmic))
        for name, words in _BESIDE.items():
            value = getattr(sheet, name)
            if value.error > 0.0:
                low = max(value.value - REACH * value.error, 0.05 * value.value)
                high = value.value + REACH * value.error
                found.append(Unknown(name, words, value.dimension, low, high))
        return tuple(found)

    @cached_property
    def ends(self) -> Floats:
        """Ranges of the coordinates, float64 (2, unknowns)."""
        return np.array([one.ends for one in self.unknowns]).T

    def draw(self, count: int, rng: np.random.Generator) -> Floats:
        """Draw fluids of which the sheet is not yet read, float64 (count, unknowns)."""
        low, high = self.ends
        found = np.empty((0, low.size))
        while len(found) < count:
            drawn = low + (high - low) * rng.random((2 * count, low.size))
            found = np.concatenate([found, drawn[self.is_possible(drawn)]])
        return found[:count]

    def fluids(self, places: Floats) -> Fluids:
        """Give coordinates float64 (fluids, unknowns) as columns in SI."""
        columns = {
            one.name: np.exp(places[:, k]) if one.is_logarithmic else places[:, k]
            for k, one in enumerate(self.unknowns)
        }
        for name in _BESIDE:
            if name not in columns:
                columns[name] = np.full(len(places), getattr(self.sheet, name).value)
        return Fluids(columns)

    def cores(self, fluids: Fluids, nodes: int = magnetisation.NODES) -> Cores:
        """Give the cores of fluids."""
        fraction, median, spread, dead = (fluids[name] for name in MAIN[:4])
        return Cores.of(fraction, median, spread, dead, fluids["core_magnetisation"], nodes)

    def is_possible(self, places: Floats) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Tell which fluids lie within the ranges, fit into the liquid and have sound cores."""
        low, high = self.ends
        inside = np.all((places >= low) & (places <= high), axis=1)
        fluids = self.fluids(np.clip(places, low, high))
        sound = fluids["dead_layer"] <= THINNEST * fluids["core_diameter"]
        whole = self.cores(fluids).fraction(fluids["shell_thickness"])
        found: np.ndarray[tuple[int], np.dtype[np.bool_]] = inside & sound & (whole <= MOST_WHOLE)
        return found

    def residuals(self, places: Floats) -> Floats:
        """Give how far fluids miss each datum, in its errors.

        Parameters
        ----------
        places : float64 (fluids, unknowns)
            Coordinates.

        Returns
        -------
        float64 (fluids, data)
            In the order of `data`, then curve and spectrum point by point.
        """
        parts = [
            (predicted - value.value)[:, None] / value.error
            for value, predicted in self._numbers(self.fluids(places))
        ]
        parts += [self._curve_residuals(places), self._spectrum_residuals(places)]
        return np.concatenate(parts, axis=1)

    @cached_property
    def data(self) -> tuple[str, ...]:
        """Names of the single numbers among the data."""
        beside = tuple(name for name in _BESIDE if getattr(self.sheet, name).error > 0.0)
        return (*self.sheet.numbers, *beside)

    def log_likelihood(self, places: Floats) -> Floats:
        """Logarithm of the likelihood of each fluid, but for a constant; float64 (fluids,)."""
        found: Floats = -0.5 * np.square(self.residuals(places)).sum(axis=1)
        return found

    def predicted(self, fluids: Fluids) -> dict[str, Floats]:
        """Give what each fluid would show for every number of the sheet, by its name."""
        return dict(zip(self.data, (found for _, found in self._numbers(fluids)), strict=True))

    def _numbers(self, fluids: Fluids) -> Iterator[tuple[Value, Floats]]:
        """Give each number of the sheet with what fluids would show."""
        cores = self.cores(fluids)
        for name in self.data:
            if name in self.sheet.numbers:
                law = _SHOWN.get(name)
                found = law(self.sheet, fluids, cores) if law else fluids[name]
                yield self.sheet.numbers[name], found
            else:
                yield getattr(self.sheet, name), fluids[name]

    def _curve_residuals(self, places: Floats) -> Floats:
        curve = self.sheet.curve
        if curve is None:
            return np.empty((len(places), 0))
        return (self.curve(places, curve.field) - curve.magnetisation) / curve.error

    def curve(self, places: Floats, field: Floats) -> Floats:
        """Magnetisation of fluids in A/m at fields (fields,) in A/m; float64 (fluids, fields)."""
        cores = self.cores(self.fluids(places))
        return magnetisation.magnetisation(cores, field, self.sheet.temperature)

    def spectrum(
        self, places: Floats, frequency: Floats
    ) -> np.ndarray[tuple[int, int], np.dtype[np.complex128]]:
        """Susceptibility of fluids at frequencies in Hz; complex128 (fluids, frequencies)."""
        fluids, sheet = self.fluids(places), self.sheet
        turning = Turning(
            fluids["carrier_viscosity"], sheet.core.anisotropy, sheet.core.attempt_time
        )
        return magnetisation.spectrum(
            self.cores(fluids, magnetisation.SPECTRUM_NODES), fluids["shell_thickness"],
            fluids["core_magnetisation"], turning, frequency, sheet.temperature,
        )  # fmt: skip

    def _spectrum_residuals(self, places: Floats) -> Floats:
        measured = self.sheet.spectrum
        if measured is None:
            return np.empty((len(places), 0))
        found = self.spectrum(places, measured.frequency)
        real, loss = (found.real - measured.real), (-found.imag - measured.loss)
        return np.concatenate([real / measured.error, loss / measured.error], axis=1)


def _susceptibility(sheet: Sheet, _: Fluids, cores: Cores) -> Floats:
    alone = magnetisation.langevin_susceptibility(cores, sheet.temperature)
    found: Floats = magnetisation.with_interactions(alone)
    return found


def _density(sheet: Sheet, fluids: Fluids, cores: Cores) -> Floats:
    found: Floats = density(
        cores.fraction(np.zeros_like(cores.number)),
        cores.fraction(fluids["shell_thickness"]),
        fluids["core_density"],
        sheet.shell_density,
        fluids["carrier_density"],
    )
    return found


def _viscosity(sheet: Sheet, fluids: Fluids, cores: Cores) -> Floats:
    whole = cores.fraction(fluids["shell_thickness"])
    found: Floats = fluids["carrier_viscosity"] * relative_viscosity(whole, sheet.viscosity_law)
    return found


_SHOWN: dict[str, Callable[[Sheet, Fluids, Cores], Floats]] = {
    "saturation": lambda _, __, cores: cores.saturation,
    "susceptibility": _susceptibility,
    "density": _density,
    "viscosity": _viscosity,
}
"""What a fluid shows for the numbers of a sheet that are no unknowns themselves."""

_BESIDE = {
    "core_magnetisation": "magnetisation of the cores",
    "core_density": "density of the cores",
    "carrier_viscosity": "viscosity of the carrier",
    "carrier_density": "density of the carrier",
}
"""What a sheet knows of the materials, exactly or with an error."""
