"""Units and definitions of the values of the hand-off."""

from __future__ import annotations

from analysis.quantities.all import shown
from analysis.quantities.light import LIGHT, RESPONSE

DEFINITIONS: dict[str, tuple[str, str]] = {
    **{one.key: (one.si_unit, one.definition) for one in shown("handoff")},
    "thickness_m": ("m", "distance of the two windows"),
    "patch_m": ("m", "sides x and y of the simulated patch, which repeats"),
    "particle_count": ("1", "particles in the patch"),
    "volume_fraction": ("1", "volume of whole particles, core and shell, over that of the film"),
    "core_share": (
        "1",
        "volume of the cores over that of whole particles; of beads that of the small cores alone",
    ),
    "magnetic_share": (
        "1",
        "share of the volume under the shell that cores fill: 1, or of beads the rest is matrix",
    ),
    "median_diameter_m": ("m", "median diameter of whole particles, core and shell"),
    "structure_factor_spread_m": (
        "m",
        "half width at half height of the peak of the structure factor, as a length; not narrower "
        "than the patch resolves",
    ),
    "period_m": (
        "m",
        "spacing used for diffraction: structure_factor_m, or none, with the reason, where no peak "
        "of the structure factor stands out",
    ),
    "chain_direction": ("1", "unit vector (x, y, z) along the chains; z is across the film"),
    "areal_density_per_m2": (
        "1/m2",
        "open and branched chains of two and more particles over the area of the film; rings are "
        "none",
    ),
    "wavelengths_m": ("m", "vacuum wavelengths, from the parameter file"),
    "wavelength_m": ("m", "vacuum wavelength"),
    "core_index": ("1", "refractive index of the cores at each wavelength, [n, k] of n + ik"),
    "carrier_index": ("1", "refractive index of the liquid"),
    "shell_index": ("1", "refractive index of the shells"),
    "matrix_index": ("1", "refractive index of what fills a bead between its cores"),
    "bead_index": (
        "1",
        "refractive index of a bead without its shell, [n, k]: cores in their matrix after Maxwell "
        "Garnett; error: distance to the law of Bruggeman, in which cores touch as they come",
    ),
    "outer_index": ("1", "refractive index of the medium outside the windows"),
    "numerical_aperture": ("1", "numerical aperture of what looks at the film"),
    "resolution_m": ("m", "finest period that the aperture resolves, wavelength/(2 aperture)"),
    **{one.key: (one.si_unit, one.definition) for one in (*LIGHT, *RESPONSE)},
}
"""Unit and definition of each value, by key."""

STRUCTURE_FACTOR = (
    "structure factor of the film projected along z against the wave number across the chains "
    "(over all directions where they stand along z), in bins of one mode of the patch; 1 for "
    "particles at random; error: speckle, one standard error"
)

LIMITS = (
    "an error of null marks a number that is computed, or that has no value",
    "effective indices: particles far smaller than the wavelength, chains straight, rings as open "
    "chains, point dipoles (birefringence of touching particles is a few per cent too small, as "
    "its error says)",
)
