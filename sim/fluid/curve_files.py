"""Measured curves in CSV files: magnetisation over field, and susceptibility over frequency.

The header names the columns with their units, as in `H (Oe), M (emu/cm^3)`; a third column `error`
has the unit of the second, or its own. Lines that start with # are comments.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from analysis.common.arrays import Floats
from analysis.common.constants import MU0
from analysis.common.errors import InputError
from sim.fluid.measured import SPECIFIC
from sim.parameters.toml import LARGEST_FILE, ParameterError, read_text
from sim.physics.units import UnitError, parse, plain_number

MOST_POINTS = 60
"""Of longer curves neighbouring points are averaged."""
FEWEST_POINTS = 4
MOST_TESLA, MOST_MAGNETISATION = 100.0, 500e3
"""No magnet has a larger mu0 H; no fluid has a larger M, in A/m, as on its sheet."""

_COLUMN = re.compile(r"([A-Za-z_0-9' ]+?)\s*(?:[(\[](.*)[)\]])?")


class CurveError(InputError):
    """A file that holds no such curve; the text is the rest of a sentence on it."""


@dataclass(frozen=True, eq=False)
class Curve:
    """A magnetisation curve.

    Attributes
    ----------
    field, magnetisation, error : float64 (points,)
        H inside the fluid, M and its standard error, all in A/m, by rising field.
    averaged : int
        Points of the file behind each.
    widened : float
        Factor by which `sim.fluid.scatter` has widened the errors.
    """

    field: Floats
    magnetisation: Floats
    error: Floats
    averaged: int
    widened: float = 1.0


@dataclass(frozen=True, eq=False)
class Spectrum:
    """A spectrum of the susceptibility in a weak alternating field.

    Attributes
    ----------
    frequency : float64 (points,)
        In Hz, rising.
    real, loss, error : float64 (points,)
        chi', chi'' and the standard error of both.
    averaged : int
        Points of the file behind each.
    widened : float
        As of `Curve`.
    """

    frequency: Floats
    real: Floats
    loss: Floats
    error: Floats
    averaged: int
    widened: float = 1.0


def read_curve(path: Path, share: float, factor: float, density: float | None) -> Curve:
    """Read a magnetisation curve.

    Parameters
    ----------
    path : Path
        The file, with columns H and M.
    share : float
        Standard error of each point as a share of the largest M, where the file has none.
    factor : float
        Demagnetising factor N of the sample; H inside is that applied less N M.
    density : float or None
        Mass density of the fluid in kg/m^3, for a magnetisation per mass.

    Returns
    -------
    Curve
        Points of both directions of the field are folded into one; those without a field are left
        out.

    Raises
    ------
    CurveError
        If the file holds no such curve.
    """
    columns, units = _read(path, ("H (Oe)", "M (emu/cm^3)"))
    field = columns[0] * _factor(units[0], ("field",), density) / MU0
    kinds = ("fluid_magnetisation", SPECIFIC)
    moment = columns[1] * _factor(units[1], kinds, density)
    error = _errors(columns, units, moment, share, kinds, density)
    _at_most(field * MU0, MOST_TESLA, "mu0 H", "T")
    _at_most(moment / 1e3, MOST_MAGNETISATION / 1e3, "M", "kA/m")
    used = field != 0.0
    sign = np.sign(field[used])
    field, moment, error = field[used] * sign, moment[used] * sign, error[used]
    field = field - factor * moment
    what = "points with a field" + (" (inside the sample, H - N M)" if factor else "")
    _require(field, FEWEST_POINTS, what)
    if moment[np.argmax(field)] <= 0.0:
        raise CurveError("must rise with the field; M at the largest H is not above 0.")
    rows, count = _averaged(np.column_stack([field, moment, error]))
    return Curve(rows[:, 0], rows[:, 1], rows[:, 2], count)


def read_spectrum(path: Path, share: float) -> Spectrum:
    """Read a spectrum of the susceptibility.

    Parameters
    ----------
    path : Path
        The file, with columns frequency, chi_real and chi_loss.
    share : float
        Standard error of each point as a share of the largest chi', where the file has none.

    Returns
    -------
    Spectrum
        By rising frequency.

    Raises
    ------
    CurveError
        If the file holds no such spectrum.
    """
    columns, units = _read(path, ("frequency (kHz)", "chi_real", "chi_loss"))
    frequency = columns[0] * _factor(units[0], ("frequency",), None)
    real, loss = (columns[k] * _factor(units[k], ("susceptibility",), None) for k in (1, 2))
    kinds = ("susceptibility",)
    error = _errors([*columns[:1], real, *columns[3:]], [units[0], units[1], *units[3:]], real,
                    share, kinds, None)  # fmt: skip
    _require(frequency, FEWEST_POINTS, "frequencies above 0")
    rows, count = _averaged(np.column_stack([frequency, real, loss, error]))
    return Spectrum(rows[:, 0], rows[:, 1], rows[:, 2], rows[:, 3], count)


def _require(places: Floats, fewest: int, what: str) -> None:
    if places.size < fewest or not np.all(places > 0.0):
        found = f"{places.size}" + (f" from {places.min():.3g}" if places.size else "")
        raise CurveError(
            f"must hold at least {fewest} {what}, all of them above 0; received {found}."
        )


def _at_most(values: Floats, most: float, what: str, unit: str) -> None:
    largest = float(np.abs(values).max())
    if largest > most:
        raise CurveError(
            f"must hold {what} of at most {most:g} {unit}; received {largest:.3g} {unit}."
        )


def _read(path: Path, example: tuple[str, ...]) -> tuple[list[Floats], list[str]]:
    """Give the columns of a file, and their units."""
    try:
        if path.is_file() and path.stat().st_size > LARGEST_FILE:
            raise CurveError(f"must have at most {LARGEST_FILE // 1000} kB.")
        if not path.is_file():
            raise CurveError("must be a file beside the sheet; there is none.")
        text = read_text(path)
    except (ParameterError, OSError, ValueError) as error:
        if isinstance(error, CurveError):
            raise
        raise CurveError("must be a readable text file (UTF-8).") from error
    lines = [line.strip() for line in text.splitlines()]
    lines = [line for line in lines if line and not line.startswith("#")]
    head = [_COLUMN.fullmatch(cell.strip()) for cell in lines[0].split(",")] if lines else []
    wanted = [word.partition(" ")[0] for word in example]
    names = [one[1].strip() if one else "" for one in head]
    if names[: len(wanted)] != wanted or names[len(wanted) :] not in ([], ["error"]):
        received = repr(lines[0][:60]) if lines else "nothing"
        raise CurveError(
            f"must begin with a header such as {', '.join(example)}; received {received}."
        )
    rows = [_row(number, line, len(names)) for number, line in enumerate(lines[1:], 1)]
    if not rows:
        raise CurveError("must hold rows below its header; received none.")
    return list(np.array(rows).T), [one[2] or "" for one in head if one]


def _row(number: int, line: str, width: int) -> list[float]:
    found = [plain_number(cell) for cell in line.split(",")]
    numbers = [one for one in found if one is not None and np.isfinite(one)]
    if len(numbers) != width or len(found) != width:
        raise CurveError(f"must hold {width} numbers in row {number}; received {line[:60]!r}.")
    return numbers


def _factor(unit: str, dimensions: tuple[str, ...], density: float | None) -> float:
    """Give what one of a unit is in SI, per volume."""
    reason = ""
    for dimension in dimensions:
        try:
            factor = parse(f"1 {unit}".strip(), dimension)
        except UnitError as error:
            reason = reason or error.reason
            continue
        if dimension != SPECIFIC:
            return factor
        if density is None:
            raise CurveError(f"needs [fluid] density, as M is in {unit}, per mass.")
        return factor * density
    raise CurveError(f"must name the unit of each column in its header: {reason}.")


def _errors(
    columns: list[Floats],
    units: list[str],
    values: Floats,
    share: float,
    dimensions: tuple[str, ...],
    density: float | None,
) -> Floats:
    """Give the errors of the second column: those of the last one, or a share of the largest."""
    if len(columns) < 3:
        largest = float(np.abs(values).max())
        if largest == 0.0:
            raise CurveError("must hold values other than 0 in its second column.")
        return np.full(values.shape, share * largest)
    found = columns[-1] * _factor(units[-1] or units[1], dimensions, density)
    if not np.all(found > 0.0):
        raise CurveError("must hold errors above 0.")
    return np.asarray(found)


def _averaged(rows: Floats) -> tuple[Floats, int]:
    """Sort rows by their first column, and average so many neighbours that few enough are left."""
    rows = rows[np.argsort(rows[:, 0], kind="stable")]
    count = -(-len(rows) // MOST_POINTS)
    groups = [rows[k : k + count] for k in range(0, len(rows), count)]
    found = np.array([group.mean(axis=0) for group in groups])
    found[:, -1] /= np.sqrt([len(group) for group in groups])
    return found, count
