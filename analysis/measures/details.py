"""What is measured beyond lengths and spacings: bending, bundles, bond lives, slits, columns.

These take longer than the rest, so they look at no more than ``MOST_FRAMES`` of the averaged
frames; only bonds are followed through all of them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.chains.bonds import ROOM_TEMPERATURE_K, BondRule
from analysis.chains.bundles import BundleFrames
from analysis.chains.groups import Chains
from analysis.chains.lives import life_numbers
from analysis.chains.sensitivity import NAMES, Sensitivity
from analysis.chains.shapes import ShapeFrames, tensor_numbers
from analysis.common.laws import bond_life
from analysis.spacing.columns import FEWEST_COLUMNS, ColumnFrames
from analysis.spacing.slits import SlitFrames
from analysis.trajectory.run import Run
from analysis.trajectory.stages import Stage
from analysis.uncertainty.estimate import NOTHING, estimate

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Curve = dict[str, Any]

MOST_FRAMES = 24
SENSITIVITY_FRAMES = 8

LONGEST_LIFE = 1e100
"""A longer life, in s, is not worth its digits."""


def spread_out(frames: Integers, most: int) -> set[int]:
    """Return at most so many of the frames, evenly spread, the last one included."""
    chosen = np.linspace(0, len(frames) - 1, min(most, len(frames))).round().astype(int)
    return {int(frames[k]) for k in chosen}


@dataclass
class ChainDetails:
    """Sums over the averaged frames of a run; ``add`` takes one frame.

    Parameters
    ----------
    run, stage : Run, Stage
        The run and its averaged frames.
    axis : (3,) array or None
        Direction of the chains.
    rule : BondRule
        The rule of the run.
    """

    run: Run
    stage: Stage
    axis: Floats | None
    rule: BondRule
    bonds: list[Integers] = field(default_factory=list)
    groups: list[Integers] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Choose the frames and make the sums."""
        run = self.run
        self.looked_at = spread_out(self.stage.frames, MOST_FRAMES)
        self.compared = spread_out(self.stage.frames, SENSITIVITY_FRAMES)
        self.temperature = float(run.derived.get("temperature_k") or ROOM_TEMPERATURE_K)
        self.shapes = ShapeFrames(run.sides)
        self.bundles = BundleFrames(run.diameters, run.sides)
        self.slits = SlitFrames(run.sides, run.diameters, self.axis)
        median = float(np.median(run.diameters))
        self.columns = ColumnFrames(run.sides, run.thickness, median, self.axis)
        self.sensitivity = Sensitivity(self.rule, self.temperature)

    def add(self, frame: int, positions: Floats, moments: Floats | None, chains: Chains) -> None:
        """Take in one averaged frame: positions in m, moments in A m2, its chains."""
        self.bonds.append(chains.bonds)
        self.groups.append(chains.group)
        if frame not in self.looked_at:
            return
        self.slits.add(positions)
        if moments is None:
            return
        self.shapes.add(positions, chains)
        self.columns.add(positions, self.bundles.add(positions, moments, chains))
        if frame in self.compared:
            self.sensitivity.add(positions, moments, self.run.diameters, self.run.sides)

    def add_numbers(
        self,
        numbers: dict[str, dict[str, Any]],
        curves: dict[str, Curve],
        structures: float | None,
        warnings: list[str],
    ) -> None:
        """Add everything to the sections ``chains``, ``spacing``, ``alignment`` and the curves."""
        chains = numbers["chains"]
        chains.update(self._chain_numbers(curves, structures, warnings))
        for own in chains["sensitivity"][:1]:  # the run's own rule: its numbers of all frames
            own.update({name: chains[name] for name in NAMES})
        numbers["alignment"].update(
            tensor_numbers(self.shapes.tensors, self.shapes.tensor_errors, structures)
        )
        spacing = numbers["spacing"]
        spacing["slits"] = self.slits.numbers(structures)
        spacing["columns"] = self.columns.numbers(structures)
        curves["slit_widths"] = self.slits.curve(structures)
        curves["columns"] = self._columns_drawn()
        if spacing["slits"]["mean_m"]["value"] is None:
            warnings.append("spacing.slits: no line across the film meets two particles apart")
        if not self.columns.rows:
            warnings.append(
                f"spacing.columns: no plane across the chains holds {FEWEST_COLUMNS} of them clear "
                "of the windows, so their order is not measured"
            )

    def _chain_numbers(
        self, curves: dict[str, Curve], structures: float | None, warnings: list[str]
    ) -> dict[str, Any]:
        """Return what joins the section ``chains``; add its curves."""
        shapes = self.shapes
        in_field = bool(np.linalg.norm(self.stage.field) > 0) or self.stage.swing is not None
        bend, level = shapes.persistence_length(in_field)
        if bend.value is None and self.run.has_moments:
            warnings.append(
                "chains.persistence_length_m: open chains are too few, too short or too straight "
                "to show a bend"
            )
        curves["tangent_correlation"] = shapes.tangent_correlation()
        lives, curves["bond_survival"] = life_numbers(
            self.bonds, self.groups, self.run.times[self.stage.frames], warnings
        )

        def of(rows: list[tuple[float, float]]) -> dict[str, Any]:
            value, within = np.array(rows).T if rows else np.zeros((2, 0))
            return estimate(value, within=within, structures=structures).as_dict()

        known = self.run.has_moments
        bundles = self.bundles.numbers(structures)
        if known and bundles["width_m"]["value"] is None:
            warnings.append("chains.bundles: no two chains of three or more run side by side")
        return {
            "persistence_length_m": bend.as_dict(),
            "tangent_level": level,
            "kink_share": of(shapes.kinks),
            "branch_point_share": of(shapes.branch_points),
            "loops": estimate(shapes.loops).as_dict() if known else NOTHING.as_dict(),
            "bundles": bundles,
            **lives,
            "bond_life_theory_s": _theory_life(self.run),
            "sensitivity": self.sensitivity.numbers(structures, warnings) if known else [],
        }

    def _columns_drawn(self) -> Curve:
        """Return the plane across the columns of the last frame looked at, for its picture."""
        plane = self.columns.last
        if plane is None:
            return {}
        return {"points_m": plane.points, "periods_m": plane.periods, "height_m": plane.height}


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
