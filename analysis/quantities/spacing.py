"""Numbers of the section ``spacing``."""

from __future__ import annotations

from analysis.quantities.quantity import Comparison, Quantity

LINE_DENSITY = Quantity(
    "spacing.line_density_m", "m", "Distance from the line density",
    "what the spacing would be if all particles stood in evenly spread single chains.",
    exact="d sqrt(pi/(6 volume_fraction)): where straight single chains of all particles would "
    "stand",
    computed=True, page="", sweep=7, spacing_table=5, handoff=5, point=True,
)  # fmt: skip

SPACING = (
    Quantity(
        "spacing.nearest_neighbour_m", "m", "Distance to the nearest chain",
        "from the axis of a chain to the closest axis beside it, measured in three dimensions.",
        exact="distance across the chains to the nearest particle of another chain at the same "
        "level, in three dimensions: median along each chain, then mean",
        screen=4, sweep=4, spacing_table=1, handoff=2, point=True,
    ),
    Quantity(
        "spacing.nearest_neighbour_spread_m", "m", "Spread of the distance to the nearest chain",
        "standard deviation of that distance from chain to chain.",
        spacing_table=2, handoff=3,
    ),
    Quantity(
        "spacing.axis_correlation_m", "m", "Preferred distance between axes",
        "first peak of the pair correlation: the distance at which chains are found more often "
        "than by chance.",
        exact="first maximum of the pair correlation of chain axes",
        sweep=6, spacing_table=4, handoff=4, point=True,
    ),
    Quantity(
        "spacing.structure_factor_m", "m", "Repeat distance across the chains",
        "from the peak of the structure factor of the film looked through, across the chains. "
        "Light of a wavelength above it sees no grating, only a film whose refractive index "
        "depends on direction.",
        exact="2 pi over the peak of the structure factor of the film projected along z, across "
        "the chains: the spacing that light through the film meets",
        screen=5, sweep=5, spacing_table=3, handoff=1, point=True,
    ),
    LINE_DENSITY,
    Quantity(
        "spacing.width_m", "m", "Chain width",
        "mean width of a chain, or of a bundle of chains, across its length.",
        exact="extent of a chain and what touches it across the chain, seen along z",
        sweep=13, spacing_table=6, handoff=6,
    ),
    Quantity(
        "spacing.clear_fraction", "%", "Clear area",
        "share of the film that no particle covers when one looks through it.",
        comparison=Comparison(
            "clear_fraction_random", "%", "Particles strewn at random would leave {number}."
        ),
        spacing_table=7, handoff=7,
    ),
    Quantity(
        "spacing.clear_fraction_random", "%", "Clear area at random",
        "the same of as many particles strewn at random.",
        computed=True, page="", spacing_table=8,
    ),
    Quantity(
        "spacing.nearest_neighbour_in_plane_m", "m", "Nearest chain seen through the film",
        "the same distance with all heights laid on one another; never above that in space.",
        page="shape", spacing_table=9,
    ),
    Quantity(
        "spacing.structure_factor_line.width_per_m", "1/m", "Width of the peak",
        "full width at half height of the line fitted to the structure factor.",
        page="shape", spacing_table=10,
    ),
    Quantity(
        "spacing.structure_factor_line.height", "", "Height of the peak",
        "of that line above its background.",
        page="shape", spacing_table=11,
    ),
    Quantity(
        "spacing.structure_factor_line.grid_m", "m", "Grid of the repeat distance",
        "step of the repeat distance from one mode of the patch to the next.",
        computed=True, page="", spacing_table=12,
    ),
    Quantity(
        "spacing.slits.mean_m", "m", "Clear slit",
        "mean width of the clear stretches between particles, on lines across the chains.",
        page="shape", spacing_table=13,
    ),
    Quantity(
        "spacing.slits.median_m", "m", "Middle clear slit", "half of the slits are wider.",
        page="shape", spacing_table=14,
    ),
    Quantity(
        "spacing.slits.spread_m", "m", "Spread of the clear slits",
        "standard deviation of their widths.",
        page="", spacing_table=15,
    ),
    Quantity(
        "spacing.columns.count", "", "Columns", "in the plane across the chains.", page="",
    ),
    Quantity(
        "spacing.columns.neighbour_distance_m", "m", "Distance of neighbouring columns",
        "mean over the neighbours of each column, in the plane across them.",
        page="shape", spacing_table=16,
    ),
    Quantity(
        "spacing.columns.neighbour_spread_m", "m", "Spread of neighbouring columns",
        "standard deviation of these distances.",
        page="", spacing_table=17,
    ),
    Quantity(
        "spacing.columns.nearest_m", "m", "Nearest column",
        "mean distance of each column to the nearest one.",
        page="",
    ),
    Quantity(
        "spacing.columns.cell_area_m2", "m2", "Area of a column",
        "of the cell of what lies nearest to it.",
        page="", spacing_table=18,
    ),
    Quantity(
        "spacing.columns.cell_area_spread", "", "Spread of the areas of columns",
        "their standard deviation over their mean.",
        page="",
    ),
    Quantity(
        "spacing.columns.hexagonal_order", "", "Hexagonal order",
        "of the whole patch: 1 for columns on one triangular lattice, near 0 without it.",
        page="shape", spacing_table=19,
    ),
    Quantity(
        "spacing.columns.hexagonal_order_local", "", "Hexagonal order around a column",
        "the same for each column and its neighbours, however they are turned.",
        page="shape", spacing_table=20,
    ),
    Quantity(
        "spacing.columns.six_neighbours_share", "%", "Columns with six neighbours",
        "the others are defects of the hexagonal order.",
        page="shape",
    ),
)  # fmt: skip
