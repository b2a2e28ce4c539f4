"""The table [optics] of a parameter file: wavelengths and refractive indices for the hand-off."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, TypeAlias

from sim.parameters.table import Table, default
from sim.parameters.types import OpticsParameters
from sim.parameters.values import Expectation, Number, Quantity, Refused, finite

if TYPE_CHECKING:
    from sim.parameters.table import Reading

__all__ = ["MOST_WAVELENGTHS", "OpticsTable", "check_optics", "optics"]

Pairs: TypeAlias = tuple[tuple[float, float], ...]

MOST_WAVELENGTHS = 20
LARGEST_INDEX = 10.0
"""No material is optically denser, or darker, between 100 nm and 20 um."""

KEYS = tuple(OpticsParameters.__dataclass_fields__)


@dataclass(frozen=True)
class Wavelengths(Expectation):
    """A list of wavelengths, each once."""

    one: Quantity
    about: str

    @property
    def must(self) -> str:
        """The phrase after "must be"."""
        return (
            f"a list of 1 to {MOST_WAVELENGTHS} different wavelengths {self.one.range_text} "
            f'such as ["{self.one.example}", "633 nm"]'
        )

    @property
    def shape(self) -> dict[str, Any]:
        """JSON schema of the raw value."""
        return {
            "type": "array",
            "items": self.one.shape,
            "minItems": 1,
            "maxItems": MOST_WAVELENGTHS,
            "examples": [[self.one.example, "633 nm"]],
        }

    def read(self, value: object) -> tuple[float, ...]:
        """Give the wavelengths in m, in the order of the file."""
        if not isinstance(value, list) or not 1 <= len(value) <= MOST_WAVELENGTHS:
            raise Refused
        found = tuple(float(self.one.read(item)) for item in value)
        if len(set(found)) < len(found):
            raise Refused("which names one twice")
        return found


@dataclass(frozen=True)
class ComplexIndices(Expectation):
    """A pair [n, k], or a list of pairs."""

    about: str

    @property
    def must(self) -> str:
        """The phrase after "must be"."""
        return (
            f"a pair [n, k] with n from 0.01 to {LARGEST_INDEX:g} and k from 0 to "
            f"{LARGEST_INDEX:g} such as [2.35, 0.09], or one pair a wavelength"
        )

    @property
    def shape(self) -> dict[str, Any]:
        """JSON schema of the raw value."""
        number = {"type": "number", "minimum": 0, "maximum": LARGEST_INDEX}
        pair = {"type": "array", "items": number, "minItems": 2, "maxItems": 2}
        pairs = {"type": "array", "items": pair, "minItems": 1, "maxItems": MOST_WAVELENGTHS}
        return {"anyOf": [pair, pairs], "examples": [[2.35, 0.09]]}

    def read(self, value: object) -> Pairs:
        """Give one pair or several."""
        if not isinstance(value, list) or not value:
            raise Refused
        if len(value) > MOST_WAVELENGTHS:
            raise Refused(f"{len(value)} entries (1 to {MOST_WAVELENGTHS} are possible)")
        pairs = value if isinstance(value[0], list) else [value]
        return tuple(self._pair(pair) for pair in pairs)

    def _pair(self, pair: object) -> tuple[float, float]:
        if not isinstance(pair, list) or len(pair) != 2:
            raise Refused
        n, k = finite(pair[0]), finite(pair[1])
        if not (0.01 <= n <= LARGEST_INDEX and 0.0 <= k <= LARGEST_INDEX):
            raise Refused
        return n, k


def _index(example: float, about: str) -> Number:
    return Number(1.0, 4.0, example, about)


class OpticsTable(Table):
    """Light that the film is meant for; changes no simulation."""

    wavelengths: Annotated[
        tuple[float, ...],
        Wavelengths(
            Quantity("length", 100e-9, 20e-6, "532 nm", ""),
            "Vacuum wavelengths of the hand-off and of the far field.",
        ),
    ] = default(["532 nm", "633 nm"])
    carrier_index: Annotated[
        float, _index(1.43, "Refractive index of the liquid; 1.43 is a light oil (from memory).")
    ] = default(1.43)
    shell_index: Annotated[
        float, _index(1.45, "Refractive index of the shells; 1.45 is oleic acid (from memory).")
    ] = default(1.45)
    core_index: Annotated[
        Pairs | None,
        ComplexIndices(
            "Complex refractive index n + ik of the cores; left out, that of magnetite after "
            "Querry (1985) at each wavelength. Published k of magnetite differ several fold.",
        ),
    ] = None
    matrix_index: Annotated[
        float,
        _index(
            1.59,
            "Refractive index of what fills a multicore bead between its cores; 1.59 is "
            "polystyrene (from memory). Other particles have none.",
        ),
    ] = default(1.59)
    outer_index: Annotated[
        float, _index(1.0, "Refractive index of the medium outside the windows; 1 is air.")
    ] = default(1.0)
    numerical_aperture: Annotated[
        float,
        Number(0.01, 4.0, 0.9, "Numerical aperture of what looks at the film."),
    ] = default(0.9)


def optics(reading: Reading) -> OpticsParameters:
    """Give what [optics] says of a faultless file."""
    return OpticsParameters(**{key: reading.get("optics", key) for key in KEYS})


def check_optics(reading: Reading) -> Iterator[str]:
    """Find keys of [optics] that do not go together."""
    if reading.has("optics", "core_index", "wavelengths"):
        pairs, wavelengths = (reading.get("optics", k) for k in ("core_index", "wavelengths"))
        if pairs is not None and len(pairs) not in (1, len(wavelengths)):
            yield (
                "[optics] core_index must be one pair such as [2.35, 0.09], or as many as the "
                f"{len(wavelengths)} wavelengths; received {len(pairs)}."
            )
    if reading.has("optics", "numerical_aperture", "outer_index"):
        aperture, outer = (reading.get("optics", k) for k in ("numerical_aperture", "outer_index"))
        if aperture > outer:
            yield (
                f"[optics] numerical_aperture must be at most outer_index, {outer:g}, such as "
                f"{0.9 * outer:.2g}; received {aperture:g}."
            )
