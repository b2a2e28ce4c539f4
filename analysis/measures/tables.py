"""The CSV tables: fixed columns, the unit in the name, one header line, empty where unmeasured."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from analysis.files.csv_text import write_csv
from analysis.files.curve import Curve
from analysis.measures.measure import Measurement

SPACING_COLUMNS = ("measure", "value", "unit", "error", "samples")
SPACING_MEASURES = (
    ("nearest_neighbour_m", "m"),
    ("nearest_neighbour_spread_m", "m"),
    ("structure_factor_m", "m"),
    ("axis_correlation_m", "m"),
    ("line_density_m", "m"),
    ("width_m", "m"),
    ("clear_fraction", "1"),
    ("clear_fraction_random", "1"),
    ("nearest_neighbour_in_plane_m", "m"),
    ("structure_factor_line_width_per_m", "1/m"),
    ("structure_factor_line_height", "1"),
    ("structure_factor_line_grid_m", "m"),
    ("slits_mean_m", "m"),
    ("slits_median_m", "m"),
    ("slits_spread_m", "m"),
    ("columns_neighbour_distance_m", "m"),
    ("columns_neighbour_spread_m", "m"),
    ("columns_cell_area_m2", "m2"),
    ("columns_hexagonal_order", "1"),
    ("columns_hexagonal_order_local", "1"),
)

TURNING_MEASURES = ("mean_length", "weight_mean_length", "chain_lag_deg", "length_before")
TURNING_COLUMNS = (
    "frequency_Hz",
    "from_s",
    "to_s",
    *(f"{name}{end}" for name in TURNING_MEASURES for end in ("", "_error")),
    "broke_up",
)


def write_tables(measurement: Measurement, directory: str | Path) -> list[Path]:
    """Write the tables of a run, each atomically; those without rows are left out.

    Curves bring tables of their own. Every run has chain_lengths.csv, spacing.csv and
    time_series.csv. One that is left out is also removed, since it would be that of an earlier
    measurement.

    Parameters
    ----------
    measurement : Measurement
        What was measured.
    directory : str or Path
        An existing folder.

    Returns
    -------
    list of Path
        The files.
    """
    folder = Path(directory)
    tables = {
        "spacing.csv": (_spacing_rows(measurement), True),
        "turning_field.csv": (_turning_rows(measurement), False),
    }
    for curve in measurement.curves.values():
        if isinstance(curve, Curve) and curve.TABLE is not None:
            tables[curve.TABLE.file] = (curve.rows(), curve.TABLE.always)
    written = []
    for name, (rows, always) in sorted(tables.items()):
        if len(rows) > 1 or always:
            write_csv(folder / name, rows[0], rows[1:])
            written.append(folder / name)
        else:
            (folder / name).unlink(missing_ok=True)
    return written


def _spacing_rows(measurement: Measurement) -> list[list[Any]]:
    """Return the rows of spacing.csv: one a measure; numbers that are computed have no error."""
    section = dict(measurement.numbers["spacing"])
    for outer in ("structure_factor_line", "slits", "columns"):
        section |= {f"{outer}_{inner}": entry for inner, entry in section[outer].items()}
    rows = [list(SPACING_COLUMNS)]
    for key, unit in SPACING_MEASURES:
        entry = section[key]
        if not isinstance(entry, dict):
            entry = {"value": entry, "error": None, "samples": None}
        rows.append(
            [
                key,
                entry["value"],
                unit,
                entry["error"],
                entry["samples"],
            ]
        )
    return rows


def _turning_rows(measurement: Measurement) -> list[list[Any]]:
    """Return the rows of turning_field.csv: one a stage in which the field turned."""
    rows = [list(TURNING_COLUMNS)]
    for stage in measurement.numbers["relaxation"].get("turning_stages", []):
        cells = [stage["frequency_hz"], stage["from_s"], stage["to_s"]]
        for name in TURNING_MEASURES:
            cells += [stage[name]["value"], stage[name]["error"]]
        broke = stage["broke_up"]
        rows.append([*cells, "" if broke is None else ("yes" if broke else "no")])
    return rows
