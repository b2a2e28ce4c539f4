"""Words of the pages that go with no single number: glossary, cautions, notes."""

from __future__ import annotations

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

TIMES = "Times"
TIMES_WITH_FLOW = (
    "The flow that particles stir up carries them here, by forces at their centres. Left out are "
    "lubrication (they meet 3 % too early, touching rows are 3 to 5 % too fast), flow by particles "
    "that turn (rows of 5 and more in a turning field are up to 8 % too slow) and slip of the "
    "liquid at the particles (over a tenth of their radius it would make all 8 % faster)."
)
"""In the place of what is said of times, for runs with flow."""

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
        TIMES,
        "The flow that particles stir up in the liquid is left out: each moves as if it were "
        "alone. That makes growth from single particles too fast and the motion of long chains too "
        "slow. Times named with flow are corrected by measured factors.",
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
