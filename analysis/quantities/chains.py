"""Numbers of the sections ``chains`` and ``alignment``."""

from __future__ import annotations

import math

from analysis.quantities.quantity import Comparison, Quantity

_LENGTH = (1.0, math.inf)
_ORDER = (-0.5, 1.0)

CHAINS = (
    Quantity(
        "chains.mean_length", "", "Mean chain length",
        "particles in an average chain; every chain counts once, and a single particle counts as "
        "a chain of one.",
        ends=_LENGTH, screen=1, sweep=1, handoff=9, point=True,
    ),
    Quantity(
        "chains.weight_mean_length", "", "Weight mean chain length",
        "length of the chain that an average particle sits in; long chains count more.",
        ends=_LENGTH, screen=2, sweep=2, handoff=10,
    ),
    Quantity(
        "chains.linear_mean_length", "", "Mean length of linear chains",
        "particles in an average chain, single particles included, chains that fork or close left "
        "out.",
        ends=_LENGTH,
    ),
    Quantity(
        "chains.singles_fraction", "%", "Single particles",
        "share of all particles that are bonded to no other.",
        screen=3, sweep=3, handoff=11, point=True,
    ),
    Quantity(
        "chains.longest", "", "Longest chain",
        "particles in the longest chain of a frame, averaged over frames.",
        ends=_LENGTH,
    ),
    Quantity(
        "chains.ring_share", "%", "Particles in rings", "share in chains that bite their tail.",
    ),
    Quantity(
        "chains.branched_share", "%", "Particles in branched chains", "share in chains that fork.",
    ),
    Quantity(
        "chains.straightness", "", "Straightness",
        "end-to-end distance over the length along the chain; 1 is a straight rod.",
        ends=(0.0, 1.0),
    ),
    Quantity(
        "chains.spanning_share", "%", "Particles in endless chains",
        "share of particles in chains that close on themselves through the repeating patch. Such "
        "chains have no ends, so above 1 % the patch is too small for this film.",
        sweep=12,
    ),
    Quantity(
        "chains.clusters.mean_size", "", "Mean size of clusters",
        "particles in a group of near ones, whichever way their moments point.",
        page="",
    ),
    Quantity(
        "chains.clusters.weight_mean_size", "", "Weight mean size of clusters",
        "size of the cluster that an average particle is in.",
        page="",
    ),
    Quantity(
        "chains.clusters.largest_share", "%", "Largest cluster",
        "share of all particles in the largest cluster.",
        page="",
    ),
    Quantity(
        "chains.persistence_length_m", "m", "Persistence length",
        "over which a chain forgets its direction by bending; what a field straightens is left "
        "out.",
        page="shape",
    ),
    Quantity(
        "chains.kink_share", "%", "Kinks",
        "share of the inner particles of open chains at which the chain turns by more than 45°.",
        page="shape",
    ),
    Quantity(
        "chains.branch_point_share", "%", "Branch points",
        "share of all particles that have three bonds or more.",
        page="shape",
    ),
    Quantity("chains.loops", "", "Loops", "bonds less particles plus groups.", page=""),
    Quantity(
        "chains.bundles.share", "%", "Particles in bundles",
        "share in chains that run side by side with another, touching it or nearly so.",
        page="shape",
    ),
    Quantity(
        "chains.bundles.strands", "", "Strands of a bundle",
        "chains side by side in a cut through a bundle of two or more, mean over its length.",
        ends=_LENGTH, page="shape",
    ),
    Quantity(
        "chains.bundles.width_m", "m", "Width of a bundle",
        "the largest across it, a particle diameter included.",
        page="shape",
    ),
    Quantity(
        "chains.bond_life_standing_s", "s", "Life of standing bonds",
        "in which the bonds that stand at an instant fall to 37 %; a pair that parts and rejoins "
        "still stands.",
        page="shape",
    ),
    Quantity(
        "chains.bond_standing_share", "%", "Bonds that stand again",
        "share of the bonds of an instant that stand some time later.",
        comparison=Comparison("bond_standing_after_s", "s", "Here that time is {number}."),
        page="shape",
    ),
    Quantity(
        "chains.bond_life_theory_s", "s", "Life of standing bonds by theory",
        "of two middle particles until they have diffused apart for good, by detailed balance; "
        "holds within a factor of a few.",
        computed=True, page="shape",
    ),
    Quantity(
        "chains.bond_life_s", "s", "Life of a bond from birth",
        "mean time from the moment two particles bond until they part; bonds that flicker count as "
        "often as they form, so it can be far shorter than the life of standing bonds.",
        page="shape",
    ),
    Quantity(
        "chains.exchange_rate_per_s", "1/s", "Exchange of particles",
        "share of the chained particles per second that find wholly new companions.",
        page="shape",
    ),
)  # fmt: skip

ALIGNMENT = (
    Quantity(
        "alignment.order", "", "Alignment with the field",
        "0 for chains that point anywhere, 1 for all of them along the field.",
        exact="mean of (3 cos^2 - 1)/2 between chain axes and the field (without a field: their "
        "director), weighted with particles",
        ends=_ORDER, screen=6, sweep=8, handoff=8, point=True,
    ),
    Quantity(
        "alignment.moment_order", "", "Alignment of the moments",
        "the same for the moments of single particles instead of chains.",
        ends=_ORDER,
    ),
    Quantity(
        "alignment.tilt_deg", "°", "Angle of the chains to the field",
        "mean angle between the axis of a chain and the field (without one, the mean direction), "
        "weighted by particles; about 57° where chains point anywhere.",
    ),
    Quantity(
        "alignment.eigenvalues", "", "Principal values of the alignment",
        "of the tensor of the chain axes, three of them, falling.",
        page="",
    ),
)  # fmt: skip
