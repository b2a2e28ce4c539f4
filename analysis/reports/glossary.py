"""Words of the report: what each number means, glossary, cautions. No layout here."""

from __future__ import annotations

from typing import NamedTuple

from analysis.reports.time_glossary import TIME_ROWS


class Item(NamedTuple):
    """One number of the report: where it stands, its unit, its name and its meaning."""

    section: str
    key: str
    unit: str
    name: str
    meaning: str


MEASURED = (
    Item(
        "chains",
        "mean_length",
        "",
        "Mean chain length",
        "particles in an average chain; every chain counts once, and a single particle counts as "
        "a chain of one.",
    ),
    Item(
        "chains",
        "weight_mean_length",
        "",
        "Weight mean chain length",
        "length of the chain that an average particle sits in; long chains count more.",
    ),
    Item(
        "chains",
        "linear_mean_length",
        "",
        "Mean length of linear chains",
        "particles in an average chain, single particles included, chains that fork or close left "
        "out.",
    ),
    Item(
        "chains",
        "singles_fraction",
        "%",
        "Single particles",
        "share of all particles that are bonded to no other.",
    ),
    Item(
        "chains",
        "longest",
        "",
        "Longest chain",
        "particles in the longest chain of a frame, averaged over frames.",
    ),
    Item(
        "chains", "ring_share", "%", "Particles in rings", "share in chains that bite their tail."
    ),
    Item(
        "chains",
        "branched_share",
        "%",
        "Particles in branched chains",
        "share in chains that fork.",
    ),
    Item(
        "chains",
        "straightness",
        "",
        "Straightness",
        "end-to-end distance over the length along the chain; 1 is a straight rod.",
    ),
    Item(
        "chains",
        "spanning_share",
        "%",
        "Particles in endless chains",
        "share of particles in chains that close on themselves through the repeating patch. Such "
        "chains have no ends, so above 1 % the patch is too small for this film.",
    ),
    Item(
        "spacing",
        "nearest_neighbour_m",
        "m",
        "Distance to the nearest chain",
        "from the axis of a chain to the closest axis beside it, measured in three dimensions.",
    ),
    Item(
        "spacing",
        "nearest_neighbour_spread_m",
        "m",
        "Spread of that distance",
        "standard deviation from chain to chain.",
    ),
    Item(
        "spacing",
        "axis_correlation_m",
        "m",
        "Preferred distance between axes",
        "first peak of the pair correlation: the distance at which chains are found more often "
        "than by chance.",
    ),
    Item(
        "spacing",
        "structure_factor_m",
        "m",
        "Repeat distance seen through the film",
        "from the peak of the structure factor of the film looked through, across the chains. "
        "Light of a wavelength above it sees no grating, only a film whose refractive index "
        "depends on direction.",
    ),
    Item(
        "spacing",
        "width_m",
        "m",
        "Chain width",
        "mean width of a chain, or of a bundle of chains, across its length.",
    ),
    Item(
        "spacing",
        "clear_fraction",
        "%",
        "Clear area",
        "share of the film that no particle covers when one looks through it.",
    ),
    Item(
        "alignment",
        "order",
        "",
        "Alignment with the field",
        "0 for chains that point anywhere, 1 for all of them along the field.",
    ),
    Item(
        "alignment",
        "moment_order",
        "",
        "Alignment of the moments",
        "the same for the moments of single particles instead of chains.",
    ),
    Item(
        "alignment",
        "tilt_deg",
        "°",
        "Angle of the chains to the field",
        "mean angle between the axis of a chain and the field (without one, the mean direction), "
        "weighted by particles; about 57° where chains point anywhere.",
    ),
    Item(
        "magnetisation",
        "relative",
        "%",
        "Magnetisation",
        "share of its largest possible value that the film reaches, along the field.",
    ),
    Item(
        "relaxation",
        "growth_exponent",
        "",
        "Growth exponent",
        "power of time with which the mean length grows after the field is switched on.",
    ),
    Item(
        "relaxation",
        "growth_exponent_weight",
        "",
        "Growth exponent of the weight mean",
        "the same for the weight mean chain length.",
    ),
    Item(
        "relaxation",
        "length_decay_time_s",
        "s",
        "Decay time of the chains",
        "in which chains shorten to about a third of their excess after the field is switched off.",
    ),
    Item(
        "relaxation",
        "alignment_decay_time_s",
        "s",
        "Alignment decay time",
        "in which the alignment of the chains falls to about a third of its excess.",
    ),
    Item(
        "relaxation",
        "magnetisation_decay_time_s",
        "s",
        "Decay time of the magnetisation",
        "in which the magnetisation falls to about a third after the field is switched off.",
    ),
    Item(
        "relaxation",
        "magnetisation_lag_deg",
        "°",
        "Lag of the magnetisation",
        "angle by which it trails the field.",
    ),
    Item("relaxation", "chain_lag_deg", "°", "Lag of the chains", "the same for their axes."),
    *(Item(*row) for row in TIME_ROWS),
)

