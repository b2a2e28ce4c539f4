"""What measures.json repeats of a run's own record, and what the record warns of."""

from __future__ import annotations

from typing import Any

from analysis.spacing.distances import volume_fraction
from analysis.trajectory.run import Run

CAPPED_SHARE = 1.0e-6
"""More capped moves than this share of all moves are warned about."""

TIMING_KEYS = ("setup_s", "compile_s", "stepping_s", "output_s", "steps", "threads")


def recorded(run: Run) -> dict[str, Any]:
    """Return the section ``parameters``, as text and plain values."""
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


def derived(run: Run) -> dict[str, Any]:
    """Return the section ``derived``: what follows from the parameters before any frame."""
    diameters = run.diameters_of(0)
    fraction = volume_fraction(diameters, run.sides, run.thickness)
    return {"volume_fraction": fraction, "particle_count": run.held} | run.derived


def timing(run: Run) -> dict[str, Any]:
    """Return the section ``timing``: what the run took."""
    return dict.fromkeys(TIMING_KEYS) | run.timing


def recorded_warnings(run: Run) -> list[str]:
    """Return notices on the file, an early end, shortened moves, and what ``check`` said."""
    warnings = [f"file: {notice}" for notice in run.notices]
    if not run.finished:
        warnings.append(
            f"run: it ended early ({run.end_reason})"
            if run.end_reason
            else "run: it still runs, or was killed; numbers are of the frames written so far"
        )
    return warnings + _shortened_moves(run) + [f"check: {sentence}" for sentence in run.told]


def _shortened_moves(run: Run) -> list[str]:
    """Warn where the cap on drifts acted often enough to slow particles down."""
    capped = run.timing.get("capped_moves") or 0
    count = run.count if run.cutout is None else run.cutout.particles
    moves = (run.timing.get("steps") or 0) * count
    if capped <= CAPPED_SHARE * moves:
        return []
    return [
        f"run: {capped} of {moves} moves were shortened by the drift cap, which slows particles "
        "that are pressed together; a shorter time_step avoids it"
    ]
