"""Tables of the forces that a run may add, and their keys against each other."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated, TypeAlias

from sim.parameters.compound import Direction
from sim.parameters.table import Table, default
from sim.parameters.types import ElectrostaticParameters, GravityParameters, VanDerWaalsParameters
from sim.parameters.values import Number, Quantity
from sim.physics.double_layer import bjerrum_length, debye_length
from sim.physics.units import parse

if TYPE_CHECKING:
    from sim.parameters.table import Reading
    from sim.physics.sizes import Sizes

__all__ = [
    "ElectrostaticsTable",
    "GravityTable",
    "VanDerWaalsTable",
    "check_forces",
    "check_size_table",
    "electrostatics",
    "force_notices",
    "force_range",
    "gravity",
    "van_der_waals",
]


def van_der_waals(reading: Reading) -> VanDerWaalsParameters | None:
    """Give what [van_der_waals] says, or None where a key is mistaken."""
    if not reading.has("van_der_waals", "hamaker", "smallest_gap"):
        return None
    if not reading.has("carrier", "temperature"):
        return None
    temperature = reading.get("carrier", "temperature")
    hamaker = parse(reading.get("van_der_waals", "hamaker"), "energy", temperature)
    return VanDerWaalsParameters(hamaker, reading.get("van_der_waals", "smallest_gap"))


def electrostatics(reading: Reading) -> ElectrostaticParameters | None:
    """Give what [electrostatics] says, or None where a key is mistaken or missing."""
    keys = ("surface_charge", "debye_length", "salt", "permittivity")
    if not reading.has("electrostatics", *keys) or not reading.has("carrier", "temperature"):
        return None
    charge, length, salt, permittivity = (reading.get("electrostatics", key) for key in keys)
    if charge == 0.0:
        return ElectrostaticParameters(permittivity=permittivity)
    if (length is None) == (salt is None):
        return None
    if length is None:
        bjerrum = bjerrum_length(permittivity, reading.get("carrier", "temperature"))
        length = debye_length(salt, bjerrum)
    return ElectrostaticParameters(charge, length, permittivity)


def gravity(reading: Reading) -> GravityParameters:
    """Give what [gravity] says of a faultless file."""
    return GravityParameters(
        reading.get("gravity", "acceleration"), reading.get("gravity", "direction")
    )


def force_range(reading: Reading, law: Sizes) -> float:
    """Distance in m over which the added pair forces act; 0 where they are off or not known."""
    drawn, charged = van_der_waals(reading), electrostatics(reading)
    if drawn is None or charged is None or drawn.hamaker == charged.surface_charge == 0.0:
        return 0.0
    # The laws come with the compiler, which is slow to import.
    from sim.interactions.added import AddedPairs
    from sim.interactions.pairs import Conditions

    tables = {"van_der_waals": drawn, "electrostatics": charged}
    at = Conditions(law.shell_thickness, reading.get("carrier", "temperature"))
    return AddedPairs.of(tables, at).reach(0.5 * law.largest_core + law.shell_thickness)


def check_forces(reading: Reading) -> Iterator[str]:
    """Find keys of the added forces that do not go together."""
    keys = ("surface_charge", "debye_length", "salt")
    if not reading.has("electrostatics", *keys):
        return
    charge, length, salt = (reading.get("electrostatics", key) for key in keys)
    if charge > 0.0 and (length is None) == (salt is None):
        received = "none" if length is None else "both"
        yield (
            '[electrostatics] must give either debye_length such as "5 nm" or salt such as '
            f'"1 mM"; received {received}.'
        )


def check_size_table(reading: Reading) -> Iterator[str]:
    """Find keys that do not go with a table of sizes."""
    if not reading.has("particles", "core_diameter", "size_spread"):
        return
    is_table = not isinstance(reading.get("particles", "core_diameter"), float)
    spread = reading.get("particles", "size_spread")
    if is_table and spread != 0.0:
        yield (
            "[particles] size_spread must be left out where core_diameter is a table of sizes; "
            f"received {spread:g}."
        )


def force_notices(reading: Reading) -> Iterator[str]:
    """Name the keys of forces that are off, because their strength is zero."""
    zero = {
        "van_der_waals": ("hamaker", ("smallest_gap",)),
        "electrostatics": ("surface_charge", ("debye_length", "salt", "permittivity")),
        "gravity": ("acceleration", ("direction",)),
    }
    for table, (strength, others) in zero.items():
        value = reading.get(table, strength)
        is_off = (parse(value, "energy", 300.0) if isinstance(value, str) else value) == 0.0
        for key in reading.given(table, *others):
            if is_off:
                yield f"[{table}] {key} is not used: {strength} is zero, and the force is off."
    if reading.get("field", "gradient") in (None, 0.0) and reading.given(
        "field", "gradient_direction"
    ):
        yield "[field] gradient_direction is not used: there is no gradient along an axis."
    elif not isinstance(reading.get("field", "gradient"), float) and reading.given(
        "field", "gradient_direction"
    ):
        yield "[field] gradient_direction is not used: gradient gives all components."


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
