"""The CSV tables: fixed columns, the unit in the name, one header line, empty where unmeasured."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from analysis.files.csv_text import write_csv
from analysis.measures.measure import Measurement
from analysis.response.lag_curve import COLUMNS as LAG_COLUMNS

TIME_COLUMNS = {
    "time_s": "time_s",
    "mean_length": "mean_length",
    "mean_length_error": "mean_length_error",
    "weight_mean_length": "weight_mean_length",
    "singles_fraction": "singles_fraction",
    "spanning_share": "spanning_share",
    "straightness": "straightness",
    "alignment": "alignment",
    "magnetisation": "magnetisation",
    "field_t": "field_T",
    "energy_dipolar": "energy_dipolar_kT",
    "energy_steric": "energy_steric_kT",
    "step": "step",
}

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

SUSCEPTIBILITY_COLUMNS = {
    "source": "source",
    "frequency_hz": "frequency_Hz",
    "in_phase": "in_phase",
    "in_phase_error": "in_phase_error",
    "behind": "behind",
    "behind_error": "behind_error",
    "debye_in_phase": "debye_in_phase",
    "debye_behind": "debye_behind",
}

TURNING_MEASURES = ("mean_length", "weight_mean_length", "chain_lag_deg", "length_before")
TURNING_COLUMNS = (
    "frequency_Hz",
    "from_s",
    "to_s",
    *(f"{name}{end}" for name in TURNING_MEASURES for end in ("", "_error")),
    "broke_up",
)

LENGTH_COLUMNS = ("length", "fraction_of_chains", "error", "geometric_law")


def write_tables(measurement: Measurement, directory: str | Path) -> list[Path]:
    """Write the tables of a run, each atomically; those without rows are left out.

    Every run has chain_lengths.csv, spacing.csv and time_series.csv. One that is left out is also
    removed, since it would be that of an earlier measurement.

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
        "chain_lengths.csv": _length_rows(measurement),
        "spacing.csv": _spacing_rows(measurement),
        "time_series.csv": _time_rows(measurement),
        "susceptibility.csv": _susceptibility_rows(measurement),
        "turning_field.csv": _turning_rows(measurement),
        "lag.csv": _lag_rows(measurement),
    }
    for name in ("susceptibility.csv", "turning_field.csv", "lag.csv"):
        if len(tables[name]) == 1:
            del tables[name]
            (folder / name).unlink(missing_ok=True)
    for name, rows in tables.items():
        write_csv(folder / name, rows[0], rows[1:])
    return [folder / name for name in tables]


def _length_rows(measurement: Measurement) -> list[list[Any]]:
    """Return the rows of chain_lengths.csv: one a length from 1 to the longest seen."""
    curve = measurement.curves["chain_lengths"]
    columns = [curve[k] for k in ("length", "fraction_of_chains", "error", "theory")]
    return [list(LENGTH_COLUMNS), *(list(row) for row in zip(*columns, strict=True))]


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


def _time_rows(measurement: Measurement) -> list[list[Any]]:
    """Return the rows of time_series.csv: one a frame."""
    curve = measurement.curves["time_series"]
    columns = [curve[key] for key in TIME_COLUMNS]
    return [
        list(TIME_COLUMNS.values()),
        *(list(row) for row in zip(*columns, strict=True)),
    ]


def _susceptibility_rows(measurement: Measurement) -> list[list[Any]]:
    """Return the rows of susceptibility.csv: one a frequency and source."""
    curve = measurement.curves["susceptibility"]
    columns = [curve[key] for key in SUSCEPTIBILITY_COLUMNS]
    return [
        list(SUSCEPTIBILITY_COLUMNS.values()),
        *map(list, zip(*columns, strict=True)),
    ]


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


def _lag_rows(measurement: Measurement) -> list[list[Any]]:
    """Return the rows of lag.csv: one a frame, none where the field did not turn."""
    curve = measurement.curves.get("lag", {})
    columns = [curve.get(key, ()) for key in LAG_COLUMNS]
    return [list(LAG_COLUMNS), *(list(row) for row in zip(*columns, strict=True))]
