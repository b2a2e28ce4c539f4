"""A sweep folder whose answers are known because its run folders were written by hand."""

from __future__ import annotations

import json
import math
from pathlib import Path

FIELDS = (0.005, 0.01, 0.02, 0.04)
THICKNESSES = (0.15e-6, 0.3e-6)
KEYS = (
    {"path": "field.strength", "column": "field.strength_T", "unit": "T"},
    {"path": "film.thickness", "column": "film.thickness_m", "unit": "m"},
)


def planted_sweep(
    folder: Path, *, keys=KEYS, points=None, replicas=2, measures=None, title="planted sweep"
) -> Path:
    """Write sweep.json and a folder a run with measures.json and time_series.csv.

    ``points`` are dicts of column values; ``measures(point, replica)`` gives what ``plant_run``
    takes, or None to leave the folder empty.
    """
    folder.mkdir(parents=True, exist_ok=True)
    if points is None:
        points = [
            {"field.strength_T": field, "film.thickness_m": thickness}
            for field in FIELDS
            for thickness in THICKNESSES
        ]
    record = {"format": 1, "title": title, "replicas": replicas, "keys": list(keys), "points": []}
    for number, columns in enumerate(points, 1):
        runs = []
        for replica in range(1, replicas + 1):
            name = f"runs/point_{number}_replica_{replica}"
            run = {"replica": replica, "seed": 100 * number + replica, "folder": name}
            runs.append(run | {"parameters": resolved_film(columns)})
            planted = (measures or usual)(columns, replica)
            if planted is not None:
                plant_run(folder / name, **planted)
        record["points"].append({"point": number, "columns": columns, "runs": runs})
    (folder / "sweep.json").write_text(json.dumps(record))
    return folder


def resolved_film(columns):
    """Return the parameters of a run in SI, as a sweep records them: what a map asks of them."""
    tilt = columns.get("field.tilt_rad", 0.0)
    strength = columns.get("field.strength_T", 0.02)
    vector = [strength * math.cos(tilt), 0.0, strength * math.sin(tilt)]
    return {
        "particles": {
            "core_diameter": 16e-9,
            "shell_thickness": 2e-9,
            "size_spread": 0.0,
            "magnetisation": 446e3,
            "volume_fraction": columns.get("particles.volume_fraction", 0.03),
        },
        "carrier": {"viscosity": 1e-3, "temperature": 298.15},
        "film": {"thickness": columns.get("film.thickness_m", 0.3e-6)},
        "field": {"steps": [{"vector": vector}]},
    }


def usual(columns, replica):
    """Mean length 1 + 100 B, replicas 0.02 apart; the thin film is at rest, the thick one not."""
    field = columns.get("field.strength_T", 0.02)
    return {
        "mean_length": 1.0 + 100.0 * field + 0.01 * (2 * replica - 3),
        "error": 0.05,
        "magnetisation": field / 0.05,
        "at_rest": columns.get("film.thickness_m", 0.0) < 0.2e-6,
    }


def plant_run(
    folder,
    *,
    mean_length=2.5,
    error=0.05,
    magnetisation=0.5,
    at_rest=True,
    finished=True,
    light=95e-9,
    nearest=60e-9,
    width=22e-9,
    outcome=None,
    exists=True,
):
    """Write one run folder; with ``outcome`` (state, reason) its outcome.json too."""
    folder.mkdir(parents=True, exist_ok=True)
    if outcome:
        (folder / "outcome.json").write_text(
            json.dumps({"state": outcome[0], "reason": outcome[1]})
        )
    if not exists:
        return

    def number(value, spread):
        return {"value": value, "error": spread, "samples": 5}

    numbers = {
        "parameters": {"finished": finished, "end_reason": "", "provisional": True},
        "derived": {
            "cutoff_m": 126e-9,
            "predicted_mean_length": 3.0,
            "predicted_mean_length_low": 2.0,
            "predicted_mean_length_high": 5.0,
        },
        "equilibration": {"reached": at_rest, "reason": "planted"},
        "chains": {
            "mean_length": number(mean_length, error),
            "weight_mean_length": number(1.6 * mean_length, 2 * error),
            "singles_fraction": number(1 / mean_length, 0.01),
            "spanning_share": number(0.0, 0.0),
        },
        "spacing": {
            "nearest_neighbour_m": number(nearest, None if nearest is None else 1.5e-9),
            "structure_factor_m": number(light, None if light is None else 6e-9),
            "axis_correlation_m": number(88e-9, 4e-9),
            "line_density_m": 87.7e-9,
            "width_m": number(width, 0.5e-9),
        },
        "alignment": {"order": number(0.9, 0.004)},
        "magnetisation": {
            "relative": number(magnetisation, 0.003),
            "langevin_relative": 0.9 * magnetisation,
        },
        "relaxation": {"growth_exponent": number(None, None)},
    }
    (folder / "measures.json").write_text(json.dumps(numbers))
    rows = ["time_s,mean_length,mean_length_error,field_T"]
    for k in range(21):
        length = 1.0 + (mean_length - 1.0) * k / 20
        rows.append(f"{k * 1e-5},{length},{0.02},{0.02}")
    (folder / "time_series.csv").write_text("\n".join(rows) + "\n")
