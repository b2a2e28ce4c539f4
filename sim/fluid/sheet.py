"""The sheet of a bottle, from its TOML file to SI values."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from sim.fluid.curve_files import Curve, CurveError, Spectrum, read_curve, read_spectrum
from sim.fluid.measured import SPECIFIC, Value
from sim.fluid.sheet_tables import FILES, SHEET_TABLES
from sim.parameters.reading import Reading, read_table
from sim.parameters.toml import ParameterError, name_of, parse_toml, read_text
from sim.physics.material import MATERIALS, Material
from sim.physics.shown import show

T = TypeVar("T")

STATED = ("core_diameter", "size_spread", "dead_layer", "shell_thickness")
"""Unknowns that a sheet may state."""

SHEET = "the sheet of a bottle"

AMOUNTS = ("saturation", "susceptibility", "curve", "spectrum", "density")
"""Of these a sheet must give one, or nobody knows how many particles there are."""


@dataclass(frozen=True, eq=False)
class Sheet:
    """What a sheet says, in SI.

    Attributes
    ----------
    title : str
        Heading.
    text : str
        The file as written.
    temperature : float
        In K.
    numbers : dict of Value
        Of the fluid, saturation in A/m, susceptibility, density and viscosity; and of the
        particles what is in `STATED`. Only what the sheet gives.
    curve, spectrum : Curve, Spectrum or None
        Measured curves.
    core : Material
        The cores.
    core_magnetisation, core_density, carrier_viscosity, carrier_density : Value
        With an error of 0 where they are taken as exact.
    shell_density : float
        In kg/m^3.
    viscosity_law : str
        A key of `sim.fluid.suspension.LAWS`.
    material : str
        As a film names it.
    """

    title: str
    text: str
    temperature: float
    numbers: dict[str, Value]
    curve: Curve | None
    spectrum: Spectrum | None
    core: Material
    core_magnetisation: Value
    core_density: Value
    carrier_viscosity: Value
    carrier_density: Value
    shell_density: float
    viscosity_law: str
    material: str

    @property
    def assumptions(self) -> list[str]:
        """What had to be assumed of errors, a sentence each."""
        return [
            f"The sheet gives no error of {name.replace('_', ' ')}: {value.text} is taken."
            for name, value in self.numbers.items()
            if value.is_assumed
        ]


def read_sheet(path: str | os.PathLike[str]) -> Sheet:
    """Read a sheet.

    Parameters
    ----------
    path : str or path-like
        The file; curves that it names lie beside it.

    Returns
    -------
    Sheet
        What it says, in SI. Whether it contradicts itself, `sim.fluid.contradictions` says.

    Raises
    ------
    ParameterError
        If the file cannot be read or holds mistakes; it lists all of them.
    """
    name = name_of(os.fspath(path))
    text = read_text(Path(path), SHEET)
    raw = parse_toml(text, name, SHEET)
    reading = Reading(raw, tables=SHEET_TABLES)
    values = {
        table: read_table(reading, kind, raw.get(table, {}), f"[{table}]")
        for table, kind in SHEET_TABLES.items()
        if table in raw or table not in FILES
    }
    problems = [*reading.problems, *_outside(raw)]
    sheet = _Made(raw, values, Path(path).parent, problems).sheet(text) if not problems else None
    if sheet is None:
        raise ParameterError(name, problems)
    return sheet


def _outside(raw: Mapping[str, Any]) -> list[str]:
    """Give a sentence for each mistake above and beside the tables."""
    known = ", ".join(("title", *SHEET_TABLES))
    problems = [
        f"{show(word)} is not a known table of a sheet; known: {known}."
        for word in raw
        if word not in ("title", *SHEET_TABLES)
    ]
    if not isinstance(raw.get("title", ""), str):
        problems.append(f"title must be a text; received {show(raw['title'])}.")
    given = {**raw, **(raw["fluid"] if isinstance(raw.get("fluid"), Mapping) else {})}
    if not any(word in given for word in AMOUNTS):
        problems.append(
            "[fluid] must say how much is in the bottle: saturation, susceptibility or density, "
            "or a [curve] or [spectrum]; received none."
        )
    return problems


class _Made:
    """What is made of the values of all tables; sentences on what does not go together."""

    def __init__(
        self, raw: Mapping[str, Any], values: dict[str, Any], folder: Path, problems: list[str]
    ) -> None:
        self.raw, self.values, self.folder, self.problems = raw, values, folder, problems

    def sheet(self, text: str) -> Sheet | None:
        """Give the sheet; None where there are problems."""
        fluid, core, carrier = (self.values[name] for name in ("fluid", "core", "carrier"))
        numbers = {
            name: fluid[name]
            for name in ("saturation", "susceptibility", "density", "viscosity")
            if fluid[name] is not None
        }
        numbers |= {name: core[name] for name in STATED[:3] if core[name] is not None}
        if self.values["surfactant"]["thickness"] is not None:
            numbers["shell_thickness"] = self.values["surfactant"]["thickness"]
        self._per_volume(numbers)
        found = self._core(core)
        density = numbers["density"].value if "density" in numbers else None
        curve = self._file("curve", lambda path, of: read_curve(
            path, of["error"], of["demagnetising_factor"], density))  # fmt: skip
        spectrum = self._file("spectrum", lambda path, of: read_spectrum(path, of["error"]))
        if self.problems or found is None:
            return None
        return Sheet(
            title=self.raw.get("title", ""),
            text=text,
            temperature=fluid["temperature"],
            numbers=numbers,
            curve=curve,
            spectrum=spectrum,
            core=found[0],
            core_magnetisation=found[1],
            core_density=found[2],
            carrier_viscosity=carrier["viscosity"],
            carrier_density=carrier["density"],
            shell_density=self.values["surfactant"]["density"],
            viscosity_law=fluid["viscosity_law"],
            material=core["material"],
        )

    def _per_volume(self, numbers: dict[str, Value]) -> None:
        """Make a saturation per mass one per volume."""
        found = numbers.get("saturation")
        if found is None or found.dimension != SPECIFIC:
            return
        if "density" not in numbers:
            self.problems.append(
                "[fluid] density is missing; a saturation per mass such as "
                f"{show(self.raw['fluid']['saturation'])} needs it."
            )
            return
        numbers["saturation"] = found.times(numbers["density"].value, "fluid_magnetisation")

    def _core(self, core: Mapping[str, Any]) -> tuple[Material, Value, Value] | None:
        """Give the material of the cores, its magnetisation and its density."""
        named = MATERIALS.get(core["material"])
        for name in () if named else ("magnetisation", "density"):
            if core[name] is None:
                self.problems.append(f'[core] {name} is missing; material = "custom" needs it.')
        if named is None and (core["magnetisation"] is None or core["density"] is None):
            return None
        standard = named or MATERIALS["magnetite"]
        density = core["density"] or Value(standard.density, 0.0, "density")
        magnetisation = core["magnetisation"] or Value(standard.magnetisation, 0.0, "magnetisation")
        if magnetisation.dimension == SPECIFIC:
            magnetisation = magnetisation.times(density.value, "magnetisation")
        material = Material(
            magnetisation.value,
            standard.anisotropy if core["anisotropy"] is None else core["anisotropy"],
            standard.attempt_time if core["attempt_time"] is None else core["attempt_time"],
            density.value,
        )
        return material, magnetisation, density

    def _file(self, table: str, read: Callable[[Path, Mapping[str, Any]], T]) -> T | None:
        """Read the curve that a table names."""
        of = self.values.get(table)
        if of is None:
            return None
        try:
            return read(self.folder / of["file"], of)
        except CurveError as error:
            self.problems.append(f"[{table}] file {of['file']} {error}")
            return None
