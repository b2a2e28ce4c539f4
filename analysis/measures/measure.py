"""Measures a whole run: every number with its uncertainty, the curves behind, and the warnings."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.chains.bonds import ROOM_TEMPERATURE_K, BondRule, rule_of
from analysis.chains.groups import Chains, find_chains
from analysis.chains.magnetisation import director
from analysis.chains.series import ChainSeries
from analysis.files.writing import write_text
from analysis.measures import curves as draw
from analysis.measures import sections as tell
from analysis.measures.bounds import keep_possible
from analysis.measures.details import ChainDetails
from analysis.measures.memory import memory_numbers, short_run_warning
from analysis.measures.sampled import evenly, rest_of, without_times
from analysis.measures.stages import stage_numbers
from analysis.response.equilibration import equilibration
from analysis.response.growth import bond_survival, independent_structures
from analysis.response.lag_curve import lag_curve
from analysis.response.susceptibility_section import susceptibility_numbers
from analysis.spacing.distances import SpacingFrames
from analysis.trajectory.cycles import turning_frames
from analysis.trajectory.run import Run
from analysis.trajectory.stages import (
    Stage,
    field_direction,
    field_series,
    is_field_known,
    last_stage,
)
from analysis.uncertainty.estimate import estimate

Floats = NDArray[np.float64]

# More capped moves than this share of all moves are warned about.
CAPPED_SHARE = 1.0e-6
TIMING_KEYS = ("setup_s", "compile_s", "stepping_s", "output_s", "steps", "threads")


@dataclass(frozen=True)
class Measurement:
    """What was measured in one run.

    Attributes
    ----------
    numbers : dict
        The content of measures.json.
    curves : dict
        Named sets of arrays, see ``measured_curves``.
    last_frame : dict
        ``positions`` (N, 3) m, ``moments`` (N, 3) A m2 or None, ``diameters`` (N,) m,
        ``chain_index`` (N,) with -1 for singles, ``bonds`` (B, 2) particles, ``sides`` (2,) m,
        ``thickness`` m.
    """

    numbers: dict[str, Any]
    curves: dict[str, dict[str, Any]]
    last_frame: dict[str, Any]


@dataclass
class _Pass:
    """What one pass over all frames leaves behind."""

    chains: ChainSeries
    spacing: SpacingFrames
    details: ChainDetails
    last: Chains


def measure(
    run: Run,
    *,
    bond_distance: float | None = None,
    bond_alignment: float | None = None,
    bond_energy: float | str | None = None,
    from_time: float | None = None,
    on_progress: Callable[[int, int], None] | None = None,
) -> Measurement:
    """Measure a run.

    Parameters
    ----------
    run : Run
        An opened trajectory.
    bond_distance, bond_alignment : float, optional
        The bond rule; by default that of the run, else 1.3 mean diameters and 0.5.
    bond_energy : float or "auto", optional
        Bonds by dipolar energy instead, with this limit in kT; "auto" is half the contact energy.
    from_time : float, optional
        Average from this time in s on; by default over the second half of the last steady stage
        of the field.
    on_progress : callable, optional
        Called with (frames measured, frames) after each frame.

    Returns
    -------
    Measurement
        Numbers that could not be measured have the value None and a reason in ``warnings``.

    Raises
    ------
    ValueError
        Where a bond rule or ``from_time`` is outside its range.
    TrajectoryError
        Where a frame cannot be read.
    """
    temperature = float(run.derived.get("temperature_k") or ROOM_TEMPERATURE_K)
    rule = rule_of(run.bonds, temperature, bond_distance, bond_alignment, bond_energy)
    field = field_series(run)
    if run.is_sampled and from_time is not None:
        raise ValueError("from_time must be left out: a sampled run knows no times.")
    stage = last_stage(run, field, from_time)
    if run.is_sampled:
        stage = evenly(run, stage)
    by_field = field_direction(run, field)
    along = field_direction(run, field, zero_too=True)
    passed = _pass(run, stage, by_field, along, rule, field, on_progress)
    span = float(run.times[stage.frames[-1]] - run.times[stage.frames[0]])
    life = bond_survival(passed.details.bonds, run.times[stage.frames], run.count)
    structures = independent_structures(life, span)
    if structures is None and len(stage.frames) == 1:
        structures = 1.0
    return _assembled(run, stage, field, by_field is not None, passed, structures, rule)


def _pass(
    run: Run,
    stage: Stage,
    by_field: Floats | None,
    along: Floats | None,
    rule: BondRule,
    vectors: Floats,
    on_progress: Callable[[int, int], None] | None = None,
) -> _Pass:
    """Go once through all frames."""

    def chains_of(positions: Floats, moments: Floats | None) -> Chains:
        return find_chains(
            positions,
            moments,
            run.diameters,
            run.sides,
            bond_distance=rule.distance,
            bond_alignment=rule.alignment,
            bond_energy=rule.energy,
        )

    def read(frame: int) -> tuple[Floats, Floats | None]:
        return run.positions(frame), run.moments(frame) if run.has_moments else None

    reference = by_field
    if reference is None and run.has_moments:
        last = chains_of(*read(run.frames - 1))
        several = last.size > 1
        reference = director(last.axis[several], last.size[several].astype(np.float64))
    series = ChainSeries(run.frames, reference, along if along is not None else reference)
    if run.derived.get("core_moment_am2"):  # beads that the field magnetises
        series.saturation = run.moment_magnitudes
    turning = turning_frames(run, stage.swing, vectors)
    if turning is not None:
        series.turning, series.axis = turning
    axis = reference if run.has_moments else None
    spacing = SpacingFrames(run.sides, run.thickness, run.diameters, axis)
    details = ChainDetails(run, stage, axis, rule)
    averaged = set(stage.frames.tolist())
    for frame in range(run.frames):
        positions, moments = read(frame)
        last = chains_of(positions, moments)
        series.add(frame, last, moments)
        if frame in averaged:
            spacing.add(positions, last)
            details.add(frame, positions, moments, last)
        if on_progress is not None:
            on_progress(frame + 1, run.frames)
    return _Pass(series, spacing, details, last)


def _assembled(
    run: Run,
    stage: Stage,
    field: Floats,
    by_field: bool,
    passed: _Pass,
    structures: float | None,
    rule: BondRule,
) -> Measurement:
    """Put numbers, curves and warnings together."""
    warnings = [f"file: {notice}" for notice in run.notices]
    if not run.finished:
        warnings.append(f"run: it ended early ({run.end_reason or 'no reason recorded'})")
    warnings += _shortened_moves(run)
    warnings += [f"check: {sentence}" for sentence in run.told]
    series, spacing = passed.chains, passed.spacing
    chains = tell.chain_numbers(series, stage, structures, warnings)
    chains.update(rule.as_dict())
    curves = _curves(run, stage, field, passed, structures, chains["weight_mean_length"]["value"])
    spaces = tell.spacing_numbers(spacing, curves, structures, warnings)
    spaces["spacings_across_patch"] = tell.patch_warnings(run, spacing, chains, warnings)
    magnetisation = _magnetisation(run, series, stage, curves, warnings)
    numbers: dict[str, Any] = {
        "parameters": _parameters(run),
        "derived": {"volume_fraction": spacing.fraction, "particle_count": run.count} | run.derived,
        "equilibration": _rest(run, stage, curves["time_series"], warnings),
        "chains": chains,
        "spacing": spaces,
        "alignment": tell.alignment_numbers(series, stage, structures, by_field, warnings),
        "magnetisation": magnetisation,
        "relaxation": tell.relaxation_numbers(run, series, field, warnings, stage)
        | memory_numbers(run, series, stage, warnings),
        "stages": stage_numbers(run, field, series, stage, structures),
        "timing": dict.fromkeys(TIMING_KEYS) | run.timing,
        "warnings": warnings,
    }
    if not is_field_known(run):
        for one in numbers["stages"]:
            one["field_t"] = None
    passed.details.add_numbers(numbers, curves, structures, warnings)
    frames = len(stage.frames)
    if frames < 4 or (structures is not None and structures < 4 and series.lengths):
        held = "an unknown number of" if structures is None else f"about {structures:.2g}"
        warnings.append(
            f"uncertainty: {frames} averaged frames hold {held} independent structures; errors "
            "rest on the scatter between the chains of one frame"
        )
    warnings += short_run_warning(numbers)
    if run.is_sampled:
        without_times(numbers, warnings)
    return Measurement(keep_possible(_plain(numbers)), curves, _last_frame(run, passed.last))


def _shortened_moves(run: Run) -> list[str]:
    """Warn where the cap on drifts acted often enough to slow particles down."""
    capped = run.timing.get("capped_moves") or 0
    moves = (run.timing.get("steps") or 0) * run.count
    if capped <= CAPPED_SHARE * moves:
        return []
    return [
        f"run: {capped} of {moves} moves were shortened by the drift cap, which slows particles "
        "that are pressed together; a shorter time_step avoids it"
    ]


def _curves(
    run: Run,
    stage: Stage,
    field: Floats,
    passed: _Pass,
    structures: float | None,
    weight_length: float | None,
) -> dict[str, dict[str, Any]]:
    """Return all curves but the magnetisation law."""
    series, spacing = passed.chains, passed.spacing
    mapped, radial = draw.structure_curves(spacing, structures, weight_length)
    return {
        "time_series": draw.time_series(run, series, field),
        "chain_lengths": draw.chain_lengths(series, stage, structures),
        "nearest_neighbour": draw.nearest_neighbour(spacing, structures),
        "structure_factor_map": mapped,
        "structure_factor_radial": radial,
        "axis_correlation": draw.axis_correlation(spacing),
        "lag": lag_curve(run, series),
    }


def _rest(run: Run, stage: Stage, series: dict[str, Floats], warnings: list[str]) -> dict[str, Any]:
    """Return the section ``equilibration`` and warn where the film is not at rest."""
    names = ("mean_length", "weight_mean_length", "alignment", "magnetisation", "energy_dipolar")
    tested = {name: series[name] for name in names if np.isfinite(series[name]).any()}
    rest = rest_of(run, stage) if run.is_sampled else equilibration(run, stage, tested)
    if not rest["reached"]:
        warnings.append(
            f"equilibration: not reached ({rest['reason']}); lengths and spacings are values "
            f"{rest['statement']}, not properties of the film"
        )
    return rest


def _magnetisation(
    run: Run,
    series: ChainSeries,
    stage: Stage,
    curves: dict[str, dict[str, Any]],
    warnings: list[str],
) -> dict[str, Any]:
    """Return the section ``magnetisation`` and add its curve."""
    along = curves["time_series"]["magnetisation"][stage.frames]
    relative = estimate(along, within=series.within["magnetisation"][stage.frames]).as_dict()
    curve = draw.magnetisation_curve(run, stage, relative)
    curves["magnetisation_law"] = curve
    if relative["value"] is None:
        warnings.append("magnetisation.relative: neither moments nor a field direction are known")
    if not is_field_known(run):
        warnings.append(
            "magnetisation.field_t: the file records no field; stages, growth and directions are "
            "those of a film that none changes"
        )
    if run.has_moments and run.derived.get("temperature_k") is None:
        warnings.append(
            f"magnetisation: the file records no temperature; {ROOM_TEMPERATURE_K:g} K is taken "
            "for the Langevin law and for bonds that are told by energy"
        )
    answer, curves["susceptibility"] = susceptibility_numbers(run, series, stage, warnings)
    return {
        "relative": relative,
        "langevin_relative": curve["law"],
        "langevin_parameter": curve["measured_langevin_parameter"],
        "field_t": float(np.linalg.norm(stage.field)) if is_field_known(run) else None,
        **answer,
    }


def _parameters(run: Run) -> dict[str, Any]:
    """Return the section ``parameters``: the run's own record, as text and plain values."""
    return {
        "text": run.parameters_text,
        "version": run.version,
        "commit": run.origin.get("commit") or None,
        "sources": run.origin.get("sources") or None,
        "versions": run.versions,
        "seed": run.seed,
        "processor": run.processor,
        "run_id": run.origin.get("run_id") or None,
        "parts": run.origin.get("parts", []),
        "resolved": run.resolved,
        "finished": run.finished,
        "end_reason": run.end_reason,
        "provisional": run.provisional,
        "patch_m": [float(side) for side in run.sides],
        "thickness_m": run.thickness,
        "frames": run.frames,
    }


def _last_frame(run: Run, chains: Chains) -> dict[str, Any]:
    """Return the last frame for the pictures."""
    return {
        "positions": run.positions(-1),
        "moments": run.moments(-1) if run.has_moments else None,
        "diameters": run.diameters,
        "chain_index": chains.index,
        "bonds": chains.bonds,
        "sides": run.sides,
        "thickness": run.thickness,
    }


def _plain(value: Any) -> Any:
    """Return nested values as JSON knows them; numbers that are not finite become None."""
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, np.bool_):
        return bool(value)
    if isinstance(value, np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    return value


def write(measurement: Measurement, directory: str | Path) -> Path:
    """Write measures.json into a folder, atomically, and return its path."""
    path = Path(directory) / "measures.json"
    write_text(path, json.dumps(measurement.numbers, indent=2, ensure_ascii=False) + "\n")
    return path
