"""The CSV tables: fixed columns, the unit in the name, one header line, empty where unmeasured."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from analysis.common import file_names
from analysis.files.csv_text import write_csv
from analysis.files.curve import Curve
from analysis.measures.measure import Measurement
from analysis.quantities.all import shown

SPACING_COLUMNS = ("measure", "value", "unit", "error", "samples")

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
        file_names.SPACING: (_spacing_rows(measurement), True),
        file_names.TURNING_FIELD: (_turning_rows(measurement), False),
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
    """Return the rows of spacing.csv: one per measure; numbers that are computed have no error."""
    rows = [list(SPACING_COLUMNS)]
    for one in shown("spacing_table"):
        entry = one.entry(measurement.numbers)
        if not isinstance(entry, dict):
            entry = {"value": entry, "error": None, "samples": None}
        rows.append([one.row, entry["value"], one.si_unit, entry["error"], entry["samples"]])
    return rows


def _turning_rows(measurement: Measurement) -> list[list[Any]]:
    """Return the rows of turning_field.csv: one per stage in which the field turned."""
    rows = [list(TURNING_COLUMNS)]
    for stage in measurement.numbers["relaxation"].get("turning_stages", []):
        cells = [stage["frequency_hz"], stage["from_s"], stage["to_s"]]
        for name in TURNING_MEASURES:
            cells += [stage[name]["value"], stage[name]["error"]]
        broke = stage["broke_up"]
        rows.append([*cells, "" if broke is None else ("yes" if broke else "no")])
    return rows
