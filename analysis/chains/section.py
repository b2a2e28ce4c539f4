"""The section ``chains``: lengths, shares, bending, bundles, lives of bonds, choice of the rule."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.chains.bundles import BundleFrames
from analysis.chains.length_distribution import length_distribution
from analysis.chains.lives import life_numbers
from analysis.chains.measured_run import Frame, MeasuredRun, Section, spread_out, temperature_of
from analysis.chains.sensitivity import NAMES, Sensitivity
from analysis.chains.shapes import ShapeFrames
from analysis.common.laws import bond_life
from analysis.trajectory.run import Run
from analysis.uncertainty.estimate import NOTHING, estimate, estimate_of_pairs

SENSITIVITY_FRAMES = 8

SPANNING_WARNING = 0.01
BRANCHED_WARNING = 0.05

LONGEST_LIFE = 1e100
"""A longer life, in s, is not worth its digits."""

NO_MOMENTS = "the file holds no moments, so head-to-tail bonds cannot be told"

AVERAGED = (
    "mean_length",
    "weight_mean_length",
    "linear_mean_length",
    "singles_fraction",
    "longest",
    "straightness",
    "ring_share",
    "branched_share",
    "spanning_share",
)


class ChainSection(Section):
    """Sums over the averaged frames about chains."""

    name = "chains"

    def __init__(self, seen: MeasuredRun) -> None:
        """Make the sums, and choose the frames that several rules are compared on."""
        super().__init__(seen)
        run = seen.run
        self.groups: list[NDArray[np.int64]] = []
        self.shapes = ShapeFrames(run.sides)
        self.bundles = BundleFrames(run.sides)
        self.sensitivity = Sensitivity(seen.rule, temperature_of(run))
        self.compared = spread_out(seen.stage.frames, SENSITIVITY_FRAMES)

    def add(self, frame: Frame) -> None:
        """Take in the chains of one frame."""
        if frame.averaged:
            self.groups.append(frame.group)
        if not frame.detailed or frame.moments is None:
            return
        self.shapes.add(frame.positions, frame.chains, frame.present)
        self.bundles.add(
            frame.positions, frame.tangents, frame.diameters, frame.bundle, frame.chains
        )
        if frame.number in self.compared:
            sides = self.seen.run.sides
            self.sensitivity.add(frame.positions, frame.moments, frame.diameters, sides)

    def numbers(self, warnings: list[str]) -> dict[str, Any]:
        """Return the section ``chains``."""
        seen = self.seen

        def of(name: str) -> dict[str, Any]:
            return seen.average(name).as_dict()

        out: dict[str, Any] = {name: of(name) for name in AVERAGED}
        lengths = length_distribution(seen.series, seen.stage, seen.structures)
        out["distribution"] = lengths.seen()
        out["clusters"] = {
            "mean_size": of("cluster_mean_size"),
            "weight_mean_size": of("cluster_weight_mean_size"),
            "largest_share": of("largest_cluster_share"),
        }
        out["independent_structures"] = seen.structures
        _warn_of_chains(out, bool(seen.series.lengths), seen.endless, warnings)
        out |= seen.rule.as_dict()
        out |= self._bending(warnings) | self._lives(warnings)
        known = seen.run.has_moments
        said = [] if seen.endless else warnings  # lengths without a meaning are not compared
        rules = self.sensitivity.numbers(seen.structures, said) if known else []
        for own in rules[:1]:  # the run's own rule: its numbers of all frames
            own.update({name: out[name] for name in NAMES})
        out["sensitivity"] = rules
        self.drawn += [seen.time_series, lengths]
        return out

    def _bending(self, warnings: list[str]) -> dict[str, Any]:
        """Return the entries on bending, branch points, loops and bundles."""
        seen, shapes = self.seen, self.shapes
        known = seen.run.has_moments
        in_field = bool(np.linalg.norm(seen.stage.field) > 0) or seen.stage.swing is not None
        bend, level = shapes.persistence_length(in_field)
        if bend.value is None and known:
            warnings.append(
                "chains.persistence_length_m: open chains are too few, too short or too straight "
                "to show a bend"
            )
        self.drawn.append(shapes.tangent_correlation())

        def of(rows: list[tuple[float, float]]) -> dict[str, Any]:
            return estimate_of_pairs(rows, seen.structures).as_dict()

        bundles = self.bundles.numbers(seen.structures)
        if known and bundles["width_m"]["value"] is None:
            warnings.append("chains.bundles: no two chains of three or more run side by side")
        return {
            "persistence_length_m": bend.as_dict(),
            "tangent_level": level,
            "kink_share": of(shapes.kinks),
            "branch_point_share": of(shapes.branch_points),
            "loops": estimate(shapes.loops).as_dict() if known else NOTHING.as_dict(),
            "bundles": bundles,
        }

    def _lives(self, warnings: list[str]) -> dict[str, Any]:
        """Return the entries on the lives of bonds."""
        seen = self.seen
        times = seen.run.times[seen.stage.frames]
        lives, survival = life_numbers(seen.bonds, self.groups, times, warnings)
        self.drawn.append(survival)
        return lives | {"bond_life_theory_s": _theory_life(seen.run)}


def _warn_of_chains(out: dict[str, Any], known: bool, endless: bool, warnings: list[str]) -> None:
    """Say what the lengths leave open.

    ``known`` is whether bonds could be told at all, ``endless`` whether lengths mean nothing.
    """
    if not known:
        warnings.append(f"chains: {NO_MOMENTS}; clusters by distance are given instead")
        return
    if out["straightness"]["value"] is None:
        warnings.append("chains.straightness: no open chain of three or more particles")
    if (out["branched_share"]["value"] or 0.0) > BRANCHED_WARNING:
        counted = (
            ", which count with all their particles in the mean lengths; the mean length of linear "
            "chains (chains.linear_mean_length) leaves them out"
        )
        warnings.append(
            f"chains.branched_share: {100 * out['branched_share']['value']:.2g} % of the particles "
            f"are in branched groups{'' if endless else counted}"
        )
    if (out["spanning_share"]["value"] or 0.0) > SPANNING_WARNING:
        warnings.append(
            f"chains.spanning_share: {100 * out['spanning_share']['value']:.2g} % of the particles "
            "are in chains that close on themselves through the patch; these have no ends, so "
            "lengths and spacings are those of the patch; take a longer patch"
        )


def _theory_life(run: Run) -> float | None:
    """Return the life in s of a bond of two middle particles, as of ``bond_life_standing_s``.

    Detailed balance with the rate at which particles find each other by diffusion: a pair that
    parts and rejoins has not escaped, so the life is that of standing bonds, not that from birth.
    """
    coupling, unit_time = (run.derived.get(key) for key in ("coupling", "diffusion_time_s"))
    if coupling is None or unit_time is None:
        return None
    life = bond_life(float(unit_time), float(coupling))
    return life if life < LONGEST_LIFE else None
