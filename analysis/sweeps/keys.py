"""Names and units of swept keys: what stands on an axis and in the head of a table's column."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from analysis.uncertainty.number_text import Scale, scale_for

_WORDS = {
    "field.strength": "Applied field",
    "field.ramp_rate": "Ramp rate of the field",
    "film.thickness": "Film thickness",
    "particles.core_diameter": "Core diameter",
    "particles.bead_diameter": "Bead diameter",
    "particles.magnetic_share": "Magnetic share of a bead",
    "particles.shell_thickness": "Shell thickness",
    "particles.volume_fraction": "Volume fraction",
    "carrier.viscosity": "Viscosity",
    "carrier.temperature": "Temperature",
    "run.duration": "Simulated time",
}

_UNITS = {
    "m": "m",
    "s": "s",
    "T": "T",
    "Pa_s": "Pa s",
    "A_per_m": "A/m",
    "T_per_s": "T/s",
    "Hz": "Hz",
    "A": "A",
    "J_per_m3": "J/m³",
}
"""Units that take a prefix, by the suffix of a column."""

_FIXED_SCALES = {
    "per_m2": Scale(1e-18, "nm⁻²"),
    "rad": Scale(180.0 / math.pi, "°"),
    "K": Scale(1.0, "K"),
    "kg_per_m3": Scale(1.0, "kg/m³"),
}


@dataclass(frozen=True)
class SweptKey:
    """A key that a sweep varies.

    Attributes
    ----------
    key : str
        Dotted path in the parameter file, such as "field.strength".
    suffix : str
        SI unit as the names of columns spell it, "" for plain numbers and words.
    """

    key: str
    suffix: str

    @property
    def column(self) -> str:
        """Name of its column in sweep.csv and summary.csv."""
        return f"{self.key}_{self.suffix}" if self.suffix else self.key

    @property
    def words(self) -> str:
        """Name for a reader: known keys have one, others get it from their path."""
        if self.key in _WORDS:
            return _WORDS[self.key]
        table, _, name = self.key.rpartition(".")
        plain = name.replace("_", " ").capitalize()
        if table.startswith("magnets."):
            return f"{plain}, {_of_magnet(table)}"
        if table.startswith("field.steps."):
            return f"{plain}, field step {table.rpartition('.')[2]}"
        return f"{plain} ({table})" if table else plain

    @property
    def short(self) -> str:
        """Last part of the path as words, for legends."""
        return self.key.rpartition(".")[2].replace("_", " ")

    def scale(self, values: Sequence[Any]) -> Scale:
        """Prefix and unit in which these values are shown; words are left out of it."""
        if self.suffix in _FIXED_SCALES:
            return _FIXED_SCALES[self.suffix]
        numbers = [abs(v) for v in values if isinstance(v, int | float) and math.isfinite(v)]
        if self.suffix not in _UNITS:
            return Scale(1.0, "")
        return scale_for(max(numbers, default=0.0), _UNITS[self.suffix])

    def label(self, values: Sequence[Any]) -> str:
        """Label of an axis over these values."""
        return self.scale(values).label(self.words)

    def shown(self, value: Any, values: Sequence[Any] = (), digits: int = 4) -> str:
        """One value with its unit, in the prefix that suits `values` (by default its own)."""
        if not isinstance(value, int | float):
            return str(value)
        scale = self.scale(list(values) or [value])
        gap = "" if scale.unit in ("", "°") else " "
        rounded = float(f"{value * scale.factor:.{digits}g}")
        return f"{rounded:.4g}{gap}{scale.unit}"


def _of_magnet(table: str) -> str:
    """Name a magnet, its step or a place of it, counted from 1 as messages do."""
    _, number, *inside = table.split(".")
    words = f"magnet {int(number) + 1}"
    if inside[:1] == ["steps"]:
        words += f", step {int(inside[1]) + 1}"
        inside = inside[2:]
    return " ".join([*inside, "of", words] if inside else [words])
