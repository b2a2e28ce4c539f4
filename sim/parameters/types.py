"""What a parameter file says: a frozen class for each table, with its keys, all in `Parameters`.

Values are in SI, energies in kT. Particles, forces and the field have modules of their own beside
this one.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, TypeAlias, get_args

from analysis.common.conventions import (
    BOND_ALIGNMENT,
    BOND_DISTANCE,
    CARRIER_INDEX,
    MATRIX_INDEX,
    NUMERICAL_APERTURE,
    OUTER_INDEX,
    SHELL_INDEX,
    WAVELENGTHS,
)
from analysis.common.core_tables import AUTO, CORE_TABLES
from sim.parameters.compound import ComplexIndices, Lengths, Sides, Wavelengths
from sim.parameters.field_types import FieldParameters, FieldStep
from sim.parameters.force_types import (
    DipoleParameters,
    ElectrostaticParameters,
    GravityParameters,
    MotionParameters,
    PairForces,
    RepulsionParameters,
    VanDerWaalsParameters,
    WindowParameters,
)
from sim.parameters.keys import NEEDED, key
from sim.parameters.particle_types import MOST_PARTICLES, ParticleParameters
from sim.parameters.values import Choice, FileName, Number, Quantity, WholeNumber
from sim.physics.units import format_quantity

if TYPE_CHECKING:
    from sim.magnets.shapes import Magnet

__all__ = [
    "COORDINATE",
    "MOST_PARTICLES",
    "BondParameters",
    "CarrierParameters",
    "CellParameters",
    "DipoleParameters",
    "ElectrostaticParameters",
    "FieldParameters",
    "FieldStep",
    "FilmParameters",
    "GravityParameters",
    "MotionParameters",
    "OpticsParameters",
    "OutputParameters",
    "Parameters",
    "ParticleParameters",
    "RepulsionParameters",
    "RunParameters",
    "StartParameters",
    "VanDerWaalsParameters",
    "WindowParameters",
]

LARGEST_SEED = 2**63 - 1

COORDINATE = Quantity("length", -1.0, 1.0, "5 mm")
"""A coordinate of a magnet or of a place on the cell."""

Precision: TypeAlias = Literal["float32", "float64"]
Dynamics: TypeAlias = Literal["brownian", "langevin", "monte_carlo"]
Start: TypeAlias = Literal["random", "lattice", "file"]


def _index(example: float) -> Number:
    return Number(1.0, 4.0, example)


@dataclass(frozen=True)
class CarrierParameters:
    """The carrier liquid."""

    viscosity: float = key(
        Quantity("viscosity", 1e-5, 1e3, "1.5 mPa s"),
        "Viscosity of the carrier liquid.",
        "1.5 mPa s",
    )
    temperature: float = key(
        Quantity("temperature", 200.0, 500.0, "25 degC"), "Temperature of the film.", "25 degC"
    )
    density: float = key(
        Quantity("density", 100.0, 25e3, "800 kg/m^3"),
        "Mass density of the carrier liquid, for buoyancy.",
        "800 kg/m^3",
    )


@dataclass(frozen=True)
class FilmParameters:
    """The film and the periodic patch of it that is simulated."""

    thickness: float = key(
        Quantity("length", 5e-9, 1e-3, "0.4 um"),
        "Distance between the two windows, more than the largest particle.",
    )
    width: tuple[float, float] | None = key(
        Sides(Quantity("length", 5e-9, 1e-3, "2.0 um")),
        "Sides (x, y) of the periodic patch; one length means a square.",
        None,
    )
    count: int | None = key(
        WholeNumber(1, MOST_PARTICLES, 1900),
        "Number of particles, instead of width; alone, the patch is square.",
        None,
    )


@dataclass(frozen=True)
class RunParameters:
    """How long and how the film is simulated.

    The automatic time step is None.
    """

    duration: float = key(
        Quantity("time", 1e-12, 1e6, "0.2 ms"),
        "Simulated time.",
        NEEDED,
        only=("dynamics", "brownian", "langevin"),
        inside=0.0,
    )
    time_step: float | None = key(
        Quantity("time", 1e-15, 1.0, "2 ns", has_auto=True),
        "Time step; auto takes the longest one that is accurate.",
        "auto",
    )
    precision: Precision = key(
        Choice(get_args(Precision)),
        "Precision of pair arithmetic; the state is float64.",
        "float32",
    )
    seed: int = key(
        WholeNumber(0, LARGEST_SEED, 7), "Seed of all random numbers: same seed, same run.", 1
    )
    dynamics: Dynamics = key(
        Choice(get_args(Dynamics)),
        "brownian: particles have no inertia; langevin: they have their masses, and the step "
        "is far shorter; monte_carlo: no time passes, moves sample the film at rest.",
        "brownian",
    )
    mass_factor: float = key(
        Number(1.0, 1e6, 100.0),
        "Masses are this many times the true ones.",
        1.0,
        only=("dynamics", "langevin"),
    )
    structures: int = key(
        WholeNumber(8, 10_000, 20),
        "Independent structures after which the run ends, once its film is at rest.",
        20,
        only=("dynamics", "monte_carlo"),
    )
    sweeps: int = key(
        WholeNumber(10, 10**9, 20_000),
        "Sweeps after which it ends in any case; a sweep tries to move each particle once.",
        20_000,
        only=("dynamics", "monte_carlo"),
    )
    wall_time: float | None = key(
        Quantity("time", 1.0, 1e7, "10 min", has_auto=True),
        "Time of the clock after which it ends in any case; auto sets no limit.",
        "auto",
        only=("dynamics", "monte_carlo"),
    )

    @property
    def is_sampled(self) -> bool:
        """Whether moves sample the film at rest, so that no time passes: the duration is 0."""
        return self.dynamics == "monte_carlo"


@dataclass(frozen=True)
class OutputParameters:
    """What is kept."""

    frames: int = key(
        WholeNumber(1, 100_000, 200), "Frames kept after the start, evenly spaced.", 200
    )
    cutout: tuple[float, ...] | None = key(
        Lengths(Quantity("length", 5e-9, 1e-3, "3 um"), ("3 um", "3 um", "3 um")),
        "Sides (x, y, z) of a box in the middle of the film. Frames then hold the particles in it "
        "alone, and these are measured; a side as long as the film's is not cut.",
        None,
    )
    states: int = key(
        WholeNumber(1, 1000, 1),
        "Whole states kept beside a cut-out, evenly spaced, the last one at the end.",
        1,
    )
    map_step: float | None = key(
        Quantity("length", 1e-9, 1e-3, "20 nm"),
        "Cells of a map of all particles seen along z, kept with every frame.",
        None,
    )


@dataclass(frozen=True)
class StartParameters:
    """The starting state."""

    kind: Start = key(
        Choice(get_args(Start)),
        "random: particles anywhere without overlap; lattice: on a cubic lattice that fills "
        "the film; both with moments in random directions; file: the end of another run.",
        "random",
    )
    path: str | None = key(
        FileName(1000, "first_chains/run.h5"),
        "Folder or run file to start from.",
        None,
        only=("kind", "file"),
    )


@dataclass(frozen=True)
class BondParameters:
    """When two particles count as bonded in a chain."""

    kind: str = key(
        Choice(("distance", "energy")),
        "Bonded by distance and alignment, or by the dipolar energy of the pair.",
        "distance",
    )
    distance: float = key(
        Number(1.0, 2.0, BOND_DISTANCE),
        "Largest distance in units of the mean diameter of the two.",
        BOND_DISTANCE,
    )
    alignment: float = key(
        Number(-1.0, 1.0, BOND_ALIGNMENT),
        "Least product of the two cosines between moment and pair axis.",
        BOND_ALIGNMENT,
        only=("kind", "distance"),
    )
    energy_kt: float | None = key(
        Quantity("energy", -1000.0, -0.5, "-4 kT", has_auto=True),
        'Largest dipolar energy of a bonded pair; "auto" is half that of the two touching '
        "head to tail, at least 1 kT below zero.",
        "auto",
        name="energy",
        only=("kind", "energy"),
    )


@dataclass(frozen=True)
class CellParameters:
    """The cell over the magnets, of which the film's patch is a small part.

    Its centre is at x = y = 0, the mid-plane of the film at z = 0.
    """

    width: tuple[float, float] = key(
        Sides(Quantity("length", 1e-5, 1.0, "20 mm"), ("20 mm", "20 mm")),
        "Sides (x, y) of the cell; one length means a square. Its centre is at x = y = 0.",
        ["20 mm", "20 mm"],
    )
    place: tuple[float, float] = key(
        Lengths(COORDINATE, ("5 mm", "0 mm")),
        "Where on the cell the patch lies, from the centre (x, y).",
        ["0 mm", "0 mm"],
    )


@dataclass(frozen=True)
class OpticsParameters:
    """Light that the film is meant for; changes no simulation."""

    wavelengths: tuple[float, ...] = key(
        Wavelengths(Quantity("length", 100e-9, 20e-6, "532 nm")),
        "Vacuum wavelengths of the hand-off and of the far field.",
        [format_quantity(light, "length") for light in WAVELENGTHS],
    )
    carrier_index: float = key(
        _index(CARRIER_INDEX),
        "Refractive index of the liquid; 1.43 is a light oil (from memory).",
        CARRIER_INDEX,
    )
    shell_index: float = key(
        _index(SHELL_INDEX),
        "Refractive index of the shells; 1.45 is oleic acid (from memory).",
        SHELL_INDEX,
    )
    core_index: tuple[tuple[float, float], ...] | None = key(
        ComplexIndices(),
        "Complex refractive index n + ik of the cores; left out, that of core_table at each "
        "wavelength.",
        None,
    )
    core_table: str = key(
        Choice((AUTO, *CORE_TABLES)),
        "Published table from which the index of the cores is taken; auto is magnetite-querry for "
        "magnetite and none for custom. Published k of magnetite differ several fold: the page of "
        "optics shows what each table would give.",
        AUTO,
    )
    matrix_index: float = key(
        _index(MATRIX_INDEX),
        "Refractive index of what fills a multicore bead between its cores; 1.59 is "
        "polystyrene (from memory). Other particles have none.",
        MATRIX_INDEX,
    )
    outer_index: float = key(
        _index(OUTER_INDEX),
        "Refractive index of the medium outside the windows; 1 is air.",
        OUTER_INDEX,
    )
    numerical_aperture: float = key(
        Number(0.01, 4.0, NUMERICAL_APERTURE),
        "Numerical aperture of what looks at the film, at most outer_index.",
        NUMERICAL_APERTURE,
    )


@dataclass(frozen=True)
class Parameters(PairForces):
    """Everything a parameter file says, checked, in SI.

    Attributes
    ----------
    title : str
        Heading of reports.
    particles, carrier, film, repulsion, field, dipoles, run, output, start, bonds, windows, motion
        One object a table of the file.
    van_der_waals, electrostatics, gravity
        The same of the forces that a run may add, see `PairForces`; ``optics`` of the light it is
        meant for.
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
    motion: MotionParameters = dataclasses.field(default_factory=MotionParameters)
    gravity: GravityParameters = dataclasses.field(default_factory=GravityParameters)
    optics: OpticsParameters = dataclasses.field(default_factory=OpticsParameters)
    magnets: tuple[Magnet, ...] = ()
    cell: CellParameters = dataclasses.field(default_factory=CellParameters)
    folder: str = ""

    def __repr__(self) -> str:
        return f"<Parameters of {self.name}: {self.title or 'no title'}>"

    def with_seed(self, seed: int | None) -> Parameters:
        """Return the same with another seed; None keeps the file's."""
        if seed is None:
            return self
        return dataclasses.replace(self, run=dataclasses.replace(self.run, seed=seed))
