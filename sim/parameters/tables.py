"""The shape of a parameter file: its tables and keys with ranges, defaults and descriptions.

Only `sim.parameters.load.load` and `json_schema` reach this module, because pydantic is slow to
import. Defaults are written as a user would write them and pass the same checks.
"""

from __future__ import annotations

from typing import Annotated, Any, TypeAlias

from pydantic import Field

from sim.parameters.beads import BeadKeys
from sim.parameters.bonds_table import BondsTable
from sim.parameters.compound import Diameters, Sides
from sim.parameters.field_tables import FieldTable
from sim.parameters.forces import ElectrostaticsTable, GravityTable, VanDerWaalsTable
from sim.parameters.magnet_tables import CellTable, MagnetTable
from sim.parameters.optics_table import OpticsTable
from sim.parameters.table import Table
from sim.parameters.table import default as _default
from sim.parameters.values import (
    Choice,
    Expectation,
    Number,
    Quantity,
    Switch,
    WholeNumber,
    Words,
)

__all__ = [
    "LARGEST_SEED",
    "MAGNETS",
    "MOST_PARTICLES",
    "RANDOM_PACKING",
    "STEPS",
    "TABLES",
    "FileTable",
    "Table",
    "expectation",
]

RANDOM_PACKING = 0.64
"""Volume fraction of randomly packed equal spheres: no suspension is denser."""

MOST_PARTICLES = 10_000_000
LARGEST_SEED = 2**63 - 1

_SIDE = Quantity("length", 5e-9, 1e-3, "2.0 um", "One side of the periodic patch.")

Vector: TypeAlias = tuple[float, float, float]


def _fraction(about: str, note: str, example: float) -> Number:
    return Number(0.0, RANDOM_PACKING, example, about, is_open=True, note=note)


class ParticlesTable(BeadKeys):
    """The magnetic particles and how many there are."""

    material: Annotated[
        str,
        Choice(
            ("magnetite", "custom"),
            "Material of the cores; magnetite is 446 kA/m, 11 kJ/m^3, 1 ns, 5180 kg/m^3, custom "
            "needs magnetisation, anisotropy and density.",
        ),
    ] = _default("magnetite")
    magnetisation: Annotated[
        float | None,
        Quantity(
            "magnetisation",
            1e3,
            2.5e6,
            "446 kA/m",
            "Saturation magnetisation of the cores, instead of that of the material.",
        ),
    ] = None
    anisotropy: Annotated[
        float | None,
        Quantity(
            "energy_density",
            0.0,
            1e7,
            "11 kJ/m^3",
            "Anisotropy constant of the cores, instead of that of the material.",
        ),
    ] = None
    attempt_time: Annotated[
        float | None,
        Quantity("time", 1e-13, 1e-6, "1 ns", "Attempt time of the Neel reversal."),
    ] = None
    density: Annotated[
        float | None,
        Quantity(
            "density",
            500.0,
            25e3,
            "5180 kg/m^3",
            "Mass density of the cores, instead of that of the material.",
        ),
    ] = None
    moment: Annotated[
        str,
        Choice(
            ("blocked", "superparamagnetic", "multicore"),
            "Whether a moment is fixed in its particle and turns with it (blocked), turns inside "
            "it (superparamagnetic), or is that of a bead with many small cores, which the local "
            "field magnetises (multicore).",
        ),
    ] = _default("blocked")
    core_diameter: Annotated[
        float | tuple[tuple[float, float], ...],
        Diameters(
            Quantity("length", 2e-9, 1e-6, "20 nm", ""),
            "Median diameter of the magnetic cores, or that of all small ones (multicore); or a "
            'table of diameters and shares, or { file = "sizes.csv" } with such a pair a line.',
        ),
    ]
    size_basis: Annotated[
        str,
        Choice(
            ("number", "volume"),
            "Whether core_diameter is the median, or its shares count, by number or by volume.",
        ),
    ] = _default("number")
    size_spread: Annotated[
        float,
        Number(
            0.0,
            0.6,
            0.1,
            "Standard deviation of ln(core diameter); the log-normal law is cut at 3 of them.",
        ),
    ] = _default(0.0)
    dead_layer: Annotated[
        float,
        Quantity("length", 0.0, 100e-9, "0.8 nm", "Non-magnetic skin of the cores."),
    ] = _default("0 nm")
    shell_thickness: Annotated[
        float,
        Quantity("length", 0.0, 100e-9, "2 nm", "Thickness of the surfactant shell."),
    ] = _default("2 nm")
    shell_density: Annotated[
        float,
        Quantity("density", 100.0, 25e3, "900 kg/m^3", "Mass density of the shell."),
    ] = _default("900 kg/m^3")
    volume_fraction: Annotated[
        float | None,
        _fraction("Volume fraction of whole particles.", " (random packing)", 0.03),
    ] = None
    core_volume_fraction: Annotated[
        float | None,
        _fraction("Volume fraction of the cores alone.", "", 0.02),
    ] = None
    fluid_saturation: Annotated[
        float | None,
        Quantity("field", 1e-6, 1.0, "5 mT", "Saturation mu0 M of the whole fluid."),
    ] = None


