"""What `chainfilm check` says of multicore beads, whose moments the field makes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sim.interactions import dipolar
from sim.parameters.types import ParticleParameters
from sim.physics import beads
from sim.physics.units import duration_text, format_quantity

if TYPE_CHECKING:
    from sim.outlook.look_ahead import Outlook
    from sim.parameters.types import Parameters

FEWEST_CORES = 10.0
"""Cores in a bead under which "many" is no longer true."""
PROMPT_SHARE = 0.1
"""Share of the diffusion time within which the moments of the cores should turn."""


@dataclass(frozen=True)
class _Bead:
    """The median bead: moments in A m2, diameters and fields in SI.

    ``alone`` is its share of saturation in the largest field; ``pair`` and ``chain`` are the
    factors by which touching neighbours along the field raise its moment there (1 without field).
    """

    susceptibility: float
    saturation: float
    core_moment: float
    cores: float
    alone: float
    pair: float
    chain: float


def _median_bead(parameters: Parameters, outlook: Outlook) -> _Bead | None:
    """Collect the numbers of the median bead; None where the particles are no beads."""
    sizes, system = parameters.particles, outlook.system
    core = sizes.small_core_diameter
    if core is None:
        return None
    saturation = float(dipolar.largest_moments(sizes, sizes.core_diameter))
    reduced = saturation / system.units.moment_am2
    field = parameters.field.largest / system.units.field_t
    alone, pair, chain = (
        float(beads.self_consistent(reduced, system.core_langevin, field, feedback))
        for feedback in (0.0, beads.PAIR_FEEDBACK, beads.CHAIN_FEEDBACK)
    )
    return _Bead(
        susceptibility=beads.bead_susceptibility(
            sizes.magnetic_share,
            core,
            sizes.magnetisation,
            sizes.dead_layer,
            parameters.carrier.temperature,
        ),
        saturation=saturation,
        core_moment=beads.core_moment(core, sizes.magnetisation, sizes.dead_layer),
        cores=sizes.magnetic_share * (sizes.core_diameter / core) ** 3,
        alone=alone / reduced if field > 0.0 else 0.0,
        pair=pair / alone if field > 0.0 else 1.0,
        chain=chain / alone if field > 0.0 else 1.0,
    )


def bead_numbers(parameters: Parameters, outlook: Outlook) -> dict[str, float | None]:
    """Return the derived numbers of beads; None for other particles."""
    names = {
        "bead_susceptibility": "susceptibility",
        "saturation_moment_am2": "saturation",
        "core_moment_am2": "core_moment",
        "saturated_share": "alone",
        "touching_pair_moment_factor": "pair",
        "chain_moment_factor": "chain",
    }
    bead = _median_bead(parameters, outlook)
    return {key: None if bead is None else getattr(bead, name) for key, name in names.items()}


def bead_rows(parameters: Parameters, outlook: Outlook) -> list[tuple[str, str]]:
    """Lay out the numbers of beads; nothing for other particles."""
    bead = _median_bead(parameters, outlook)
    if bead is None:
        return []
    rows = [
        ("cores in the median bead", f"{bead.cores:.3g}"),
        ("susceptibility of a bead", f"{bead.susceptibility:.3g}"),
        ("saturation moment, median bead", format_quantity(bead.saturation, "moment")),
        ("its share in the largest field, bead alone", f"{bead.alone:.3g}"),
    ]
    if parameters.field.largest > 0.0:
        for name, factor in (("touching pair", bead.pair), ("long chain", bead.chain)):
            raised = outlook.coupling * factor**2
            rows.append((f"coupling in a {name} along the field", f"{raised:.3g}"))
    return rows


def bead_sentences(parameters: Parameters, outlook: Outlook) -> list[str]:
    """Say which moment the numbers of a film of beads are made with."""
    bead = _median_bead(parameters, outlook)
    if bead is None:
        return []
    if parameters.field.largest == 0.0:
        return ["Beads have no moment without a field: nothing makes them chain in this run."]
    field = format_quantity(parameters.field.largest, "field")
    return [
        f"Beads are magnetised by the field. Moment, coupling, pair potential and predicted "
        f"lengths are those of beads that are alone in the largest field, {field} "
        f"({100.0 * bead.alone:.2g} % of saturation); neighbours raise the moment, in a touching "
        f"pair along the field {bead.pair:.2f} times and in a long chain {bead.chain:.2f} times.",
        *_field_to_chain(outlook, bead),
    ]


def _field_to_chain(outlook: Outlook, bead: _Bead) -> list[str]:
    """In which field the coupling of the median bead alone would be enough for chains."""
    from sim.kernels.dipoles.induced import inverse_langevin
    from sim.outlook.look_ahead import CHAINING_COUPLING

    system = outlook.system
    share = math.sqrt(CHAINING_COUPLING) * system.units.moment_am2 / bead.saturation
    if share >= 1.0:
        return [
            f"At saturation the coupling of the median bead is {CHAINING_COUPLING / share**2:.2g}."
        ]
    needed = float(inverse_langevin(share)) / system.core_langevin * system.units.field_t
    largest = CHAINING_COUPLING / share**2
    return [
        f"The coupling of the median bead grows with the field: it is {CHAINING_COUPLING:g} at "
        f"{format_quantity(needed, 'field', 2)} and {largest:.2g} at saturation."
    ]


def bead_cautions(parameters: Parameters, outlook: Outlook) -> list[str]:
    """Say where the model of beads ends."""
    bead, core = _median_bead(parameters, outlook), parameters.particles.small_core_diameter
    if bead is None or core is None:
        return []
    found = [
        f"Each bead acts as a point dipole at its centre: touching spheres of high permeability "
        f"attract more than point dipoles, the more so the nearer their susceptibility (here "
        f"{bead.susceptibility:.2g}) is to {beads.LARGEST_SUSCEPTIBILITY:g}."
    ]
    slow = max(outlook.neel_time, outlook.neel_time_high_barrier)
    if slow > PROMPT_SHARE * outlook.diffusion_time:
        size = format_quantity(core, "length")
        found.append(
            f"Moments follow the field at once in this model, but the moment of a core of {size} "
            f"takes about {duration_text(slow)} to turn, beside "
            f"{duration_text(outlook.diffusion_time)} in which a bead moves by its diameter: take "
            "smaller cores."
        )
    if bead.cores < FEWEST_CORES:
        found.append(
            f"The median bead holds only {bead.cores:.2g} cores: its moment still fluctuates, "
            f"which this model leaves out."
        )
    filling = parameters.particles.shell_density
    if parameters.gravity.acceleration > 0.0 and filling == ParticleParameters.shell_density:
        density = format_quantity(filling, "density")
        found.append(
            f"Beads fall as if {density} filled them between their cores, the density of a "
            "surfactant; polystyrene has 1050 kg/m^3, silica about 2000 kg/m^3 (from memory): "
            "give that of your beads as [particles] shell_density."
        )
    return found
