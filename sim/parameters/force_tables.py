"""The tables of the forces that a run may add: van der Waals, electrostatics, gravity.

Each force is off while its strength is zero, which is the default.
"""

from __future__ import annotations

from typing import Annotated, TypeAlias

from sim.parameters.compound import Direction
from sim.parameters.table import Table, default
from sim.parameters.values import Number, Quantity

__all__ = ["ElectrostaticsTable", "GravityTable", "VanDerWaalsTable"]

Vector: TypeAlias = tuple[float, float, float]


class VanDerWaalsTable(Table):
    """Van der Waals attraction of the cores."""

    hamaker: Annotated[
        str,
        Quantity(
            "energy",
            0.0,
            250.0,
            "33 zJ",
            "Hamaker constant of the cores across the liquid, for iron oxides about 33 to 39 zJ "
            "in water and 9 to 29 zJ in hydrocarbons; 0 leaves the attraction out.",
            keeps_text=True,
        ),
    ] = default("0 zJ")
    smallest_gap: Annotated[
        float,
        Quantity(
            "length",
            0.05e-9,
            5e-9,
            "0.3 nm",
            "Gap between core surfaces, nearer than which the attraction's energy stays as it is.",
        ),
    ] = default("0.3 nm")


class ElectrostaticsTable(Table):
    """Repulsion of charged particles, screened by ions."""

    surface_charge: Annotated[
        float,
        Quantity(
            "area_density",
            0.0,
            1e19,
            "0.05 nm^-2",
            "Elementary charges per outer surface of a particle; 0 leaves the repulsion out.",
        ),
    ] = default("0 nm^-2")
    debye_length: Annotated[
        float | None,
        Quantity("length", 0.1e-9, 1e-6, "5 nm", "Distance over which ions screen a charge."),
    ] = None
    salt: Annotated[
        float | None,
        Quantity(
            "concentration",
            1e-4,
            1e4,
            "1 mM",
            "Concentration of salt with single charges, instead of debye_length.",
        ),
    ] = None
    permittivity: Annotated[
        float,
        Number(1.0, 200.0, 78.4, "Relative permittivity of the liquid; 78.4 is water."),
    ] = default(78.4)


class GravityTable(Table):
    """Weight of the particles, less buoyancy."""

    acceleration: Annotated[
        float,
        Quantity(
            "acceleration",
            0.0,
            1e7,
            "9.81 m/s^2",
            "Acceleration of gravity or of a centrifuge; 0 leaves the weight out.",
        ),
    ] = default("0 m/s^2")
    direction: Annotated[
        Vector,
        Direction("Where things fall; z is across the film, [0, -1, 0] stands a cell upright."),
    ] = default([0, 0, -1])