class CarrierTable(Table):
    """The carrier liquid."""

    viscosity: Annotated[
        float,
        Quantity("viscosity", 1e-5, 1e3, "1.5 mPa s", "Viscosity of the carrier liquid."),
    ] = _default("1.5 mPa s")
    temperature: Annotated[
        float,
        Quantity("temperature", 200.0, 500.0, "25 degC", "Temperature of the film."),
    ] = _default("25 degC")
    density: Annotated[
        float,
        Quantity("density", 100.0, 25e3, "800 kg/m^3", "Mass density of the carrier liquid."),
    ] = _default("800 kg/m^3")


class FilmTable(Table):
    """The film and the periodic patch of it that is simulated."""

    thickness: Annotated[
        float,
        Quantity("length", 5e-9, 1e-3, "0.4 um", "Distance between the two windows."),
    ]
    width: Annotated[
        tuple[float, float] | None,
        Sides(_SIDE, "Sides (x, y) of the periodic patch; one length means a square."),
    ] = None
    count: Annotated[
        int | None,
        WholeNumber(1, MOST_PARTICLES, 1900, "Number of particles; alone, the patch is square."),
    ] = None


class RepulsionTable(Table):
    """What keeps particles apart."""

    kind: Annotated[
        str,
        Choice(("surfactant", "soft_core"), "Law of the repulsion between shells."),
    ] = _default("surfactant")
    grafting_density: Annotated[
        float,
        Quantity(
            "area_density",
            1e15,
            1e19,
            "0.3 nm^-2",
            "Surfactant molecules per core surface; used by the kind surfactant.",
        ),
    ] = _default("0.3 nm^-2")
    strength: Annotated[
        str,
        Quantity(
            "energy",
            0.01,
            1000.0,
            "1 kT",
            "Energy at contact: of soft cores, and of any particle with a window.",
            keeps_text=True,
        ),
    ] = _default("1 kT")


class DipolesTable(Table):
    """How the dipole forces of all particles are summed."""

    sum: Annotated[
        str,
        Choice(
            ("mesh", "cutoff", "exact"),
            "mesh: all pairs and all periodic images to the tolerance; exact: the same to 10 "
            "digits, for small systems; cutoff: pairs within a range alone, approximate.",
        ),
    ] = _default("mesh")
    cutoff_diameters: Annotated[
        float,
        Number(2.0, 50.0, 6.0, "Range of the cutoff sum in median particle diameters."),
    ] = _default(6.0)
    tolerance: Annotated[
        float,
        Number(1e-8, 0.1, 1e-3, "Relative error of field and force; used by mesh and exact."),
    ] = _default(1e-3)


