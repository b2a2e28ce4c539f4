"""What a parameter file says, checked, in SI: a frozen class for each table, all in `Parameters`.

Particles and the field have modules of their own beside this one.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

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
    "Parameters",
    "RepulsionParameters",
    "RunParameters",
    "StartParameters",
    "VanDerWaalsParameters",
    "WindowParameters",
]


@dataclass(frozen=True)
class FieldStep:
    """One step of the field programme.

    Attributes
    ----------
    kind : str
        "hold" keeps the vector; "ramp" goes there in a straight line from the value before (from
        zero at the start); "oscillate" is the vector times cos(2 pi f t + phase), t from the start
        of the step; "rotate" is the vector turned about the axis by 2 pi f t + phase; "follow" is
        what moving magnets make, see `sim.magnets.moving_field`.
    duration : float
        Length of the step in s; a steady field is one endless hold.
    vector : tuple of float
        Applied flux density (B_x, B_y, B_z) in T, held, reached at the end, or at the angle 0; of
        "follow" the largest one.
    frequency : float
        In Hz, of the last three kinds; of "follow" that of a turning field of this size which
        changes as fast as this one does at its fastest.
    phase : float
        In rad, of "oscillate" and "rotate".
    axis : tuple of float
        Unit vector at right angles to the vector, about which "rotate" turns it (right-handed).
    steepest : float
        Largest component of the gradient in T/m, of "follow".
    """

    kind: Literal["hold", "ramp", "oscillate", "rotate", "follow"]
    duration: float
    vector: tuple[float, float, float]
    frequency: float = 0.0
    phase: float = 0.0
    axis: tuple[float, float, float] = (0.0, 0.0, 1.0)
    steepest: float = 0.0

    @property
    def strength(self) -> float:
        """Magnitude of the vector in T."""
        return math.hypot(*self.vector)

    def turning_parts(self) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
        """Return the parts (a, b) in T of a cos(2 pi f t) + b sin(2 pi f t) of the last kinds."""
        (x, y, z), (i, j, k) = self.vector, self.axis
        ahead = (j * z - k * y, k * x - i * z, i * y - j * x)
        if self.kind == "oscillate":
            ahead = (0.0, 0.0, 0.0)
        c, s = math.cos(self.phase), math.sin(self.phase)
        first = tuple(c * a + s * b for a, b in zip(self.vector, ahead, strict=True))
        then = tuple(c * b - s * a for a, b in zip(self.vector, ahead, strict=True))
        return (first[0], first[1], first[2]), (then[0], then[1], then[2])


@dataclass(frozen=True)
class FieldParameters:
    """The applied field outside the film.

    Attributes
    ----------
    steps : tuple of FieldStep
        The programme, at least one step; after the last one its value stays.
    direction : tuple of float
        Unit vector of the largest field; a zero field keeps the direction it was given.
    gradient : tuple of float
        dB_a/dx_b as (xx, yy, zz, xy, xz, yz) in T/m, steady, or that of moving magnets at the
        start; the steps hold in the mid-plane.
    """

    steps: tuple[FieldStep, ...]
    direction: tuple[float, float, float]
    gradient: tuple[float, float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0)

    @property
    def is_followed(self) -> bool:
        """Whether it is the field of magnets that move."""
        return self.steps[0].kind == "follow"

    @property
    def steepest(self) -> float:
        """Largest component of the gradient in T/m, at any time."""
        return max(*map(abs, self.gradient), *(step.steepest for step in self.steps))

    @property
    def largest(self) -> float:
        """Largest strength of the programme in T."""
        return max(step.strength for step in self.steps)

    @property
    def shortest_period(self) -> float:
        """Shortest period in s of a field that oscillates, turns or follows; infinite else."""
        frequency = max(step.frequency for step in self.steps)
        return 1.0 / frequency if frequency > 0.0 else math.inf


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

    ``dynamics`` is "brownian", "langevin" (with inertia) or "monte_carlo" (no time: the duration is
    0); ``mass_factor`` multiplies the masses. A sampled run ends after so many independent
    ``structures``, ``sweeps`` or ``wall_time`` in s (None: no limit).
    """

    duration: float
    time_step: float | None
    precision: Literal["float32", "float64"]
    seed: int
    dynamics: Literal["brownian", "langevin", "monte_carlo"] = "brownian"
    mass_factor: float = 1.0
    structures: int = 20
    sweeps: int = 20_000
    wall_time: float | None = None

    @property
    def is_sampled(self) -> bool:
        """Whether moves sample the film at rest, so that no time passes."""
        return self.dynamics == "monte_carlo"


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
