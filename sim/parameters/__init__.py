"""The parameters of one run, as read from a parameter file.

`load` and `from_text` give a frozen `Parameters` in SI or raise a `ParameterError` that lists every
mistake of the file. On the way a file passes `sim.parameters.toml` (bytes to tables),
`sim.parameters.reading` (each key against `sim.parameters.tables`), `sim.parameters.checks` (keys
against each other) and `sim.parameters.build`. They are imported on use: pydantic is slow to import.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from sim.parameters.cell_types import CellParameters
from sim.parameters.field_types import FieldParameters, FieldStep
from sim.parameters.force_types import (
    ElectrostaticParameters,
    GravityParameters,
    VanDerWaalsParameters,
)
from sim.parameters.optics_types import OpticsParameters
from sim.parameters.particle_types import ParticleParameters

if TYPE_CHECKING:
    from sim.magnets.shapes import Magnet

__all__ = [
    "BondParameters",
    "CarrierParameters",
    "CellParameters",
    "DipoleParameters",
    "ElectrostaticParameters",
    "FieldParameters",
    "FieldStep",
    "FilmParameters",
    "GravityParameters",
    "OpticsParameters",
    "OutputParameters",
    "ParameterError",
    "Parameters",
    "ParticleParameters",
    "RepulsionParameters",
    "RunParameters",
    "StartParameters",
    "VanDerWaalsParameters",
    "WindowParameters",
    "from_text",
    "json_schema",
    "load",
]


MOST_TOLD = 100
"""So many mistakes of a file are told; of the others their number is."""


class ParameterError(ValueError):
    """A parameter file that cannot be used.

    Parameters
    ----------
    name : str
        The file, as messages call it.
    problems : sequence of str
        One sentence a mistake, each naming key, value and allowed range.
    """

    def __init__(self, name: str, problems: Sequence[str]) -> None:
        super().__init__(name, list(problems))
        self.name = name
        self.problems = list(problems)

    def __str__(self) -> str:
        count = len(self.problems)
        head = f"{self.name}: {count} mistake{'' if count == 1 else 's'}"
        told = self.problems[:MOST_TOLD]
        if count > MOST_TOLD:
            told = [*told, f"and {count - MOST_TOLD} more."]
        return "\n  ".join([head, *told])


@dataclass(frozen=True)
class CarrierParameters:
    """The carrier liquid: viscosity in Pa s, temperature in K, mass density in kg/m3."""

    viscosity: float
    temperature: float
    density: float = 800.0


@dataclass(frozen=True)
class FilmParameters:
    """The film.

    Attributes
    ----------
    thickness : float
        Distance of the windows in m.
    width : tuple of float or None
        Sides (W_x, W_y) of the periodic patch in m; None where only the count is given.
    count : int or None
        Number of particles; None where only the width is given. One of the two is always there.
    """

    thickness: float
    width: tuple[float, float] | None
    count: int | None


@dataclass(frozen=True)
class RepulsionParameters:
    """What keeps particles apart: kind, grafting density in 1/m2, soft-core strength in kT."""

    kind: Literal["surfactant", "soft_core"]
    grafting_density: float
    strength: float


@dataclass(frozen=True)
class DipoleParameters:
    """How dipole forces are summed.

    Attributes
    ----------
    sum : str
        "mesh", "cutoff" or "exact".
    cutoff_diameters : float
        Range of the cut-off sum in median steric diameters.
    tolerance : float
        Relative error of field and force of mesh and exact sum.
    """

    sum: Literal["mesh", "cutoff", "exact"]
    cutoff_diameters: float
    tolerance: float


@dataclass(frozen=True)
class RunParameters:
    """The run: duration in s, time step in s (None: automatic), pair precision, seed.

    ``dynamics`` is "brownian" or "langevin" (with inertia); ``mass_factor`` multiplies the masses.
    """

    duration: float
    time_step: float | None
    precision: Literal["float32", "float64"]
    seed: int
    dynamics: Literal["brownian", "langevin"] = "brownian"
    mass_factor: float = 1.0


@dataclass(frozen=True)
class OutputParameters:
    """Number of frames after the start, evenly spaced."""

    frames: int


@dataclass(frozen=True)
class StartParameters:
    """The starting state: its kind, and the run (folder or run file) whose end "file" takes."""

    kind: Literal["random", "lattice", "file"]
    path: str | None = None


@dataclass(frozen=True)
class WindowParameters:
    """The windows: whether they slow the particles near them."""

    hindered_mobility: bool = False


@dataclass(frozen=True)
class BondParameters:
    """When two particles count as bonded.

    Attributes
    ----------
    distance : float
        Largest centre distance in units of the mean diameter of the two.
    alignment : float
        Least value of (u_i . n)(u_j . n).
    kind, energy_kt : str, float or None
        "energy": bonded below this dipolar energy, None for half the contact energy.
    """

    distance: float
    alignment: float
    kind: str = "distance"
    energy_kt: float | None = None


@dataclass(frozen=True)
class Parameters:
    """Everything a parameter file says, checked, in SI.

    Attributes
    ----------
    title : str
        Heading of reports.
    particles, carrier, film, repulsion, field, dipoles, run, output, start, bonds, windows
        One object a table of the file.
    van_der_waals, electrostatics, gravity
        The same of the forces that a run may add; ``optics`` of the light it is meant for.
    magnets, cell
        Magnets and coils, whose field at the place of the patch is then `field`; and the cell.
    sweep : mapping
        The [sweep] table as written, empty where there is none; one run does not use it.
    text : str
        The file as read.
    name : str
        Name of the file.
    notices : tuple of str
        What the reader should know: keys that the chosen kinds do not use, and the like.
    folder : str
        Whole path of the folder of the file, where the files that it names are looked for.
    """

    title: str
    particles: ParticleParameters
    carrier: CarrierParameters
    film: FilmParameters
    repulsion: RepulsionParameters
    field: FieldParameters
    dipoles: DipoleParameters
    run: RunParameters
    output: OutputParameters
    start: StartParameters
    bonds: BondParameters
    sweep: Mapping[str, Any] = dataclasses.field(default_factory=dict)
    text: str = ""
    name: str = ""
    notices: tuple[str, ...] = ()
    windows: WindowParameters = dataclasses.field(default_factory=WindowParameters)
    van_der_waals: VanDerWaalsParameters = dataclasses.field(default_factory=VanDerWaalsParameters)
    electrostatics: ElectrostaticParameters = dataclasses.field(
        default_factory=ElectrostaticParameters
    )
    gravity: GravityParameters = dataclasses.field(default_factory=GravityParameters)
    optics: OpticsParameters = dataclasses.field(default_factory=OpticsParameters)
    magnets: tuple[Magnet, ...] = ()
    cell: CellParameters = dataclasses.field(default_factory=CellParameters)
    folder: str = ""

    def with_seed(self, seed: int | None) -> Parameters:
        """Return the same with another seed; None keeps the file's."""
        if seed is None:
            return self
        return dataclasses.replace(self, run=dataclasses.replace(self.run, seed=seed))


