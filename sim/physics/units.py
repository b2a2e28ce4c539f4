"""Physical constants, unit texts such as "12 nm", and the reduced units of the engine.

A parameter file gives every quantity as a text with its unit. One regular expression splits
number and unit, ``float`` and ``Decimal`` read the number, and a table of each dimension gives the
factor to SI; nothing is evaluated. Flux densities (T, G) and fields (A/m, Oe) meet through
B = mu0 H, which holds in the non-magnetic surroundings of the film.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Decimal

from analysis.common.constants import BOLTZMANN, MU0
from analysis.common.durations import YEAR, long_unit
from analysis.common.errors import InputError
from sim.physics.unit_table import DIMENSIONS, Dimension

__all__ = [
    "DIMENSIONS",
    "Dimension",
    "ReducedUnits",
    "UnitError",
    "duration_text",
    "format_quantity",
    "parse",
    "plain_number",
    "value_and_unit",
    "wall_time_text",
]


LONGEST_TOLD = 1e9 * YEAR
"""Longer times in s are told as this one: rates so small mean never."""
LONGEST_TEXT = 80
"""Longest quantity text that is looked at, in characters."""

_NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,4})?"
_NUMBER_AND_UNIT = re.compile(f"({_NUMBER})(.*)")

# Spellings that mean the same unit; the order matters (degC before deg).
_SPELLINGS = (
    ("\N{MICRO SIGN}", "u"),
    ("\N{GREEK SMALL LETTER MU}", "u"),
    ("\N{DEGREE SIGN}C", "degC"),
    ("\N{DEGREE SIGN}", "deg"),
    ("\N{ANGSTROM SIGN}", "angstrom"),
    ("\N{LATIN CAPITAL LETTER A WITH RING ABOVE}", "angstrom"),
    ("\N{SUPERSCRIPT MINUS}", "^-"),
    ("\N{SUPERSCRIPT TWO}", "^2"),
    ("\N{SUPERSCRIPT THREE}", "^3"),
    ("^-^", "^-"),
    ("\N{MIDDLE DOT}", " "),
    ("\N{DOT OPERATOR}", " "),
    ("*", " "),
)


class UnitError(InputError):
    """A quantity text that cannot be understood.

    Attributes
    ----------
    reason : str
        What is wrong with the text, without the text itself.
    """

    def __init__(self, message: str, reason: str = "") -> None:
        super().__init__(message, reason)
        self.reason = reason

    def __str__(self) -> str:
        return str(self.args[0])


def _error(received: object, dimension: Dimension, reason: str) -> UnitError:
    if isinstance(received, int) and received.bit_length() > 200:
        received = "a huge whole number"  # Python refuses to write out very long ones
    sentence = (
        f'must be {dimension.noun} with its unit such as "{dimension.example}"; '
        f"received {received!r:.60}, {reason}"
    )
    return UnitError(sentence, reason)


def _normalise(unit: str) -> str:
    """Bring the spellings of one unit to the spelling of the tables."""
    for spelling, plain in _SPELLINGS:
        unit = unit.replace(spelling, plain)
    return " ".join(unit.split())


def _accepted(dimension: Dimension) -> str:
    return "(accepted: " + ", ".join(unit for unit in dimension.accepted if unit) + ")"


def _bare_noun(dimension: Dimension) -> str:
    return dimension.noun.split(" ", 1)[1]


def _why_not(written: str, dimension: Dimension) -> str:
    """Say why a unit does not fit a dimension."""
    accepted = _accepted(dimension)
    unit = _normalise(written)
    if not unit:
        return f"a number without a unit {accepted}"
    for other in DIMENSIONS.values():
        if unit in other.units:
            own, foreign = _bare_noun(dimension), _bare_noun(other)
            return f"{unit} is a unit of {foreign}, not of {own} {accepted}"
    return f'"{written.strip()[:20]}" is no unit of {_bare_noun(dimension)} {accepted}'


def plain_number(text: str) -> float | None:
    """Return the number that a text in ASCII digits holds, as `parse` reads it; None for others.

    `float` alone takes digits of other scripts and 3_0 too, which are mostly slips.
    """
    match = _NUMBER_AND_UNIT.fullmatch(text.strip()) if len(text) <= LONGEST_TEXT else None
    return float(match[1]) if match and not match[2] else None


def value_and_unit(text: object, dimension: str) -> tuple[str, str]:
    """Split a quantity text into its number and its unit as the tables spell it.

    Parameters
    ----------
    text : object
        What the file holds; only a text passes.
    dimension : str
        A key of `DIMENSIONS`.

    Returns
    -------
    tuple of str
        The number as written (a finite one) and the unit.

    Raises
    ------
    UnitError
        If the text is no finite number followed by a unit of this dimension.
    """
    kind = DIMENSIONS[dimension]
    if isinstance(text, int | float) and not isinstance(text, bool):
        raise _error(text, kind, f"a number without a unit {_accepted(kind)}")
    if not isinstance(text, str):
        raise _error(text, kind, "which is not a text in quotes")
    match = _NUMBER_AND_UNIT.fullmatch(text.strip()) if len(text) <= LONGEST_TEXT else None
    if match is None:
        raise _error(text, kind, "which is not a plain number followed by a unit")
    number, unit = match[1], _normalise(match[2])
    if unit not in kind.units:
        raise _error(text, kind, _why_not(match[2], kind))
    if not math.isfinite(float(number)):
        raise _error(text, kind, "which is too large for a number")
    return number, unit


def parse(text: object, dimension: str, temperature: float | None = None) -> float:
    """Read a quantity text such as "12 nm".

    Parameters
    ----------
    text : object
        What the file holds; only a text passes.
    dimension : str
        A key of `DIMENSIONS`.
    temperature : float, optional
        Temperature in K, needed for an energy that is not written in kT.

    Returns
    -------
    float
        The quantity in SI; angles in rad, fields as flux density in T, and energies in kT.

    Raises
    ------
    UnitError
        If the text is no finite number followed by a unit of this dimension.
    """
    number, unit = value_and_unit(text, dimension)
    if dimension == "temperature" and unit == "degC":
        return float(Decimal(number) + Decimal("273.15"))
    if dimension == "energy" and unit != "kT":
        return _energy_in_kt(text, number, unit, temperature)
    factor = DIMENSIONS[dimension].units[unit]
    if isinstance(factor, Decimal):
        # The exact product rounds once: "0.4 um" is the float nearest to 4e-7.
        value = float(Decimal(number) * factor)
    else:
        value = float(number) * factor
    if not math.isfinite(value):
        raise _error(text, DIMENSIONS[dimension], "which is too large for a number")
    return value


def _energy_in_kt(text: object, number: str, unit: str, temperature: float | None) -> float:
    if temperature is None:
        raise _error(text, DIMENSIONS["energy"], "which needs a temperature to become kT")
    joules = float(number) * float(DIMENSIONS["energy"].units[unit])
    return joules / (BOLTZMANN * temperature)


def format_quantity(value: float, dimension: str, digits: int = 4) -> str:
    """Write a quantity for a message, such as "12.3 nm".

    Parameters
    ----------
    value : float
        The quantity as `parse` returns it.
    dimension : str
        A key of `DIMENSIONS`.
    digits : int
        Significant digits, at most 4.

    Returns
    -------
    str
        The number with the unit that keeps it between 1 and 1000.
    """
    kind = DIMENSIONS[dimension]
    value = value if digits == 4 else float(f"{value:.{digits}g}")
    chosen = kind.shown[0]
    for unit in kind.shown:
        if abs(float(f"{value / float(kind.units[unit]):.4g}")) >= 1.0:
            chosen = unit
    if value == 0.0:
        chosen = kind.shown[-1]
    return f"{value / float(kind.units[chosen]):.4g} {chosen}".strip()


def duration_text(seconds: float) -> str:
    """Write a time in s of any length, such as "12 us", "3 min" or "3 years"."""
    if seconds > LONGEST_TOLD:
        return "1e9 years and more"
    found = long_unit(seconds)
    if found is None:
        return format_quantity(seconds, "time", 2)
    length, unit = found
    return f"{seconds / length:.3g} {unit}" if length == YEAR else f"{seconds / length:.0f} {unit}"


def wall_time_text(seconds: float) -> str:
    """Write the wall time in s that something takes, such as "7 min"; below half a second "0 s"."""
    return "0 s" if seconds < 0.5 else duration_text(seconds)


def cost_text(seconds: float) -> str:
    """Write the wall time in s that something is to take, as "about 7 min" or "under 1 s"."""
    return "under 1 s" if seconds < 0.5 else f"about {wall_time_text(seconds)}"


@dataclass(frozen=True)
class ReducedUnits:
    """SI values of the units that the engine counts in.

    Moments are counted so that two dipoles have the energy
    [m1.m2 - 3 (m1.n)(m2.n)]/r^3, fields so that a dipole has the energy -m.b.

    Attributes
    ----------
    length_m : float
        Median steric diameter in m.
    energy_j : float
        kT in J.
    time_s : float
        d^2/D0 in s, D0 = kT/(3 pi eta d).
    moment_am2 : float
        sqrt(4 pi d^3 kT/mu0) in A m^2; a median particle has the moment sqrt(lambda).
    field_t : float
        kT over the unit of moment, in T.
    """

    length_m: float
    energy_j: float
    time_s: float
    moment_am2: float
    field_t: float

    @classmethod
    def of(cls, diameter_m: float, viscosity: float, temperature: float) -> ReducedUnits:
        """Derive the units of a film.

        Parameters
        ----------
        diameter_m : float
            Median steric diameter in m.
        viscosity : float
            Viscosity of the carrier in Pa s.
        temperature : float
            Temperature in K.

        Returns
        -------
        ReducedUnits
            The five units.

        Raises
        ------
        ValueError
            If one of the three is not a positive finite number.
        """
        given = {"diameter_m": diameter_m, "viscosity": viscosity, "temperature": temperature}
        for name, value in given.items():
            if not (math.isfinite(value) and value > 0.0):
                raise ValueError(f"{name} must be a positive finite number; received {value}.")
        energy = BOLTZMANN * temperature
        diffusion = energy / (3.0 * math.pi * viscosity * diameter_m)
        moment = math.sqrt(4.0 * math.pi * diameter_m**3 * energy / MU0)
        return cls(diameter_m, energy, diameter_m**2 / diffusion, moment, energy / moment)
