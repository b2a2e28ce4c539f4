"""Keys of a parameter file against each other: contradictions and sizes that do not fit.

Each check speaks only when the keys that it needs could be read; `sim.parameters.reading` tells the
mistakes in single keys.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from analysis.common.core_tables import AUTO
from sim.parameters.beads import bead_sizes, check_beads, is_multicore
from sim.parameters.field_types import FieldTable, field_direction, in_plane
from sim.parameters.forces import check_flow, check_forces, check_size_table, force_range
from sim.parameters.magnet_checks import check_magnets
from sim.parameters.particle_types import MOST_PARTICLES, RANDOM_PACKING
from sim.parameters.reading import Reading
from sim.physics.material import MATERIALS
from sim.physics.shown import show
from sim.physics.sizes import Sizes, number_median, tabulated, whole_volume_fraction
from sim.physics.units import format_quantity

FRACTIONS = ("volume_fraction", "core_volume_fraction", "fluid_saturation")
"""The three ways to give the amount of particles."""

MOST_STEPS = 10**12
"""Nobody waits for more time steps than this."""

SAMPLED = "monte_carlo"

_SAMPLED_RUN = f'[run] dynamics = "{SAMPLED}"'

_CUSTOM = ("magnetisation", "anisotropy", "density")
_ANGLES = ("tilt", "azimuth")


def contradictions(reading: Reading) -> Iterator[str]:
    """Find all keys that do not go together.

    Parameters
    ----------
    reading : Reading
        What could be read from the file.

    Yields
    ------
    str
        One sentence a contradiction.
    """
    yield from reading.missing
    yield from _check_amount(reading)
    yield from _check_material(reading)
    yield from _check_field(reading)
    yield from _check_turning(reading)
    yield from _check_start(reading)
    yield from check_forces(reading)
    yield from check_flow(reading)
    yield from _check_optics(reading)
    yield from check_magnets(reading)
    yield from check_size_table(reading)
    yield from check_beads(reading, magnetisation(reading))
    yield from _check_layers(reading)
    yield from _check_film(reading)
    yield from _check_sampled(reading)
    yield from _check_times(reading)


def sizes(reading: Reading) -> Sizes | None:
    """Give the law of sizes with its number median, or None where a key is mistaken."""
    if is_multicore(reading):
        return bead_sizes(reading)
    needed = ("core_diameter", "size_basis", "size_spread", "dead_layer", "shell_thickness")
    # A moment that is mistaken may be that of a bead.
    if not reading.has("particles", "moment", *needed):
        return None
    core, basis, spread, dead_layer, shell = (reading.get("particles", key) for key in needed)
    if not isinstance(core, float):
        return tabulated(core, basis == "volume", dead_layer, shell)
    if basis == "volume":
        core = number_median(core, spread)
    return Sizes(core, spread, dead_layer, shell)


def magnetisation(reading: Reading) -> float | None:
    """Saturation magnetisation of the cores in A/m, or None where a key is mistaken."""
    if not reading.has("particles", "material", "magnetisation"):
        return None
    given: float | None = reading.get("particles", "magnetisation")
    named = MATERIALS.get(reading.get("particles", "material"))
    return given if given is not None or named is None else named.magnetisation


def _fraction(reading: Reading) -> float | None:
    """Volume fraction of whole particles, or None where it is not known."""
    law = sizes(reading)
    given = reading.given("particles", *FRACTIONS)
    if law is None or len(given) != 1 or not reading.has("particles", *given):
        return None
    strength = magnetisation(reading)
    if strength is None or 2.0 * law.dead_layer >= law.single_core:
        return None
    whole, cores, saturation = (
        reading.get("particles", key) if key in given else None for key in FRACTIONS
    )
    return whole_volume_fraction(law, strength, whole=whole, cores=cores, saturation=saturation)


def _listed(words: list[str]) -> str:
    return " and ".join(words) if words else "none"


def _check_amount(reading: Reading) -> Iterator[str]:
    given = reading.given("particles", *FRACTIONS)
    if len(given) != 1:
        yield (
            "[particles] must give exactly one of volume_fraction, core_volume_fraction and "
            f"fluid_saturation, such as volume_fraction = 0.03; received {_listed(given)}."
        )
    fraction = _fraction(reading)
    if fraction is not None and given != ["volume_fraction"] and fraction >= RANDOM_PACKING:
        yield (
            f"[particles] {given[0]} must leave the whole particles, shells included, a volume "
            f"fraction below {RANDOM_PACKING} (random packing); received one that makes "
            f"{fraction:.3g}."
        )


def _check_material(reading: Reading) -> Iterator[str]:
    if reading.has("particles", "material") and reading.get("particles", "material") == "custom":
        given = reading.given("particles", *_CUSTOM)
        missing = [key for key in _CUSTOM if key not in given]
        if missing:
            yield (
                f'[particles] material = "custom" must come with {", ".join(_CUSTOM)}; received '
                f"{_listed(given)}."
            )


def _check_field(reading: Reading) -> Iterator[str]:
    given = reading.given("field", "strength", "steps")
    if len(given) == 2:
        yield (
            "[field] must give either strength (a steady field) or steps (a programme); received "
            "both."
        )
    if reading.has("field", "steps") and "steps" in given and not reading.steps:
        yield "[field] steps must hold at least one step; received an empty list."
    tables: list[tuple[str, Any]] = [("[field]", reading.raw.get("field"))]
    steps = tables[0][1].get("steps") if isinstance(tables[0][1], Mapping) else None
    for index, step in enumerate(steps if isinstance(steps, list) else []):
        tables.append((f"[[field.steps]] number {index + 1}", step))
    for label, table in tables:
        if isinstance(table, Mapping) and "direction" in table and any(a in table for a in _ANGLES):
            angles = _listed([angle for angle in _ANGLES if angle in table])
            yield (
                f"{label} must give either direction or tilt and azimuth; received direction and "
                f"{angles}."
            )


def _check_turning(reading: Reading) -> Iterator[str]:
    """Check what fields that oscillate or turn need."""
    base = (1.0, 0.0, 0.0)
    if reading.has("field", "direction", *_ANGLES):
        base = field_direction(FieldTable(**reading.table("field")), base)
    for index, step in enumerate(reading.steps):
        label = f"[[field.steps]] number {index + 1}"
        axis = step.axis or (0.0, 0.0, 1.0)
        if step.kind == "rotate" and in_plane(field_direction(step, base), axis) is None:
            yield (
                f"{label} direction must have a part at right angles to the axis about which the "
                "field turns, such as [1, 0, 0] for the axis [0, 0, 1]; received one along the "
                "axis."
            )


def _check_start(reading: Reading) -> Iterator[str]:
    if not reading.has("start", "kind", "path") or reading.get("start", "kind") != "file":
        return
    if not reading.get("start", "path"):
        yield (
            "[start] path must name the folder or run file to start from, such as "
            '"first_chains/run.h5", for kind = "file"; received none.'
        )


def _check_layers(reading: Reading) -> Iterator[str]:
    law = sizes(reading)
    if law is not None and 2.0 * law.dead_layer >= law.single_core:
        yield (
            "[particles] dead_layer must be below "
            f"{format_quantity(law.single_core / 2.0, 'length')}, half the median core diameter; "
            f"received {format_quantity(law.dead_layer, 'length')}."
        )
    is_readable = reading.has("particles", "shell_thickness") and reading.has("repulsion", "kind")
    if is_readable and reading.get("repulsion", "kind") == "surfactant":
        shell = reading.get("particles", "shell_thickness")
        if shell == 0.0:
            yield (
                '[particles] shell_thickness must be above 0 nm such as "2 nm" for [repulsion] '
                'kind = "surfactant"; received 0 nm.'
            )


def _check_film(reading: Reading) -> Iterator[str]:
    if not reading.given("film", "width", "count"):
        yield (
            '[film] must give width such as ["2.0 um", "0.6 um"] or count such as 1900; received '
            "none."
        )
    law = sizes(reading)
    if law is None:
        return
    largest = law.largest_core + 2.0 * law.shell_thickness
    if reading.has("film", "thickness") and reading.get("film", "thickness") < largest:
        yield (
            f"[film] thickness must be at least {format_quantity(largest, 'length')}, the diameter "
            "of the largest particle; received "
            f"{format_quantity(reading.get('film', 'thickness'), 'length')}."
        )
    yield from _check_patch(reading, law, largest)


def _least_side(reading: Reading, law: Sizes, largest: float) -> tuple[float, str] | None:
    """Smallest side of the patch in m, and why; None where a key is mistaken."""
    if not reading.has("dipoles", "sum", "cutoff_diameters"):
        return None
    side, why = 2.0 * largest, "two diameters of the largest particle"
    reach, words = force_range(reading, law)
    if 2.0 * reach > side:
        side = 2.0 * reach
        why = f"twice the {format_quantity(reach, 'length')} over which {words} forces act"
    if reading.get("dipoles", "sum") == "cutoff":
        diameter = law.core_diameter + 2.0 * law.shell_thickness
        count = reading.get("dipoles", "cutoff_diameters")
        cutoff = 2.0 * count * diameter
        if cutoff < side:
            return side, why
        side = cutoff
        why = (
            f"twice the cutoff of {count:g} diameters of {format_quantity(diameter, 'length')} "
            '([dipoles] sum = "cutoff")'
        )
    return side, why


def _check_patch(reading: Reading, law: Sizes, largest: float) -> Iterator[str]:
    """Compare the sides of the patch with the range of the forces, and with the count."""
    least = _least_side(reading, law, largest)
    if not reading.has("film", "width", "count"):
        return
    width, count = reading.get("film", "width"), reading.get("film", "count")
    if width is not None and least is not None and min(width) < least[0] * (1.0 - 1e-12):
        yield (
            f"[film] width must be at least {format_quantity(least[0], 'length')} on every side, "
            f"{least[1]}; received {format_quantity(min(width), 'length')}."
        )
    fraction = _fraction(reading)
    if fraction is None or not reading.has("film", "thickness"):
        return
    volume = math.pi / 6.0 * law.mean_cube(2.0 * law.shell_thickness)
    density = fraction / volume * reading.get("film", "thickness")  # particles per area of film
    if width is not None:
        yield from _check_count(width[0] * width[1] * density, count)
    elif count is not None and least is not None and count < least[0] ** 2 * density * (1 - 1e-9):
        yield (
            f"[film] count must be at least {math.ceil(least[0] ** 2 * density)}, so that the "
            f"square patch has sides of {format_quantity(least[0], 'length')}, {least[1]}; "
            f"received {count}."
        )


def _check_count(expected: float, count: int | None) -> Iterator[str]:
    """Compare the number of particles that the patch holds with what is possible and asked for."""
    if expected < 0.5:
        yield (
            "[film] width must be wide enough for one particle at this volume fraction; received "
            f"a patch for {expected:.2g} particles."
        )
    elif expected > MOST_PARTICLES * 1.000001:
        yield (
            f"[film] width must give at most {MOST_PARTICLES} particles; received a patch for "
            f"{expected:.3g} particles."
        )
    elif count is not None and abs(count - expected) > max(1.0, 0.01 * expected):
        yield (
            f"[film] count must agree with width, which holds {expected:.0f} particles at this "
            f"volume fraction (give one of the two); received {count}."
        )


def _check_times(reading: Reading) -> Iterator[str]:
    if not reading.has("run", "duration", "time_step") or is_sampled(reading):
        return
    duration, step = reading.get("run", "duration"), reading.get("run", "time_step")
    if step is None or duration is None:
        return
    if step > duration:
        yield (
            "[run] time_step must be at most the duration of "
            f"{format_quantity(duration, 'time')}; received {format_quantity(step, 'time')}."
        )
        return
    steps = max(1, round(duration / step))
    if steps > MOST_STEPS:
        yield (
            f"[run] time_step must divide the duration into at most {MOST_STEPS:.0e} steps; "
            f"received {format_quantity(step, 'time')}, which makes {steps:.2e}."
        )
    if reading.has("output", "frames") and reading.get("output", "frames") > steps:
        yield (
            f"[output] frames must be at most the {steps} steps of the run; received "
            f"{reading.get('output', 'frames')}."
        )


def _check_optics(reading: Reading) -> Iterator[str]:
    """Find keys of [optics] that do not go together."""
    if reading.has("optics", "core_index", "wavelengths"):
        pairs, wavelengths = (reading.get("optics", k) for k in ("core_index", "wavelengths"))
        if pairs is not None and len(pairs) not in (1, len(wavelengths)):
            yield (
                "[optics] core_index must be one pair such as [2.35, 0.09], or as many as the "
                f"{len(wavelengths)} wavelengths; received {len(pairs)}."
            )
    if reading.has("optics", "core_index", "core_table") and reading.get("optics", "core_index"):
        table = reading.get("optics", "core_table")
        if table != AUTO:
            yield (
                f'[optics] core_table must be left out, or "{AUTO}", where core_index is given; '
                f'received "{table}".'
            )
    if reading.has("optics", "numerical_aperture", "outer_index"):
        aperture, outer = (reading.get("optics", k) for k in ("numerical_aperture", "outer_index"))
        if aperture > outer:
            yield (
                f"[optics] numerical_aperture must be at most outer_index, {outer:g}, such as "
                f"{0.9 * outer:.2g}; received {aperture:g}."
            )


def is_sampled(reading: Reading) -> bool:
    """Return whether the file asks for a sampled run."""
    return reading.has("run", "dynamics") and reading.get("run", "dynamics") == SAMPLED


def _check_sampled(reading: Reading) -> Iterator[str]:
    """Find what a sampled run cannot have.

    Yields
    ------
    str
        One sentence a contradiction.
    """
    if not is_sampled(reading):
        return
    for key in reading.given("run", "duration", "time_step", "mass_factor"):
        if key == "time_step" and reading.raw["run"][key] == "auto":
            continue  # asks for no time
        yield (
            f'[run] {key} must be left out with dynamics = "{SAMPLED}", which samples the film at '
            f"rest and knows no {'inertia' if key == 'mass_factor' else 'time'}; received "
            f"{show(reading.raw['run'][key])}."
        )
    if is_multicore(reading):
        yield (
            f"{_SAMPLED_RUN} must have moments of fixed size; [particles] moment = "
            '"multicore" makes beads that magnetise each other: take dynamics = "brownian".'
        )
    if reading.steps:
        yield (
            f"{_SAMPLED_RUN} must have a steady field; received [[field.steps]], a field that "
            "changes in time: give its strength and direction in [field]."
        )
    if any(magnet.steps for magnet in reading.magnets):
        yield (
            f"{_SAMPLED_RUN} must have a steady field; received [[magnets.steps]], magnets "
            'that move: take dynamics = "brownian".'
        )
