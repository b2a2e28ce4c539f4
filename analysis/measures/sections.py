"""Turns series over frames into the sections of measures.json, and collects the warnings."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.chains.series import ChainSeries
from analysis.chains.theory import random_clear_fraction
from analysis.response.break_up import break_up_numbers
from analysis.response.decay_numbers import decay_numbers, switch_off_time
from analysis.response.growth import growth, growth_stages, switch_off
from analysis.response.lag import oscillating_numbers, turning_numbers
from analysis.spacing.distances import SpacingFrames, lateral_direction
from analysis.spacing.first_shell import shell_place
from analysis.spacing.line import (
    WINDOW,
    alike_modes,
    fit_line,
    grid_step,
    line_numbers,
    modes_across,
)
from analysis.spacing.prominence import STANDS_OUT, prominence
from analysis.spacing.structure_factor import OVERTONE, Peak, find_peak
from analysis.trajectory.cycles import Swing
from analysis.trajectory.run import Run
from analysis.trajectory.stages import Stage
from analysis.uncertainty.estimate import NOTHING, Estimate, estimate

Floats = NDArray[np.float64]
Curve = dict[str, Any]

LIKELY_NOISE = 0.05
PERHAPS_NOISE = 0.02
FIRST_SHELL = 0.35
"""Share of the highest shell from which on one counts: a further shell may hold two neighbours."""
SPACINGS_WANTED = 20.0
LENGTHS_WANTED = 5.0
SPANNING_WARNING = 0.01
BRANCHED_WARNING = 0.05
UNPAIRED_WARNING = 0.05

NO_MOMENTS = "the file holds no moments, so head-to-tail bonds cannot be told"


def chain_numbers(
    series: ChainSeries, stage: Stage, structures: float | None, warnings: list[str]
) -> dict[str, Any]:
    """Return the section ``chains``: lengths, shares, straightness, clusters."""

    def of(name: str) -> dict[str, Any]:
        number = averaged(series, name, stage, structures)
        return number.as_dict()

    names = (
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
    out: dict[str, Any] = {name: of(name) for name in names}
    lengths, share, error = length_distribution(series, stage, structures)
    out["distribution"] = [
        {"length": int(n), "fraction_of_chains": float(p), "error": float(e)}
        for n, p, e in zip(lengths, share, error, strict=True)
        if p > 0
    ]
    out["clusters"] = {
        "mean_size": of("cluster_mean_size"),
        "weight_mean_size": of("cluster_weight_mean_size"),
        "largest_share": of("largest_cluster_share"),
    }
    out["independent_structures"] = structures
    _warn_of_chains(out, bool(series.lengths), warnings)
    return out


def _warn_of_chains(out: dict[str, Any], known: bool, warnings: list[str]) -> None:
    """Say what the lengths leave open; ``known`` is whether bonds could be told at all."""
    if not known:
        warnings.append(f"chains: {NO_MOMENTS}; clusters by distance are given instead")
        return
    if out["straightness"]["value"] is None:
        warnings.append("chains.straightness: no open chain of three or more particles")
    if (out["branched_share"]["value"] or 0.0) > BRANCHED_WARNING:
        warnings.append(
            f"chains.branched_share: {100 * out['branched_share']['value']:.2g} % of the particles "
            "are in branched groups, which count with all their particles in the mean lengths; "
            "the mean length of linear chains (chains.linear_mean_length) leaves them out"
        )
    if (out["spanning_share"]["value"] or 0.0) > SPANNING_WARNING:
        warnings.append(
            f"chains.spanning_share: {100 * out['spanning_share']['value']:.2g} % of the particles "
            "are in chains that close on themselves through the patch; these have no ends, so "
            "lengths and spacings are those of the patch; take a longer patch"
        )


def averaged(series: ChainSeries, name: str, stage: Stage, structures: float | None) -> Estimate:
    """Return the average of one chain number over the averaged frames."""
    return series.average(name, stage.frames, structures)


def length_distribution(
    series: ChainSeries, stage: Stage, structures: float | None
) -> tuple[NDArray[np.int64], Floats, Floats]:
    """Return lengths from 1 on, the share of chains of each, and its error."""
    rows = [series.lengths[f] for f in stage.frames if f in series.lengths]
    rows = [r for r in rows if len(r)]
    if not rows:
        return np.zeros(0, np.int64), np.zeros(0), np.zeros(0)
    longest = max(int(r.max()) for r in rows)
    counts = np.stack([np.bincount(r, minlength=longest + 1)[1:] for r in rows])
    chains = counts.sum(axis=1, keepdims=True)
    share = counts / chains
    mean = share.mean(axis=0)
    # A length never seen may still have a share of about one in all chains.
    floor = np.maximum(mean, 1 / chains.sum())
    inside = np.sqrt(floor * (1 - np.minimum(floor, 0.5)) / chains.mean())
    errors = [
        estimate(
            share[:, k], within=np.full(len(rows), inside[k]), structures=structures or 1.0
        ).error
        for k in range(longest)
    ]
    error = np.array([math.nan if e is None else e for e in errors])
    return np.arange(1, longest + 1), mean, error


def spacing_numbers(
    frames: SpacingFrames, curves: dict[str, Curve], structures: float | None, warnings: list[str]
) -> dict[str, Any]:
    """Return the section ``spacing``: three spacings, width and clear fraction, in m."""
    seen = max(1, int(structures or 1.0))

    def of(values: list[float], within: list[float], parts: list[Floats]) -> dict[str, Any]:
        found = estimate(values, within=within, structures=structures, parts=parts)
        # Where the scatter between parts of a frame is the error, it has their freedom.
        if math.isinf(found.freedom) and found.error is not None:
            found = replace(found, freedom=max(1.0, frames.freedom))
        return found.as_dict()

    out: dict[str, Any] = {
        "nearest_neighbour_m": of(frames.nearest, frames.nearest_error, frames.nearest_parts),
        "nearest_neighbour_in_plane_m": of(
            [row[0] for row in frames.seen_through],
            [row[1] for row in frames.seen_through],
            frames.seen_parts,
        ),
        "nearest_neighbour_spread_m": of(frames.spread, frames.spread_error, frames.spread_parts),
        **_crest(frames, curves, seen, warnings),
        "axis_correlation_m": _first_shell(frames, curves, seen, warnings).as_dict(),
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
    return out


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


def _crest(
    frames: SpacingFrames, curves: dict[str, Curve], seen: int, warnings: list[str]
) -> dict[str, Any]:
    """Return spacing, width and height of the peak of the projected structure factor."""
    c = curves["structure_factor_radial"]
    largest = 2 * math.pi / frames.shortest
    peak = find_peak(c["q_per_m"], c["s"], c["error"], c["flat_error"], 0.0, largest)
    number = _peak_number("spacing.structure_factor_m", peak, seen, warnings)
    across = lateral_direction(frames.axis)
    step = grid_step(frames.sides, across)
    average = frames.map_sum / max(1, frames.map_frames)
    modes = modes_across(average, frames.grid, across, c["band_per_m"])
    share = 1.0
    if across is not None:
        share = alike_modes(average, frames.grid, across, c["band_per_m"])
    top = number.value or 0.0
    # In a patch of few spacings the window ends at the next mode: two places a side are the least.
    reach = max(WINDOW, min(OVERTONE, top / max(top - 2.5 * step, 1e-9 * step)))
    if top and prominence(*modes, top, step, reach, seen * share) < STANDS_OUT:
        warnings.append(
            "spacing.structure_factor_m: no peak stands out of both of its sides by more than "
            "speckle does; chains that only keep a distance, or too few of them for their order"
        )
        number = NOTHING
    line = fit_line(*modes, number.value, step, seen) if number.value else None
    line = line.widened(share) if line is not None else None
    entries, curves["structure_factor_line"] = line_numbers(number, line, step, warnings)
    return entries


def _first_shell(
    frames: SpacingFrames, curves: dict[str, Curve], seen: int, warnings: list[str]
) -> Estimate:
    """Return the first maximum of the pair correlation of chain axes."""
    c = curves["axis_correlation"]
    largest = 0.95 * frames.reach
    peak = find_peak(
        c["distance_m"], c["g"], c["error"], c["flat_error"], frames.shortest, largest, FIRST_SHELL
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


def patch_warnings(
    run: Run, frames: SpacingFrames, chains: dict[str, Any], warnings: list[str]
) -> float:
    """Say what the patch is too small for; return the spacings that it holds across the chains."""
    lateral = lateral_direction(frames.axis)
    room = float(run.sides.min() if lateral is None else np.abs(lateral) @ run.sides)
    held = room / frames.line
    if held < SPACINGS_WANTED:
        warnings.append(
            f"spacing: the patch holds {held:.2g} line-density spacings across the chains; "
            f"{SPACINGS_WANTED:.0f} are wanted for a sharp peak"
        )
    weight = chains["weight_mean_length"]["value"]
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


def alignment_numbers(
    series: ChainSeries, stage: Stage, structures: float | None, by_field: bool, warnings: list[str]
) -> dict[str, Any]:
    """Return the section ``alignment``: order of chain axes and moments, tilt."""
    out: dict[str, Any] = {
        "order": averaged(series, "order", stage, structures).as_dict(),
        "moment_order": averaged(series, "moment_order", stage, None).as_dict(),
        "tilt_deg": averaged(series, "tilt_deg", stage, structures).as_dict(),
        "reference": "none" if series.reference is None else ("field" if by_field else "director"),
        "reference_direction": (
            None if series.reference is None else [float(x) for x in series.reference]
        ),
    }
    if series.turning is not None:
        out["reference"], out["reference_direction"] = "turning field", None
    if out["order"]["value"] is None and series.lengths:
        warnings.append("alignment.order: no chain of two or more particles")
    return out


def relaxation_numbers(
    run: Run,
    series: ChainSeries,
    field: Floats,
    warnings: list[str],
    stage: Stage | None = None,
) -> dict[str, Any]:
    """Return the section ``relaxation``: growth after switch-on, decay, lag behind the field."""
    size = np.linalg.norm(field, axis=1)
    on = size > 0.5 * size.max(initial=0.0) if size.max(initial=0.0) > 0 else size >= 0
    first = int(np.argmax(on))
    # Switched on between two frames, or already at the start.
    start = float(run.times[max(0, first - 1)]) if first else float(run.times[0])
    stop = first + (int(np.argmin(on[first:])) if not on[first:].all() else len(on) - first)
    rows = slice(first, stop)
    unit_time = run.derived.get("diffusion_time_s")
    out: dict[str, Any] = {}
    for key, name in (
        ("growth_exponent", "mean_length"),
        ("growth_exponent_weight", "weight_mean_length"),
    ):
        found = growth(
            run.times[rows] - start,
            series.values[name][rows],
            series.within[name][rows],
            series.values["spanning_share"][rows],
            unit_time,
        )
        out[key] = found.exponent.as_dict()
        out["growth_from_s"], out["growth_to_s"] = found.from_s, found.to_s
        if found.reason and key == "growth_exponent":
            why = NO_MOMENTS if not series.lengths else found.reason
            warnings.append(f"relaxation.growth_exponent: {why}")
        if found.exponent.value is not None and found.exponent.error is None:
            warnings.append(
                f"relaxation.{key}: its error is not known, as the first or the last frame has too "
                "few chains for a scatter between them"
            )
        if key == "growth_exponent":
            out |= growth_stages(found)
    swing = None if stage is None else stage.swing
    if stage is not None and swing is not None:
        out.update(_lags(run, series, stage, swing, warnings))
    if series.turning is not None and series.axis is not None:
        out.update(break_up_numbers(run, series, warnings))
    last_on = switch_off(field) if swing is None else None
    out["switch_off_time_s"] = None if last_on is None else switch_off_time(run, last_on)[0]
    if last_on is not None:
        out.update(decay_numbers(run, series, last_on, warnings))
    return out


def _lags(
    run: Run, series: ChainSeries, stage: Stage, swing: Swing, warnings: list[str]
) -> dict[str, Any]:
    """Return how far magnetisation and chains lag behind the field."""
    withheld = None
    if not run.derived.get("moment_relaxation_meaningful", True):
        withheld = "moments were slowed down in this run, so their lag is withheld"
    rows = stage.frames
    if swing.turns:
        names = ("in_phase", "behind", "axis_cos", "axis_sin")
        parts = {name: series.values[name][rows] for name in names}
        return turning_numbers(swing, parts, withheld, warnings)
    values = series.values["magnetisation"][rows]
    if series.along is not None:  # the largest field of the run may have pointed elsewhere
        values = values * float(np.sign(swing.direction @ series.along))
    return oscillating_numbers(swing, run.times[rows], values, withheld, warnings)
