"""Files of the map of a cell: a table, and a regular grid for viewers (VTK XML ImageData)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common import file_names
from analysis.common.arrays import Floats
from analysis.files.csv_text import write_csv
from analysis.files.provenance import comment
from analysis.files.writing import write_text
from analysis.measures.vtk import section

MILLIMETRE = 1e-3

Columns = dict[str, NDArray[Any]]


def write_map(x: Floats, y: Floats, columns: Columns, directory: Path) -> list[Path]:
    """Write cell_map.csv and cell_map.vti, each atomically.

    Parameters
    ----------
    x, y : ndarray (columns,), (rows,)
        Evenly spaced places in m.
    columns : dict
        Arrays (rows, columns) by name, unit in the name.
    directory : Path
        An existing folder.

    Returns
    -------
    list of Path
        The files. The table has ``x_m``, ``y_m`` and then the columns, x running fastest, cells
        empty where a number is not known; in the grid lengths are in mm, because viewers handle
        numbers near one best.
    """
    across, along = np.meshgrid(x, y)
    everything = {"x_m": across, "y_m": along, **columns}
    rows = zip(*(values.ravel().tolist() for values in everything.values()), strict=True)
    return [
        write_csv(directory / file_names.MAP_TABLE, everything, rows, digits=8),
        write_text(directory / file_names.MAP_GRID, grid_document(x, y, columns)),
    ]


def grid_document(x: Floats, y: Floats, columns: Columns) -> str:
    """Return an XML ImageData document of one layer in mm, data in base64; see `write_map`."""
    extent = f"0 {x.size - 1} 0 {y.size - 1} 0 0"
    origin = f"{x[0] / MILLIMETRE:.12g} {y[0] / MILLIMETRE:.12g} 0"
    steps = [float(s[-1] - s[0]) / max(s.size - 1, 1) / MILLIMETRE for s in (x, y)]
    points = {
        name: np.asarray(v.ravel(), dtype=np.int32 if v.dtype.kind in "iu" else np.float64)
        for name, v in columns.items()
    }
    parts = [
        '<?xml version="1.0"?>',
        *comment(),
        '<VTKFile type="ImageData" version="1.0" byte_order="LittleEndian" header_type="UInt64">',
        f'<ImageData WholeExtent="{extent}" Origin="{origin}" '
        f'Spacing="{steps[0]:.12g} {steps[1]:.12g} 1">',
        f'<Piece Extent="{extent}">',
        *section("PointData", points),
        "</Piece>",
        "</ImageData>",
        "</VTKFile>",
    ]
    return "\n".join(parts) + "\n"