def load(path: str | Path) -> Parameters:
    """Read a parameter file.

    Parameters
    ----------
    path : str or Path
        The file; "-" is standard input, whose paths start from the working folder.

    Returns
    -------
    parameters : Parameters
        Its content, checked, in SI.

    Raises
    ------
    ParameterError
        If the file cannot be read or holds mistakes; it lists all of them.
    """
    from sim.parameters.toml import name_of, read_text

    return from_text(read_text(Path(path)), name_of(path))


def from_text(text: str, name: str = "parameters") -> Parameters:
    """Read the text of a parameter file.

    Parameters
    ----------
    text : str
        TOML text.
    name : str
        The file, as messages call it; its last part becomes `Parameters.name`. Files that the
        text names are looked for in its folder, `Parameters.folder`.

    Returns
    -------
    parameters : Parameters
        Its content, checked, in SI.

    Raises
    ------
    ParameterError
        If the text holds mistakes; it lists all of them.
    """
    from sim.magnets.field_table import with_field_files
    from sim.parameters.build import build
    from sim.parameters.checks import contradictions
    from sim.parameters.reading import read_tables
    from sim.parameters.size_file import with_size_file
    from sim.parameters.toml import parse_toml

    folder = Path(name).parent
    raw, missing = with_size_file(parse_toml(text, name), folder)
    raw, unread = with_field_files(raw, folder)
    if missing or unread:
        raise ParameterError(name, [*missing, *unread])
    reading = read_tables(raw)
    problems = [*reading.problems, *contradictions(reading)]
    if problems:
        raise ParameterError(name, problems)
    found = build(reading, text, Path(name).name)
    # What a file names stands beside it, wherever the program was started.
    path = None if found.start.path is None else str((folder / found.start.path).absolute())
    start = dataclasses.replace(found.start, path=path)
    return dataclasses.replace(found, start=start, folder=str(folder.absolute()))


def json_schema() -> dict[str, Any]:
    """Describe the parameter file for editors.

    Returns
    -------
    dict
        A JSON schema (draft 2020-12) with descriptions, units and examples of every key.
    """
    from sim.parameters.schema import file_schema

    return file_schema()