DERIVED = (
    Item("derived", "particle_count", "", "Particles", "followed in the patch."),
    Item(
        "derived",
        "volume_fraction",
        "%",
        "Volume share of particles",
        "part of the film that particles with their shells fill.",
    ),
    Item("derived", "median_diameter_m", "m", "Particle diameter", "median, shell included."),
    Item(
        "derived",
        "coupling",
        "",
        "Coupling λ",
        "attraction of two touching particles over the thermal energy kT, halved. Chains need "
        "about 2 to 3 or more.",
    ),
    Item(
        "derived",
        "coupling_largest_tenth",
        "",
        "Coupling of the largest tenth",
        "the same for the largest tenth of the particles, from which chains grow.",
    ),
    Item(
        "derived",
        "langevin_parameter",
        "",
        "Langevin parameter α",
        "energy of a particle in the field over kT. Well above 1 the field holds the moments.",
    ),
    Item(
        "derived",
        "line_density_spacing_m",
        "m",
        "Distance from the line density",
        "what the spacing would be if all particles stood in evenly spread single chains.",
    ),
    Item("derived", "largest_field_t", "T", "Field", "largest applied field, outside the film."),
    Item("derived", "temperature_k", "K", "Temperature", "of the carrier."),
    Item("derived", "duration_s", "s", "Simulated time", "time the film was followed."),
    Item(
        "derived",
        "diffusion_time_s",
        "s",
        "Diffusion time",
        "in which a single particle wanders about 1.4 diameters along each axis.",
    ),
    Item(
        "derived",
        "brown_time_s",
        "s",
        "Turning time (Brown)",
        "in which a particle forgets which way its body pointed.",
    ),
    Item(
        "derived",
        "neel_time_s",
        "s",
        "Flipping time (Néel)",
        "in which a moment turns over inside a particle that stands still; uncertain by a factor "
        "of ten or more.",
    ),
    Item(
        "derived",
        "bond_life_largest_tenth_s",
        "s",
        "Bond life of the largest tenth",
        "how long two of the largest particles stay together until they have diffused apart for "
        "good, as the life of standing bonds; a run much shorter than ten of these has not come to "
        "rest.",
    ),
    Item(
        "derived",
        "film_formation_time_s",
        "s",
        "Time to come to rest",
        "about how long such a film takes until lengths and spacings no longer change; chains "
        "themselves appear much sooner.",
    ),
    Item("derived", "time_step_s", "s", "Time step", "of the calculation."),
    Item("derived", "steps", "", "Steps", "made."),
)

# What a measured number is to be compared with: it stands under this key of the same section.
COMPARISONS = {
    "relative": ("langevin_relative", "%", "Without interactions it would be {number}."),
    "clear_fraction": (
        "clear_fraction_random",
        "%",
        "Particles strewn at random would leave {number}.",
    ),
}

EXPECTED_LENGTH = (
    "estimate from the attraction of single pairs, for a film left alone for long; good to a "
    "factor of 2 to 3."
)

GLOSSARY = (
    ("Chain", "particles bonded head to tail: close to each other, with moments along the line."),
    ("Moment", "strength and direction of the small magnet that each particle is."),
    ("kT", "thermal energy: what a particle gets from the jostling of the liquid around it."),
    ("Window", "the flat wall above or below the film; nothing sticks to it here."),
    ("Patch", "the piece of film that is followed; it repeats sideways without borders."),
    (
        "± error",
        "one standard error of the mean. The true mean lies within it about two times in three.",
    ),
    (
        "Structure factor",
        "strength of scattering from the arrangement of the particles, by wave number q.",
    ),
    (
        "Equilibrium",
        "the state in which numbers no longer drift. Before it a length holds for its moment only.",
    ),
)

CAUTIONS = (
    (
        "Magnets",
        "Strong magnets snap together, crush fingers and shatter. Keep them, and the field around "
        "them, away from people with implants such as pacemakers, from cards and from "
        "instruments.",
    ),
    (
        "Lasers and bright lamps",
        "A film can throw a beam in unexpected directions. Know the class of the laser, block "
        "stray beams, and wear eye protection made for its wavelength.",
    ),
    (
        "Solvents and particles",
        "Carrier liquids can burn, and their vapours and surfactants can harm. Read the safety "
        "data sheets, work under an extractor, wear gloves, collect the waste.",
    ),
    (
        "Rules on site",
        "Local codes for workplaces, shows and buildings apply. Where they ask for it, have the "
        "set-up designed and checked by a licensed professional.",
    ),
    (
        "Times",
        "The flow that particles stir up in the liquid is left out. Real chains diffuse faster, "
        "one of 20 particles about 3 times, so times here are up to 2 to 3 times too long.",
    ),
    (
        "What a simulation is worth",
        "These numbers come from a model of an ideal film. Treat them as a plan for an "
        "experiment, not as a warranty.",
    ),
)

CUT_OFF_NOTE = (
    "Provisional: the magnetic forces were cut off at {range}. Chains do not feel each other's "
    "ends beyond that range, so distances between chains are not yet to be quoted."
)
UNFINISHED_NOTE = "The run did not reach its planned end ({reason}); this page shows what there is."
NOT_AT_REST_NOTE = (
    "The film had not come to rest. Lengths are those after {time}, not a lasting property of the "
    "film."
)
