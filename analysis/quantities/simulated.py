"""Numbers of the section ``derived`` that the page tells: what was simulated."""

from __future__ import annotations

from analysis.quantities.quantity import Quantity
from analysis.quantities.spacing import LINE_DENSITY


def _of(key: str, unit: str, name: str, meaning: str) -> Quantity:
    return Quantity(f"derived.{key}", unit, name, meaning, computed=True, page="simulated")


SIMULATED = (
    _of("particle_count", "", "Particles", "followed in the patch."),
    _of(
        "volume_fraction", "%", "Volume share of particles",
        "part of the film that particles with their shells fill.",
    ),
    _of("median_diameter_m", "m", "Particle diameter", "median, shell included."),
    _of(
        "coupling", "", "Coupling λ",
        "attraction of two touching particles over the thermal energy kT, halved. Chains need "
        "about 2 to 3 or more.",
    ),
    _of(
        "coupling_largest_tenth", "", "Coupling of the largest tenth",
        "the same for the largest tenth of the particles, from which chains grow.",
    ),
    _of(
        "langevin_parameter", "", "Langevin parameter α",
        "energy of a particle in the field over kT. Well above 1 the field holds the moments.",
    ),
    _of("line_density_spacing_m", "m", LINE_DENSITY.name, LINE_DENSITY.meaning),
    _of("largest_field_t", "T", "Field", "largest applied field, outside the film."),
    _of("temperature_k", "K", "Temperature", "of the carrier."),
    _of("duration_s", "s", "Simulated time", "time the film was followed."),
    _of(
        "diffusion_time_s", "s", "Diffusion time",
        "in which a single particle wanders about 1.4 diameters along each axis.",
    ),
    _of(
        "brown_time_s", "s", "Turning time (Brown)",
        "in which a particle forgets which way its body pointed.",
    ),
    _of(
        "neel_time_s", "s", "Flipping time (Néel)",
        "in which a moment turns over inside a particle that stands still; uncertain by a factor "
        "of ten or more.",
    ),
    _of(
        "bond_life_largest_tenth_s", "s", "Bond life of the largest tenth",
        "how long two of the largest particles stay together until they have diffused apart for "
        "good, as the life of standing bonds; a run much shorter than ten of these has not come "
        "to rest.",
    ),
    _of(
        "film_formation_time_s", "s", "Time to come to rest",
        "about how long such a film takes until lengths and spacings no longer change; chains "
        "themselves appear much sooner.",
    ),
    _of("time_step_s", "s", "Time step", "of the calculation."),
    _of("steps", "", "Steps", "made."),
)  # fmt: skip
