"""The curves behind the numbers: arrays for the figures and the CSV tables, all in SI."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.chains.bonds import ROOM_TEMPERATURE_K
from analysis.chains.magnetisation import magnetisation_law
from analysis.chains.series import ChainSeries
from analysis.chains.theory import chain_length_law
from analysis.measures.sections import length_distribution
from analysis.spacing.distances import SpacingFrames, lateral_direction
from analysis.spacing.structure_factor import full_map, profile
from analysis.trajectory.run import Run
from analysis.trajectory.stages import Stage, is_field_known
from analysis.uncertainty.estimate import ONE_SIGMA, student_factor

Floats = NDArray[np.float64]
Curve = dict[str, Any]


def time_series(run: Run, series: ChainSeries, field: Floats) -> Curve:
    """Return what is known at every frame; NaN where it could not be measured."""
    reference = series.along
    along = field @ reference if reference is not None else np.linalg.norm(field, axis=1)
    if series.turning is not None:
        along = np.sum(field * series.turning, axis=1)
    magnetisation = series.values["magnetisation"]
    stored = run.observables.get("magnetisation")
    if not run.has_moments and reference is not None and stored is not None and stored.ndim == 2:
        magnetisation = stored @ reference
    nothing = np.full(run.frames, np.nan)
    return {
        "time_s": nothing if run.is_sampled else run.times,
        "mean_length": series.values["mean_length"],
        "weight_mean_length": series.values["weight_mean_length"],
        "mean_length_error": series.within["mean_length"],
        "singles_fraction": series.values["singles_fraction"],
        "spanning_share": series.values["spanning_share"],
        "straightness": series.values["straightness"],
        "magnetisation": magnetisation,
        "alignment": series.values["order"],
        "field_t": along,
        "energy_dipolar": run.observables.get("energy_dipolar", nothing),
        "energy_steric": run.observables.get("energy_steric", nothing),
        "step": run.steps,
    }


def chain_lengths(series: ChainSeries, stage: Stage, structures: float | None) -> Curve:
    """Return the share of chains of each length beside the geometric law of the same mean."""
    length, share, error = length_distribution(series, stage, structures)
    mean = float((length * share).sum()) if len(length) else 1.0
    return {
        "length": length,
        "fraction_of_chains": share,
        "error": error,
        "theory": chain_length_law(length, mean),
    }


def nearest_neighbour(frames: SpacingFrames, structures: float | None) -> Curve:
    """Return the density of distances to the nearest chain axis, which integrates to 1."""
    edges = frames.edges
    width = float(edges[1] - edges[0])
    counts = np.sum(frames.nearest_counts, axis=0) if frames.nearest_counts else np.zeros(0)
    total = float(counts.sum())
    share = counts / total if total else np.zeros_like(counts)
    chains = total / max(1, len(frames.nearest_counts)) / max(1.0, float(np.mean(frames.links)))
    free = max(1.0, chains * max(1.0, structures or 1.0))
    return {
        "bin_centres_m": 0.5 * (edges[1:] + edges[:-1]),
        "density_per_m": share / width,
        "error": np.sqrt(share * (1 - share) / free) / width,
    }


def structure_curves(
    frames: SpacingFrames, structures: float | None, weight_length: float | None
) -> tuple[Curve, Curve]:
    """Return the map of the projected structure factor and its profile across the chains.

    The band of modes that counts as "across" is as wide as the streak of a chain of the weight
    mean length, pi over that length; a chain that spans the patch leaves the modes exactly across.
    """
    average = frames.map_sum / max(1, frames.map_frames)
    lateral = lateral_direction(frames.axis)
    band = 0.0
    if weight_length is not None:
        band = math.pi / (max(weight_length, 2.0) * frames.median)
    q, s, error, flat = profile(
        average, frames.grid, frames.sides, lateral, band, structures or 1.0
    )
    qy = frames.grid.qy
    whole = full_map(average)
    # The mode at q = 0 only counts the particles.
    whole[len(qy) - 1, len(frames.grid.qx) // 2] = np.nan
    mapped = {
        "qx_per_m": frames.grid.qx,
        "qy_per_m": np.concatenate([-qy[:0:-1], qy]),
        "s": whole,
    }
    return mapped, {"q_per_m": q, "s": s, "error": error, "flat_error": flat, "band_per_m": band}


def axis_correlation(frames: SpacingFrames) -> Curve:
    """Return the pair correlation of chain axes across the chains; 1 for chains at random.

    The error comes from the scatter between compact parts of the film, over all frames together,
    so that a chain that is seen in every frame counts once and pairs stay in one part.
    """
    counts = np.sum(frames.shell_counts, axis=0)
    ideal = np.sum(frames.shell_ideal, axis=0)
    members = np.sum(frames.shell_members, axis=0)
    edges = frames.edges
    usable, filled = ideal > 0, members > 0
    centres = (0.5 * (edges[1:] + edges[:-1]))[usable]
    if not usable.any() or filled.sum() < 2:
        g = counts.sum(axis=0)[usable] / ideal[usable]
        nothing = np.full(len(g), np.nan)
        return {"distance_m": centres, "g": g, "error": nothing, "flat_error": nothing}
    ideal = ideal[usable]
    g = counts[:, usable].sum(axis=0) / ideal
    weight = (members / members.sum())[filled, None]
    away = counts[filled][:, usable] / ideal - weight * g
    batches = int(filled.sum())
    variance = batches / (batches - 1) * (away**2).sum(axis=0)
    # A few parts make a rough variance; its ratio to the count is alike in nearby bins.
    floor = 0.02 * float(g.max(initial=1.0))
    ratio = np.convolve(variance * ideal / np.maximum(g, floor), np.ones(5), mode="same")
    ratio /= np.convolve(np.ones(len(g)), np.ones(5), mode="same")
    flat = student_factor(ONE_SIGMA, batches - 1.0) * np.sqrt(ratio / ideal)
    return {
        "distance_m": centres,
        "g": g,
        "error": np.sqrt(np.maximum(g, floor)) * flat,
        "flat_error": flat,
    }


def magnetisation_curve(run: Run, stage: Stage, measured: dict[str, Any]) -> Curve:
    """Return the magnetisation law of the run's own sizes with the measured point."""
    magnitudes = run.moment_magnitudes
    if run.derived.get("core_moment_am2"):  # beads follow the law of the cores inside them
        magnitudes = np.array([float(run.derived["core_moment_am2"])])
    if magnitudes is None and run.has_moments:
        magnitudes = np.linalg.norm(run.moments(-1), axis=1)
    temperature = float(run.derived.get("temperature_k") or ROOM_TEMPERATURE_K)
    field = float(np.linalg.norm(stage.field))
    curve: Curve = dict(
        magnetisation_law(np.zeros(1) if magnitudes is None else magnitudes, field, temperature)
    )
    if magnitudes is None:  # of no moments there is no law
        curve["relative"] = np.full(len(curve["relative"]), math.nan)
    if magnitudes is None or not is_field_known(run):  # nor a place on it without a field
        curve |= {"law": math.nan, "measured_langevin_parameter": math.nan}
    curve["measured"] = math.nan if measured["value"] is None else measured["value"]
    curve["measured_error"] = math.nan if measured["error"] is None else measured["error"]
    return curve
