"""What acts on particles: their keys and values in SI.

Repulsion and dipoles are in every run; the other forces, the drag of the windows and the flow are
off unless the file names them.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import ClassVar, Literal, TypeAlias, get_args, get_type_hints

from sim.parameters.compound import Direction
from sim.parameters.keys import ABSENT, key
from sim.parameters.values import Choice, Number, Quantity, Switch

Repulsion: TypeAlias = Literal["surfactant", "soft_core"]
DipoleSum: TypeAlias = Literal["mesh", "cutoff", "exact"]
Flow: TypeAlias = Literal["none", "hydrodynamic"]


@dataclass(frozen=True)
class RepulsionParameters:
    """What keeps particles apart."""

    kind: Repulsion = key(
        Choice(get_args(Repulsion)), "Law of the repulsion between shells.", "surfactant"
    )
    grafting_density: float = key(
        Quantity("area_density", 1e15, 1e19, "0.3 nm^-2"),
        "Surfactant molecules per core surface.",
        "0.3 nm^-2",
        only=("kind", "surfactant"),
    )
    strength: float = key(
        Quantity("energy", 0.01, 1000.0, "1 kT"),
        "Energy at contact: of soft cores, and of any particle with a window.",
        "1 kT",
    )


@dataclass(frozen=True)
class DipoleParameters:
    """How the dipole forces of all particles are summed."""

    sum: DipoleSum = key(
        Choice(get_args(DipoleSum)),
        "mesh: all pairs and all periodic images to the tolerance; exact: the same to 10 "
        "digits, for small systems; cutoff: pairs within a range alone, approximate.",
        "mesh",
    )
    cutoff_diameters: float = key(
        Number(2.0, 50.0, 6.0),
        "Range of the cutoff sum in median particle diameters.",
        6.0,
        only=("sum", "cutoff"),
    )
    tolerance: float = key(
        Number(1e-8, 0.1, 1e-3),
        "Relative error of field and force.",
        1e-3,
        only=("sum", "mesh", "exact"),
    )


@dataclass(frozen=True)
class VanDerWaalsParameters:
    """Van der Waals attraction of the cores."""

    hamaker: float = key(
        Quantity("energy", 0.0, 250.0, "33 zJ"),
        "Hamaker constant of the cores across the liquid, for iron oxides about 33 to 39 zJ "
        "in water and 9 to 29 zJ in hydrocarbons; 0 leaves the attraction out.",
        "0 zJ",
    )
    smallest_gap: float = key(
        Quantity("length", 0.05e-9, 5e-9, "0.3 nm"),
        "Gap between core surfaces, nearer than which the attraction's energy stays as it is.",
        "0.3 nm",
    )


@dataclass(frozen=True)
class ElectrostaticParameters:
    """Repulsion of charged particles, screened by ions."""

    surface_charge: float = key(
        Quantity("area_density", 0.0, 1e19, "0.05 nm^-2"),
        "Elementary charges per outer surface of a particle; 0 leaves the repulsion out.",
        "0 nm^-2",
    )
    debye_length: float = key(
        Quantity("length", 0.1e-9, 1e-6, "5 nm"),
        "Distance over which ions screen a charge.",
        None,
        inside=1e-8,
    )
    salt: ClassVar[float | None] = key(
        Quantity("concentration", 1e-4, 1e4, "1 mM"),
        "Concentration of salt with single charges, instead of debye_length.",
        None,
        inside=ABSENT,
    )
    permittivity: float = key(
        Number(1.0, 200.0, 78.4), "Relative permittivity of the liquid; 78.4 is water.", 78.4
    )


@dataclass(frozen=True, kw_only=True)
class PairForces:
    """The tables of the pair laws that a run may add; the first key of each is the strength."""

    van_der_waals: VanDerWaalsParameters = dataclasses.field(default_factory=VanDerWaalsParameters)
    electrostatics: ElectrostaticParameters = dataclasses.field(
        default_factory=ElectrostaticParameters
    )


PAIR_FORCES: dict[str, type] = get_type_hints(PairForces)
"""The same, by name."""


@dataclass(frozen=True)
class GravityParameters:
    """Weight of the particles, less buoyancy."""

    acceleration: float = key(
        Quantity("acceleration", 0.0, 1e7, "9.81 m/s^2"),
        "Acceleration of gravity or of a centrifuge; 0 leaves the weight out.",
        "0 m/s^2",
    )
    direction: tuple[float, float, float] = key(
        Direction(),
        "Where things fall; z is across the film, [0, -1, 0] stands a cell upright.",
        [0, 0, -1],
    )


@dataclass(frozen=True)
class WindowParameters:
    """The two windows of the film."""

    hindered_mobility: bool = key(
        Switch(),
        "Whether particles near a window move more slowly, as the liquid makes them.",
        False,
    )


@dataclass(frozen=True)
class MotionParameters:
    """How particles move through the liquid."""

    flow: Flow = key(
        Choice(get_args(Flow)),
        "none: each particle as if it were alone; hydrodynamic: the flow that all stir up between "
        "the windows carries them, as it does in a real film, at many times the cost.",
        "none",
    )

    @property
    def is_stirred(self) -> bool:
        """Whether the flow that particles stir up carries them."""
        return self.flow == "hydrodynamic"
