"""The section ``spacing``: distances of chains, width, what stays clear, slits, columns."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.chains.measured_run import Frame, MeasuredRun, Section
from analysis.chains.theory import random_clear_fraction
from analysis.common.conventions import LENGTHS_WANTED, SPACINGS_WANTED
from analysis.spacing.columns import FEWEST_COLUMNS, ColumnFrames
from analysis.spacing.curves import (
    AxisCorrelation,
    Projected,
    StructureFactorRadial,
    axis_correlation,
    nearest_neighbour,
    structure_curves,
)
from analysis.spacing.distances import SpacingFrames, lateral_direction
from analysis.spacing.line import StructureFactorLine
from analysis.spacing.parts import averaged
from analysis.spacing.peaks import first_shell, light_peak
from analysis.spacing.projected import MapFrames
from analysis.spacing.slits import SlitFrames
from analysis.trajectory.run import Run
from analysis.uncertainty.estimate import Estimate, estimate

Floats = NDArray[np.float64]

UNPAIRED_WARNING = 0.05


class SpacingSection(Section):
    """Sums over the averaged frames about spacing."""

    name = "spacing"

    def __init__(self, seen: MeasuredRun) -> None:
        """Make the sums."""
        super().__init__(seen)
        run, axis, diameters = seen.run, seen.axis, seen.run.diameters_of(0)
        self.distances = SpacingFrames(run.sides, run.thickness, diameters, axis)
        self.slits = SlitFrames(run.sides, diameters, axis)
        median = float(np.median(diameters))
        self.columns = ColumnFrames(run.sides, run.thickness, median, axis)
        self.maps = self._maps(median)

    def _maps(self, median: float) -> MapFrames | None:
        """Return the sums over maps of the whole film, where frames hold a cut-out beside them."""
        run = self.seen.run
        first = None if run.cutout is None else run.projected_count(0)
        if run.cutout is None or first is None:
            return None
        columns, rows = first.shape
        return MapFrames(
            run.cutout.film[:2], (columns, rows), median, self.distances.line, self.seen.axis
        )

    def add(self, frame: Frame) -> None:
        """Take in one frame."""
        self.distances.diameters = self.slits.diameters = frame.diameters
        if frame.averaged:
            self.distances.add(frame.positions, frame.chains)
            counts = None if self.maps is None else frame.run.projected_count(frame.number)
            if self.maps is not None and counts is not None:
                self.maps.add(counts)
        if frame.detailed:
            self.slits.add(frame.positions)
        if frame.detailed and frame.moments is not None:
            self.columns.add(frame.positions, frame.bundle)

    def numbers(self, warnings: list[str]) -> dict[str, Any]:
        """Return the section ``spacing``."""
        structures, distances = self.seen.structures, self.distances
        weight = self.seen.average("weight_mean_length").value
        light: Projected = distances if self.maps is None else self.maps
        mapped, radial = structure_curves(light, structures, weight)
        if self.maps is not None:
            warnings.append(
                "spacing: the structure factor is from maps of the whole film; the other spacings "
                "are those of the cut-out"
            )
        axes = axis_correlation(distances)
        out, line = spacing_numbers(distances, radial, axes, structures, warnings, light)
        length = None if self.seen.endless else weight
        out["spacings_across_patch"] = patch_warnings(self.seen.run, distances, length, warnings)
        out["slits"] = self.slits.numbers(structures)
        out["columns"] = self.columns.numbers(structures)
        if out["slits"]["mean_m"]["value"] is None:
            warnings.append("spacing.slits: no line across the film meets two particles apart")
        if not self.columns.rows:
            warnings.append(
                f"spacing.columns: no plane across the chains holds {FEWEST_COLUMNS} of them clear "
                "of the windows, so their order is not measured"
            )
        self.drawn += [nearest_neighbour(distances, structures), mapped, radial, line, axes]
        self.drawn += [self.slits.curve(structures), self.columns.curve()]
        return out


def spacing_numbers(
    frames: SpacingFrames,
    radial: StructureFactorRadial,
    axes: AxisCorrelation,
    structures: float | None,
    warnings: list[str],
    light: Projected | None = None,
) -> tuple[dict[str, Any], StructureFactorLine]:
    """Return three spacings, width and clear fraction, in m, and the line fitted to the peak.

    Parameters
    ----------
    frames : SpacingFrames
        Sums over the averaged frames.
    radial, axes : StructureFactorRadial, AxisCorrelation
        Their curves.
    structures : float or None
        How many independent structures they have seen, None where unknown.
    warnings : list of str
        Is given the reasons for what could not be measured.
    light : Projected or None
        What the structure factor is of, where that is not these frames.
    """
    seen = max(1, int(structures or 1.0))

    peak, line = light_peak(light or frames, radial, seen, warnings)
    out: dict[str, Any] = {
        "nearest_neighbour_m": averaged(frames.nearest, structures).as_dict(),
        "nearest_neighbour_in_plane_m": averaged(frames.seen_through, structures).as_dict(),
        "nearest_neighbour_spread_m": averaged(frames.spread, structures).as_dict(),
        **peak,
        "axis_correlation_m": first_shell(frames, axes, seen, warnings).as_dict(),
        "line_density_m": frames.line,
        "width_m": estimate(
            frames.width, within=frames.width_error, structures=structures
        ).as_dict(),
        **_clear(frames, structures, warnings),
        "chain_direction": None if frames.axis is None else [float(x) for x in frames.axis],
    }
    if out["nearest_neighbour_m"]["value"] is None:
        warnings.append(
            "spacing.nearest_neighbour_m: no two chains of three or more particles stand level "
            "(nor for nearest_neighbour_in_plane_m)"
        )
    unpaired = [u for u in frames.unpaired if math.isfinite(u)]
    if unpaired and float(np.mean(unpaired)) > UNPAIRED_WARNING:
        warnings.append(
            f"spacing.nearest_neighbour_m: {100 * np.mean(unpaired):.0f} % of the chain particles "
            f"have no level neighbour within {frames.reach * 1e9:.4g} nm and do not count"
        )
    if out["width_m"]["value"] is None:
        warnings.append("spacing.width_m: no chain of three or more particles")
    return out, line


def _clear(frames: SpacingFrames, structures: float | None, warnings: list[str]) -> dict[str, Any]:
    """Return the clear fraction beside that of discs at random, and whether they differ."""
    clear = estimate(
        frames.clear, within=frames.clear_error, structures=structures, parts=frames.clear_parts
    )
    random = random_clear_fraction(frames.diameters, float(frames.sides[0] * frames.sides[1]))
    informative = _differs(clear, random)
    if informative is None:
        warnings.append(
            "spacing.clear_fraction: its error is not known, so neither is whether it differs from "
            "that of discs placed at random"
        )
    elif not informative:
        warnings.append(
            "spacing.clear_fraction: agrees with discs placed at random, so it says nothing "
            "about chains"
        )
    return {
        "clear_fraction": clear.as_dict(),
        "clear_fraction_random": random,
        "clear_fraction_informative": informative,
    }


def _differs(found: Estimate, value: float) -> bool | None:
    """Return whether a share is another than a value; None where its error is not known."""
    if found.value is None:
        return False
    return None if found.error is None else abs(found.value - value) > max(0.01, 2 * found.error)


def patch_warnings(
    run: Run, frames: SpacingFrames, weight: float | None, warnings: list[str]
) -> float:
    """Say what the patch is too small for; return the spacings that it holds across the chains.

    ``weight`` is the weight mean length of the chains, in particles; None where it means nothing.
    """
    lateral = lateral_direction(frames.axis)
    room = float(run.sides.min() if lateral is None else np.abs(lateral) @ run.sides)
    held = room / frames.line
    if held < SPACINGS_WANTED:
        warnings.append(
            f"spacing: the patch holds {held:.2g} line-density spacings across the chains; "
            f"{SPACINGS_WANTED:.0f} are wanted for a sharp peak"
        )
    if lateral is not None and weight is not None and frames.axis is not None:
        along = float(np.abs(frames.axis[:2]) @ run.sides)
        if along < LENGTHS_WANTED * weight * frames.median:
            warnings.append(
                f"chains: the patch is {along / (weight * frames.median):.2g} weight-mean chain "
                f"lengths long; {LENGTHS_WANTED:.0f} are wanted"
            )
    if run.provisional or run.derived.get("dipole_sum") == "cutoff":
        warnings.append(
            "spacing: provisional, because the dipole forces were cut off and chain ends do not "
            "repel each other beyond the cut-off"
        )
    return held
