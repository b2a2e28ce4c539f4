"""The forces that a run may add: their keys against each other."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from sim.parameters.force_types import PAIR_FORCES, ElectrostaticParameters, GravityParameters
from sim.parameters.keys import filled, keys_of
from sim.physics.double_layer import bjerrum_length, debye_length

if TYPE_CHECKING:
    from sim.parameters.reading import Reading
    from sim.physics.sizes import Sizes


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


_COMPUTED = {"electrostatics": electrostatics}
"""How tables are made whose values do not stand in the file as they are."""


def force_range(reading: Reading, law: Sizes) -> tuple[float, str]:
    """Say over which distance in m added pair forces act, and which; 0 where that is not known."""
    tables: dict[str, Any] = {}
    for name, table in PAIR_FORCES.items():
        if not reading.has(name, *keys_of(table)):
            return 0.0, ""
        made = _COMPUTED.get(name)
        tables[name] = made(reading) if made else filled(table, reading.table(name))
    if None in tables.values() or not reading.has("carrier", "temperature"):
        return 0.0, ""
    if all(getattr(tables[name], _strength(name)) == 0.0 for name in PAIR_FORCES):
        return 0.0, ""
    # The laws come with the compiler, which is slow to import.
    from sim.interactions.added import AddedPairs
    from sim.interactions.pairs import Conditions

    at = Conditions(law.shell_thickness, reading.get("carrier", "temperature"))
    added = AddedPairs.of(tables, at)
    return added.reach(0.5 * law.largest_core + law.shell_thickness), added.words


def _strength(name: str) -> str:
    """Return the key of a table of pair forces that switches them off by 0."""
    return next(iter(keys_of(PAIR_FORCES[name])))


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


def check_flow(reading: Reading) -> Iterator[str]:
    """Find what keeps the flow that particles stir up from being there."""
    if not reading.has("motion", "flow") or not reading.has("run", "dynamics"):
        return
    asked = reading.get("motion", "flow"), reading.get("run", "dynamics")
    if asked == ("hydrodynamic", "langevin"):
        yield (
            '[motion] flow must be "none" with [run] dynamics = "langevin": liquid that particles '
            'stir is taken to follow them at once, as they follow forces in dynamics = "brownian"; '
            'received "hydrodynamic".'
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
    for table, kind in {**PAIR_FORCES, "gravity": GravityParameters}.items():
        strength, *others = keys_of(kind)
        for key in reading.given(table, *others):
            if reading.get(table, strength) == 0.0:
                yield f"[{table}] {key} is not used: {strength} is zero, and the force is off."
    if reading.get("field", "gradient") in (None, 0.0) and reading.given(
        "field", "gradient_direction"
    ):
        yield "[field] gradient_direction is not used: there is no gradient along an axis."
    elif not isinstance(reading.get("field", "gradient"), float) and reading.given(
        "field", "gradient_direction"
    ):
        yield "[field] gradient_direction is not used: gradient gives all components."
