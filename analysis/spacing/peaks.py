"""Spacings from peaks: of the projected structure factor, and of the pair correlation of axes."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from analysis.spacing.curves import AxisCorrelation, Projected, StructureFactorRadial
from analysis.spacing.distances import SpacingFrames, lateral_direction
from analysis.spacing.first_shell import shell_place
from analysis.spacing.line import (
    ASTRAY,
    WINDOW,
    StructureFactorLine,
    alike_modes,
    fit_line,
    grid_step,
    line_numbers,
    modes_across,
)
from analysis.spacing.prominence import STANDS_OUT, prominence
from analysis.spacing.structure_factor import OVERTONE, Peak, find_peak
from analysis.uncertainty.estimate import NOTHING, Estimate

LIKELY_NOISE = 0.05
PERHAPS_NOISE = 0.02
FEWEST_HELD = 4.5
"""Least number of spacings across the patch of a top without a line: fewer are a mode or two, too
few to tell a line from a hump."""
FIRST_SHELL = 0.35
"""Share of the highest shell from which on one counts: a further shell may hold two neighbours."""


def light_peak(
    frames: Projected, radial: StructureFactorRadial, seen: int, warnings: list[str]
) -> tuple[dict[str, Any], StructureFactorLine]:
    """Return spacing, width and height of the peak of the projected structure factor.

    Parameters
    ----------
    frames, radial : Projected, StructureFactorRadial
        Sums over the averaged frames, and the structure factor across the chains.
    seen : int
        Independent structures that the frames have seen.
    warnings : list of str
        Is given the reason where no peak counts.

    Returns
    -------
    dict, StructureFactorLine
        Entries ``structure_factor_m`` and ``structure_factor_line``, and the line that was fitted.
    """
    largest = 2 * math.pi / frames.shortest
    peak = find_peak(radial.q_per_m, radial.s, radial.error, radial.flat_error, 0.0, largest)
    number = _peak_number("spacing.structure_factor_m", peak, seen, warnings)
    across = lateral_direction(frames.axis)
    step = grid_step(frames.sides, across)
    average = frames.map_sum / max(1, frames.map_frames)
    modes = modes_across(average, frames.grid, across, radial.band_per_m)
    share = 1.0
    if across is not None:
        share = alike_modes(average, frames.grid, across, radial.band_per_m)
    top = number.value or 0.0
    # In a patch of few spacings the window ends at the next mode: two places a side are the least.
    reach = max(WINDOW, min(OVERTONE, top / max(top - 2.5 * step, 1e-9 * step)))
    if top and prominence(*modes, top, step, reach, seen * share) < STANDS_OUT:
        warnings.append(
            "spacing.structure_factor_m: no peak stands out of both of its sides by more than "
            "speckle does; chains that only keep a distance, or too few of them for their order"
        )
        number = NOTHING
    line = fit_line(*modes, number.value, step, seen, share) if number.value else None
    if line is not None and line.astray > ASTRAY:
        warnings.append(
            "spacing.structure_factor_m: the modes make a broad hump whose top is not known: "
            f"{100 * line.astray:.0f} of 100 as likely ones have none near the highest mode"
        )
        number, line = NOTHING, None
    if number.value and line is None and number.value < FEWEST_HELD * step:
        warnings.append(
            f"spacing.structure_factor_m: the patch holds only {number.value / step:.2g} of the "
            "spacing that the highest mode has, and no line fits it"
        )
        number = NOTHING
    return line_numbers(number, line, step, warnings)


def first_shell(
    frames: SpacingFrames, axes: AxisCorrelation, seen: int, warnings: list[str]
) -> Estimate:
    """Return the first maximum of the pair correlation of chain axes; parameters as above."""
    largest = 0.95 * frames.reach
    peak = find_peak(
        axes.distance_m, axes.g, axes.error, axes.flat_error, frames.shortest, largest, FIRST_SHELL
    )
    name = "spacing.axis_correlation_m"
    found = _peak_number(name, peak, seen, warnings)
    if found.value is None:
        return NOTHING
    place = shell_place(
        np.sum(frames.shell_counts, axis=0), np.sum(frames.shell_ideal, axis=0), frames.edges,
        found.value,
    )  # fmt: skip
    if place is None:
        warnings.append(
            f"{name}: the first maximum does not stand out of both of its sides by more than parts "
            "of the film differ, or is an edge, as of chains that only keep a distance, or merges "
            "with the next one"
        )
        return NOTHING
    return replace(place, samples=seen)


def _peak_number(name: str, peak: Peak | None, seen: int, warnings: list[str]) -> Estimate:
    """Return a peak position, or nothing and the reason."""
    if peak is None:
        warnings.append(f"{name}: no peak at distances that chains can have")
        return NOTHING
    if peak.chance > LIKELY_NOISE:
        warnings.append(
            f"{name}: no peak stands out; noise alone makes one as high in "
            f"{100 * peak.chance:.0f} of 100 cases"
        )
        return NOTHING
    if peak.chance > PERHAPS_NOISE:
        warnings.append(
            f"{name}: a weak peak; noise alone makes one as high in {100 * peak.chance:.0f} "
            "of 100 cases"
        )
    return Estimate(peak.position, peak.error, seen)
