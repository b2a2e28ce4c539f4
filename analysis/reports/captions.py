"""Titles and captions of the report's figures, in the order of the page."""

from __future__ import annotations

from analysis.reports import details as report_chains

CAPTIONS = {
    "film_views": (
        "The film at the end",
        "Every disc is a particle, drawn to scale. One colour is one chain, and neighbours differ; "
        "pale grey particles stand alone. Paler discs lie deeper. The thick lines are the two "
        "windows; beyond the dashed borders the film repeats.",
    ),
    "chain_lengths": (
        "How long the chains are",
        "Share of chains of each length; a horizontal bar marks rare lengths taken together. On "
        "this logarithmic scale the geometric law, which "
        "belongs to chains that break and join at random, is a straight line.",
    ),
    "growth": (
        "How the chains grow",
        "Mean length, for which every chain counts once, and weight mean length, that of the chain "
        "which an average particle is in, over time on logarithmic scales. Bands are one standard "
        "error. Where the applied field changes it is drawn below.",
    ),
    "nearest_neighbour": (
        "How far apart the chains are",
        "Distance from each chain to the nearest one beside it. The dotted line is the distance "
        "that follows from the amount of particles alone. Bars are one standard error.",
    ),
    "axis_correlation": (
        "Order between the chains",
        "How much more often than by chance a second chain is found at each distance. A flat line "
        "at 1 means no order. The band is one standard error.",
    ),
    "slit_widths": report_chains.SLITS_CAPTION,
    "structure_factor_radial": (
        "The film looked through: across the chains",
        "Structure factor of the particles projected along z. A peak at wave number q stands for a "
        "repeat distance of 2π/q. Light is diffracted by it only if that distance exceeds the "
        "wavelength. The band is one standard error.",
    ),
    "structure_factor_map": (
        "The film looked through: both directions",
        "The same for every direction in the film plane. A streak across the chains means that "
        "they are long and parallel.",
    ),
    "magnetisation_law": (
        "Magnetisation",
        "The curve is the Langevin law: the particle sizes of this run, if they did not feel each "
        "other. A point above it shows that chains help the field.",
    ),
    "time_series": (
        "The run from start to end",
        "Magnetisation, alignment and share of single particles; energies per particle in units "
        "of kT; the applied field.",
    ),
}
