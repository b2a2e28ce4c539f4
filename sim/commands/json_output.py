"""The one JSON document that `run`, `sweep` and `map` print with --json, without printing.

Headline numbers are `{"value", "error", ...}` as in measures.json, null where not measured; lengths
in m, shares as fractions. Paths are those of files that are there, as the command would name them.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.common.conventions import IN_PLANE, NO_CHAINS, STANDING

if TYPE_CHECKING:
    from sim.outlook.cell.drift import CellDrift
    from sim.outlook.cell.map import CellMap
    from sim.parameters.types import Parameters
    from sim.run.simulate import Run
    from sim.sweeps.sweep import Sweep
    from sim.sweeps.table import SweepPlan


def json_text(content: dict[str, Any]) -> str:
    """Return a document as text; numbers that are not finite become null, as JSON has none."""
    return json.dumps(_finite(content), indent=2, ensure_ascii=False, allow_nan=False)


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(key): _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _files(directory: Path) -> list[str]:
    """Return what is in a folder of results, sorted, hidden files left out."""
    found = (path for path in directory.rglob("*") if path.is_file())
    return sorted(str(path) for path in found if not path.name.startswith("."))


def run_content(parameters: Parameters, numbers: dict[str, Any], run: Run) -> dict[str, Any]:
    """Return the document of a run whose measures.json holds some numbers."""
    from analysis.quantities.all import shown

    return {
        "command": "run",
        "title": parameters.title or parameters.name,
        "directory": str(run.directory),
        "finished": run.finished,
        "reason": run.reason,
        "steps": run.step,
        "frames": run.frames,
        "headline": {one.path: one.entry(numbers) for one in shown("screen")},
        "equilibrium_reached": numbers.get("equilibration", {}).get("reached"),
        "timing": numbers.get("timing", {}),
        "warnings": numbers.get("warnings", []),
        "notices": [*parameters.notices, *run.notices],
        "files": _files(run.directory),
    }


def sweep_content(
    plan: SweepPlan, rows: list[dict[str, Any]], summary: list[dict[str, Any]], result: Sweep
) -> dict[str, Any]:
    """Return the document of a sweep, whole or not, from the rows of its two tables."""
    from analysis.quantities.all import shown

    points = []
    for point, row in zip(plan.points, summary, strict=True):
        headline = {
            one.path: {"value": row[one.column], "error": row.get(f"{one.column}_error")}
            for one in shown("screen")
            if one.column in row
        }
        counted = {key: row[key] for key in ("replicas_done", "equilibrated_share") if key in row}
        about: dict[str, Any] = {"point": point.number, "settings": point.settings}
        points.append(about | counted | {"headline": headline})
    return {
        "command": "sweep",
        "title": plan.title or plan.name,
        "directory": str(result.directory),
        "finished": result.finished,
        "runs": result.runs,
        "runs_finished": result.count("finished"),
        "runs_failed": result.count("failed"),
        "points": points,
        "failed": [
            {"folder": row["folder"], "reason": row["reason"]}
            for row in rows
            if row["status"] == "failed"
        ],
        "notices": [*plan.notices, *result.notices],
        "files": _files(result.directory),
    }


def map_content(
    film: CellMap, parameters: Parameters, directory: Path, drift: CellDrift | None
) -> dict[str, Any]:
    """Return the document of a map: the least and the most of each number over the cell."""
    import numpy as np

    from sim.magnets.safety import magnet_cautions
    from sim.outlook.look_ahead import length_band
    from sim.outlook.text.cautions import bench_cautions

    low, high = length_band(film.mean_length)

    def span(values: Any) -> dict[str, float]:
        return {"least": float(np.min(values)), "most": float(np.max(values))}

    def share(state: int) -> float:
        return float(np.mean(film.state == state))

    content: dict[str, Any] = {
        "command": "map",
        "title": parameters.title or parameters.name,
        "directory": str(directory),
        "headline": {
            "field_t": span(film.strength),
            "tilt_deg": span(np.abs(film.tilt)),
            "langevin_parameter": span(film.langevin),
            "coupling": span(film.coupling),
            "predicted_mean_length": span(film.mean_length)
            | {"band_low": float(np.min(low)), "band_high": float(np.max(high))},
            "drift_m_s": span(np.linalg.norm(film.drift[..., :2], axis=-1)),
            "share_in_plane": share(IN_PLANE),
            "share_standing": share(STANDING),
            "share_without_chains": share(NO_CHAINS),
        },
        "warnings": [*magnet_cautions(parameters), *bench_cautions(parameters)],
        "notices": list(parameters.notices),
        "files": _files(directory),
    }
    if drift is not None:
        content["drift"] = {
            "change_done": float(drift.drift.change[-1]),
            "half_time_s": drift.drift.half_time_s,
            "volume_fraction_start": span(drift.fractions[0]),
            "volume_fraction_end": span(drift.fractions[-2]),
            "volume_fraction_equilibrium": span(drift.fractions[-1]),
        }
    return content
