"""What a parameter file says, checked, in SI: one frozen class a table, all of them in `Parameters`.

Particles and the field have modules of their own beside this one.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from sim.parameters.field_types import FieldParameters
from sim.parameters.particle_types import ParticleParameters

if TYPE_CHECKING:
    from sim.magnets.shapes import Magnet

__all__ = [
    "BondParameters",
    "CarrierParameters",
    "CellParameters",
    "DipoleParameters",
    "ElectrostaticParameters",
    "FilmParameters",
    "GravityParameters",
    "OpticsParameters",
    "OutputParameters",
    "Parameters",
    "RepulsionParameters",
    "RunParameters",
    "StartParameters",
    "VanDerWaalsParameters",
    "WindowParameters",
]


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
class VanDerWaalsParameters:
    """Van der Waals attraction of the cores.

    Attributes
    ----------
    hamaker : float
        Hamaker constant across the liquid in kT; 0 means none.
    smallest_gap : float
        Gap between core surfaces in m, nearer than which the energy stays as it is.
    """

    hamaker: float = 0.0
    smallest_gap: float = 0.3e-9


@dataclass(frozen=True)
class ElectrostaticParameters:
    """Screened repulsion of charged particles.

    Attributes
    ----------
    surface_charge : float
        Elementary charges an area of the outer surface, in 1/m2; 0 means none.
    debye_length : float
        Screening length in m.
    permittivity : float
        Relative permittivity of the liquid.
    """

    surface_charge: float = 0.0
    debye_length: float = 1e-8
    permittivity: float = 78.4


@dataclass(frozen=True)
class GravityParameters:
    """Weight: acceleration in m/s2 (0 means none) and the unit vector along which things fall."""

    acceleration: float = 0.0
    direction: tuple[float, float, float] = (0.0, 0.0, -1.0)


@dataclass(frozen=True)
class CellParameters:
    """The cell that holds the film, its centre at x = y = 0 and the film's mid-plane at z = 0.

    Attributes
    ----------
    width : tuple of float
        Sides (x, y) in m.
    place : tuple of float
        Where on the cell the patch lies: (x, y) of its centre in m.
    """

    width: tuple[float, float] = (20e-3, 20e-3)
    place: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class OpticsParameters:
    """Light and refractive indices.

    Attributes
    ----------
    wavelengths : tuple of float
        Vacuum wavelengths in m.
    carrier_index, shell_index, outer_index : float
        Refractive indices of the liquid, of the shells, and of the medium outside the windows.
    core_index : tuple of tuple of float or None
        (n, k) of the cores, one pair, or one a wavelength; None: that of the material.
    matrix_index : float
        Refractive index of what fills a multicore bead between its cores.
    numerical_aperture : float
        Numerical aperture of what looks at the film.
    """

    wavelengths: tuple[float, ...] = (532e-9, 633e-9)
    carrier_index: float = 1.43
    shell_index: float = 1.45
    core_index: tuple[tuple[float, float], ...] | None = None
    matrix_index: float = 1.59
    outer_index: float = 1.0
    numerical_aperture: float = 0.9


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
