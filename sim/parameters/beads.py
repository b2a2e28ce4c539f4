"""Keys of multicore beads, and what they must be to each other."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from sim.physics.beads import LARGEST_SUSCEPTIBILITY, bead_susceptibility
from sim.physics.sizes import Sizes, number_median
from sim.physics.units import format_quantity

if TYPE_CHECKING:
    from sim.parameters.reading import Reading

_KEYS = ("bead_diameter", "magnetic_share")


def is_multicore(reading: Reading) -> bool:
    """Whether the file asks for multicore beads."""
    return reading.has("particles", "moment") and reading.get("particles", "moment") == "multicore"


def bead_sizes(reading: Reading) -> Sizes | None:
    """Give the law of sizes of beads, or None where a key is mistaken or missing."""
    needed = ("core_diameter", "size_basis", "size_spread", "dead_layer", "shell_thickness")
    if not reading.has("particles", *needed, *_KEYS):
        return None
    core, basis, spread, dead_layer, shell = (reading.get("particles", key) for key in needed)
    bead, share = (reading.get("particles", key) for key in _KEYS)
    if bead is None or share is None or not isinstance(core, float):
        return None
    if basis == "volume":
        bead = number_median(bead, spread)
    return Sizes(bead, spread, dead_layer, shell, small_core=core, share=share)


def check_beads(reading: Reading, magnetisation: float | None) -> Iterator[str]:
    """Find keys of multicore beads that do not go together.

    Parameters
    ----------
    reading : Reading
        What could be read from the file.
    magnetisation : float or None
        Saturation magnetisation of the cores in A/m, None where a key is mistaken.

    Yields
    ------
    str
        One sentence a contradiction.
    """
    if not is_multicore(reading):
        return
    if reading.has("particles", "core_diameter") and not isinstance(
        reading.get("particles", "core_diameter"), float
    ):
        yield (
            "[particles] core_diameter must be one length such as "
            '"9 nm", that of the small cores, for moment = "multicore"; received a table of sizes.'
        )
    law = bead_sizes(reading)
    if law is None or law.small_core is None:
        return
    if law.small_core >= law.core_diameter:
        yield (
            "[particles] core_diameter must be below the median bead_diameter of "
            f"{format_quantity(law.core_diameter, 'length')}, being that of the small cores "
            f'inside, for moment = "multicore"; received '
            f"{format_quantity(law.small_core, 'length')}."
        )
    elif law.share * (law.core_diameter / law.small_core) ** 3 < 1.0:
        least = (law.small_core / law.core_diameter) ** 3
        yield (
            f"[particles] magnetic_share must be at least {least:.2g}, which is one core in the "
            f"median bead; received {law.share:g}."
        )
    elif magnetisation is not None and reading.has("carrier", "temperature"):
        yield from _check_susceptibility(law, magnetisation, reading.get("carrier", "temperature"))


def _check_susceptibility(law: Sizes, magnetisation: float, temperature: float) -> Iterator[str]:
    """Refuse beads that are so susceptible that the law of their moments fails."""
    core = law.small_core
    if core is None or 2.0 * law.dead_layer >= core:
        return
    found = bead_susceptibility(law.share, core, magnetisation, law.dead_layer, temperature)
    if found >= LARGEST_SUSCEPTIBILITY:
        largest = law.share * LARGEST_SUSCEPTIBILITY / found
        yield (
            f"[particles] magnetic_share must be below {largest:.3g} with these cores (or "
            f"core_diameter smaller than {format_quantity(core, 'length')}), so that the "
            f"susceptibility of the beads stays below {LARGEST_SUSCEPTIBILITY:g}, which no solid "
            f"sphere reaches; received {law.share:g}, which makes {found:.3g}."
        )
