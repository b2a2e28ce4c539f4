"""Numbers as a reader wants them: rounded to their error, with an SI prefix and a unit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from analysis.common.durations import long_unit

NOT_MEASURED = "not measured"
NONE_SEEN = "0 %, none seen"
_PREFIXES = {-15: "f", -12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}
_NEGLIGIBLE = 1e-9  # errors below this share of the value are rounding of the computer


@dataclass(frozen=True)
class Scale:
    """What a value in SI is multiplied by before it is drawn, and the unit it then has.

    Attributes
    ----------
    factor : float
        Number shown = SI value times this factor.
    unit : str
        Unit of the number shown, prefix included, such as "nm".
    """

    factor: float
    unit: str

    def label(self, quantity: str) -> str:
        """Axis label: the quantity, then its unit in brackets (none for plain numbers)."""
        return f"{quantity} ({self.unit})" if self.unit else quantity


def scale_for(largest: float, unit: str) -> Scale:
    """Prefix that brings the largest value of an axis between 1 and 1000.

    Parameters
    ----------
    largest : float
        Largest magnitude to be shown, in the SI unit.
    unit : str
        The SI unit without prefix: "m", "s", "T"; "1/m" gives inverse lengths such as "µm⁻¹".

    Returns
    -------
    Scale
        Factor and prefixed unit; the plain unit where `largest` is zero or not finite.
    """
    inverse = unit.startswith("1/")
    base = unit[2:] if inverse else unit
    if not math.isfinite(largest) or largest == 0.0:
        return Scale(1.0, f"{base}⁻¹" if inverse else base)
    # 1e-12 keeps an exact power of ten, such as 1e-6 m, on its own prefix.
    power = 3 * math.floor(math.log10(abs(largest)) / 3.0 + 1e-12)
    power = min(max(power, -9), 15) if inverse else min(max(power, -15), 9)
    if inverse:
        return Scale(10.0**-power, f"{_PREFIXES[-power]}{base}⁻¹")
    return Scale(10.0**-power, f"{_PREFIXES[power]}{base}")


def measured(numbers: dict[str, Any], section: str, key: str) -> tuple[float, float]:
    """Value and standard error of one measured number, NaN where there is none.

    Parameters
    ----------
    numbers : dict
        Content of measures.json.
    section, key : str
        Where the number stands, such as "chains" and "mean_length".

    Returns
    -------
    tuple of float
        Value and error in SI; (nan, nan) if the number is absent or null.
    """
    block = numbers.get(section)
    return value_and_error(block.get(key) if isinstance(block, dict) else None)


def value_and_error(entry: Any) -> tuple[float, float]:
    """Value and standard error of an entry of measures.json, NaN where there is none."""
    if isinstance(entry, dict):
        return as_float(entry.get("value")), as_float(entry.get("error"))
    return as_float(entry), math.nan


def as_float(value: Any) -> float:
    """Finite float, or NaN for None, text, booleans and infinities."""
    if value is None or isinstance(value, bool | str | list | dict | tuple):
        return math.nan
    try:
        number = float(value)
    except (TypeError, ValueError):
        return math.nan
    return number if math.isfinite(number) else math.nan


def with_unit(value: float, unit: str = "", digits: int = 3) -> str:
    """Value without error, such as "62.3 nm"; "not measured" for NaN."""
    if not math.isfinite(value):
        return NOT_MEASURED
    if unit in ("", "%", "°"):
        number = value * 100.0 if unit == "%" else value
        gap = "" if unit in ("", "°") else " "
        return f"{_plain(number, digits)}{gap}{unit}"
    scale = _scale(value, unit)
    return f"{_plain(value * scale.factor, digits)} {scale.unit}"


def with_error(value: float, error: float, unit: str = "") -> str:
    """Value and standard error, rounded to the error, such as "62.3 ± 1.4 nm".

    The error keeps two digits where the first is small (below 35 of them), one elsewhere.

    Parameters
    ----------
    value, error : float
        In the SI unit; NaN where missing. An error of zero is printed as it is.
    unit : str
        SI unit without prefix, "" for a plain number, "%" for a share shown in per cent.

    Returns
    -------
    str
        Text for a reader; "not measured" without a value, the words "error unknown" without an
        error, and "none seen" for a share that was zero in every sample, whose error is unknown.
    """
    if not math.isfinite(value):
        return NOT_MEASURED
    if not math.isfinite(error):
        return f"{with_unit(value, unit)} (error unknown)"
    if unit == "%" and abs(value) + abs(error) < _NEGLIGIBLE:
        return NONE_SEEN
    if abs(error) <= _NEGLIGIBLE * abs(value):
        if unit in ("", "°"):
            return f"{with_unit(value)} ± 0{unit}"
        number_text, _, unit_text = with_unit(value, unit).rpartition(" ")
        return f"{number_text} ± 0 {unit_text}"
    factor, shown = 1.0, unit
    if unit == "%":
        factor = 100.0
    elif unit not in ("", "°"):
        scale = _scale(max(abs(value), abs(error)), unit)
        factor, shown = scale.factor, scale.unit
    number, spread = value * factor, abs(error) * factor
    decimals = min(max(-_last_place(spread), 0), 6)
    gap = "" if shown in ("", "°") else " "
    return f"{number:.{decimals}f} ± {spread:.{decimals}f}{gap}{shown}"


def digits_of(value: float, error: float) -> int:
    """Return how many digits of a value its error leaves, at least one; see `with_error`."""
    first = math.floor(math.log10(abs(value))) if value else 0
    return max(first - _last_place(error) + 1, 1)


def _last_place(error: float) -> int:
    """Return the power of ten of the last digit of an error, which has two where it is small."""
    magnitude = math.floor(math.log10(error))
    return magnitude - 1 if error < 3.5 * 10.0**magnitude else magnitude


def _scale(value: float, unit: str) -> Scale:
    """Return the prefix for a value; for a time of two minutes and more minutes to years."""
    found = long_unit(value) if unit == "s" else None
    return scale_for(value, unit) if found is None else Scale(1.0 / found[0], found[1])


def _plain(number: float, digits: int) -> str:
    """Round to `digits`, with a power of ten only where a reader would want one."""
    if number == 0.0:
        return "0"
    magnitude = math.floor(math.log10(abs(number)))
    if -3 <= magnitude < 6:
        decimals = max(digits - 1 - magnitude, 0)
        text = f"{number:.{decimals}f}"
        return text.rstrip("0").rstrip(".") if "." in text else text
    return f"{number / 10.0**magnitude:.{digits - 1}f} × 10{_superscript(magnitude)}"


def _superscript(power: int) -> str:
    """Write an integer as a raised exponent."""
    return str(power).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))