class RunTable(Table):
    """How long and how the film is simulated."""

    duration: Annotated[float, Quantity("time", 1e-12, 1e6, "0.2 ms", "Simulated time.")]
    time_step: Annotated[
        float | None,
        Quantity(
            "time",
            1e-15,
            1.0,
            "2 ns",
            "Time step; auto takes the longest one that is accurate.",
            has_auto=True,
        ),
    ] = _default("auto")
    precision: Annotated[
        str,
        Choice(("float32", "float64"), "Precision of pair arithmetic; the state is float64."),
    ] = _default("float32")
    seed: Annotated[
        int,
        WholeNumber(0, LARGEST_SEED, 7, "Seed of all random numbers: same seed, same run."),
    ] = _default(1)
    dynamics: Annotated[
        str,
        Choice(
            ("brownian", "langevin", "monte_carlo"),
            "brownian: particles have no inertia; langevin: they have their masses, and the step "
            "is far shorter; monte_carlo: no time passes, moves sample the film at rest.",
        ),
    ] = _default("brownian")
    mass_factor: Annotated[
        float,
        Number(1.0, 1e6, 100.0, "Masses are this many times the true ones; used by langevin."),
    ] = _default(1.0)
    structures: Annotated[
        int,
        WholeNumber(
            8, 10_000, 20, "Independent structures after which monte_carlo ends, once at rest."
        ),
    ] = _default(20)
    sweeps: Annotated[
        int,
        WholeNumber(
            10,
            10**9,
            20_000,
            "Sweeps after which monte_carlo ends in any case; a sweep tries to "
            "move each particle once.",
        ),
    ] = _default(20_000)
    wall_time: Annotated[
        float | None,
        Quantity(
            "time",
            1.0,
            1e7,
            "10 min",
            "Time of the clock after which monte_carlo ends in any case; auto sets no limit.",
            has_auto=True,
        ),
    ] = _default("auto")


class OutputTable(Table):
    """What is kept."""

    frames: Annotated[
        int,
        WholeNumber(1, 100_000, 200, "Frames kept after the start, evenly spaced."),
    ] = _default(200)


class StartTable(Table):
    """The starting state."""

    kind: Annotated[
        str,
        Choice(
            ("random", "lattice", "file"),
            "random: particles anywhere without overlap; lattice: on a cubic lattice that fills "
            "the film; both with moments in random directions; file: the end of another run.",
        ),
    ] = _default("random")
    path: Annotated[
        str | None,
        Words(1000, "first_chains/run.h5", "Folder or run file that kind file starts from."),
    ] = None


class WindowsTable(Table):
    """The two windows of the film."""

    hindered_mobility: Annotated[
        bool, Switch("Whether particles near a window move more slowly, as the liquid makes them.")
    ] = _default(False)


class FileTable(Table):
    """A parameter file of chainfilm."""

    title: Annotated[
        str,
        Words(200, "curtain film, first chains", "Heading of reports and figures."),
    ] = _default("")
    particles: ParticlesTable = _default({})
    carrier: CarrierTable = _default({})
    film: FilmTable = _default({})
    repulsion: RepulsionTable = _default({})
    field: FieldTable = _default({})
    dipoles: DipolesTable = _default({})
    run: RunTable = _default({})
    output: OutputTable = _default({})
    start: StartTable = _default({})
    bonds: BondsTable = _default({})
    windows: WindowsTable = _default({})
    van_der_waals: VanDerWaalsTable = _default({})
    electrostatics: ElectrostaticsTable = _default({})
    gravity: GravityTable = _default({})
    optics: OpticsTable = _default({})
    cell: CellTable = _default({})
    magnets: list[MagnetTable] = Field(
        default=[], max_length=1000, description="Magnets and coils, instead of [field]."
    )
    sweep: dict[str, Any] = Field(
        default={},
        description="Values to vary, by dotted key, for `chainfilm sweep`; one run ignores it.",
    )


TABLES: dict[str, type[Table]] = {
    "particles": ParticlesTable,
    "carrier": CarrierTable,
    "film": FilmTable,
    "repulsion": RepulsionTable,
    "field": FieldTable,
    "dipoles": DipolesTable,
    "run": RunTable,
    "output": OutputTable,
    "start": StartTable,
    "bonds": BondsTable,
    "windows": WindowsTable,
    "van_der_waals": VanDerWaalsTable,
    "electrostatics": ElectrostaticsTable,
    "gravity": GravityTable,
    "optics": OpticsTable,
    "cell": CellTable,
}
"""The tables of a file, by name."""

STEPS = ("field", "steps")
"""Where the field programme stands in a file."""

MAGNETS = ("magnets",)
"""Where the magnets stand."""


def expectation(table: type[Table], key: str) -> Expectation | None:
    """Find what a key must be.

    Parameters
    ----------
    table : type of Table
        The table.
    key : str
        One of its keys.

    Returns
    -------
    Expectation or None
        None for keys that hold tables.
    """
    for item in table.model_fields[key].metadata:
        if isinstance(item, Expectation):
            return item
    return None
