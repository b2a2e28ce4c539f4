"""Particles and chains of a frame as VTK files (XML PolyData), for viewers.

Lengths are in nanometres, because viewers handle numbers near one best.
"""

from __future__ import annotations

import base64
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common import file_names
from analysis.files.provenance import comment
from analysis.files.writing import write_text
from analysis.measures.measure import Measurement

NANOMETRE = 1e-9
TYPES = {"f4": "Float32", "f8": "Float64", "i4": "Int32", "i8": "Int64"}

Arrays = dict[str, NDArray[Any]]


def write_vtk(measurement: Measurement, directory: Path) -> list[Path]:
    """Write particles.vtp and chains.vtp of the last frame, each atomically.

    Parameters
    ----------
    measurement : Measurement
        Its ``last_frame`` is written.
    directory : Path
        An existing folder.

    Returns
    -------
    list of Path
        The files. ``particles.vtp``: a vertex a particle, with ``diameter_nm``, ``chain`` (-1 for
        singles), ``chain_length`` and, if known, ``moment_am2``. ``chains.vtp``: one line per bond,
        with ``chain`` and ``chain_length``; a bond through the side of the patch is drawn beyond
        it.
    """
    texts = vtk_texts(measurement.last_frame)
    return [write_text(directory / name, text) for name, text in texts.items()]


def vtk_texts(frame: dict[str, Any]) -> dict[str, str]:
    """Return the texts of both files by name, of a frame as ``Measurement.last_frame`` holds it."""
    points = np.asarray(frame["positions"], dtype=np.float64) / NANOMETRE
    chain = np.asarray(frame["chain_index"], dtype=np.int32)
    length = _lengths(chain)
    about: Arrays = {
        "diameter_nm": np.asarray(frame["diameters"] / NANOMETRE, dtype=np.float32),
        "chain": chain,
        "chain_length": length,
    }
    if frame["moments"] is not None:
        about["moment_am2"] = np.asarray(frame["moments"], dtype=np.float64)
    vertices = np.arange(len(points), dtype=np.int64)[:, None]
    ends, lines, first = _bond_lines(frame, points)
    of_lines: Arrays = {"chain": chain[first], "chain_length": length[first]}
    return {
        file_names.PARTICLES: _document(points, "Verts", vertices, about, {}),
        file_names.CHAINS: _document(ends, "Lines", lines, {}, of_lines),
    }


def _lengths(chain: NDArray[np.int32]) -> NDArray[np.int32]:
    """Return the particles in the chain of each particle, 1 for singles."""
    sizes = np.bincount(chain[chain >= 0], minlength=1)
    return np.where(chain >= 0, sizes[np.maximum(chain, 0)], 1).astype(np.int32)


def _bond_lines(
    frame: dict[str, Any], points: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.int64]]:
    """Return the ends of all bonds, the lines between them, and the first particle of each."""
    bonds = np.asarray(frame.get("bonds", ()), dtype=np.int64).reshape(-1, 2)
    start, apart = points[bonds[:, 0]], points[bonds[:, 1]] - points[bonds[:, 0]]
    sides = np.asarray(frame["sides"]) / NANOMETRE
    apart[:, :2] -= sides * np.round(apart[:, :2] / sides)
    ends = np.stack([start, start + apart], axis=1).reshape(-1, 3)
    return ends, np.arange(len(ends), dtype=np.int64).reshape(-1, 2), bonds[:, 0]


def _document(
    points: NDArray[np.float64],
    kind: str,
    cells: NDArray[np.int64],
    of_points: Arrays,
    of_cells: Arrays,
) -> str:
    """Return an XML PolyData document with one kind of cells, data in base64."""
    counts = {"Verts": 0, "Lines": 0, kind: len(cells)}
    offsets = np.arange(1, len(cells) + 1, dtype=np.int64) * cells.shape[1]
    parts = [
        '<?xml version="1.0"?>',
        *comment(),
        '<VTKFile type="PolyData" version="1.0" byte_order="LittleEndian" header_type="UInt64">',
        "<PolyData>",
        f'<Piece NumberOfPoints="{len(points)}" NumberOfVerts="{counts["Verts"]}" '
        f'NumberOfLines="{counts["Lines"]}" NumberOfStrips="0" NumberOfPolys="0">',
        *section("PointData", of_points),
        *section("CellData", of_cells),
        *section("Points", {"position_nm": points.astype(np.float64)}),
        *section(kind, {"connectivity": cells.ravel(), "offsets": offsets}),
        "</Piece>",
        "</PolyData>",
        "</VTKFile>",
    ]
    return "\n".join(parts) + "\n"


def section(name: str, arrays: Arrays) -> list[str]:
    """Return one element with its arrays; empty where it has none."""
    if not arrays:
        return []
    return [f"<{name}>", *(_array(key, data) for key, data in arrays.items()), f"</{name}>"]


def _array(name: str, data: NDArray[Any]) -> str:
    """Return a data array: length in bytes and numbers, little-endian, in base64."""
    kind = TYPES[data.dtype.str[1:]]
    raw = np.ascontiguousarray(data).astype(data.dtype.newbyteorder("<")).tobytes()
    coded = base64.b64encode(np.array(len(raw), dtype="<u8").tobytes() + raw).decode("ascii")
    parts = f' NumberOfComponents="{data.shape[1]}"' if data.ndim == 2 else ""
    return f'<DataArray type="{kind}" Name="{name}"{parts} format="binary">{coded}</DataArray>'
