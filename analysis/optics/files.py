"""Files of light: the optical thickness as HDF5, the far field as a table."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np

from analysis.files.csv_text import write_csv
from analysis.files.provenance import line
from analysis.files.writing import write_bytes
from analysis.measures.measure import Measurement
from analysis.optics.curves import FarField, OpticalThickness, light_of
from analysis.quantities.light import LIGHT, RESPONSE

FAR_FIELD_COLUMNS = (
    "wavelength_m",
    "angle_x_deg",
    "angle_y_deg",
    "polar_deg",
    "share",
    "error",
    "per_sr",
)


def write_optical_thickness(measurement: Measurement, path: Path) -> Path:
    """Write the projected optical thickness of the last frame as HDF5, atomically.

    Datasets ``x_m`` (columns,), ``y_m`` (rows,), ``particle_thickness_m`` (rows, columns), and in
    the groups ``wavelength_1``, ``wavelength_2``, ... (attribute ``wavelength_m``) ``path_m`` and
    ``absorption`` at optical resolution, of beads with ``path_error_m`` and ``absorption_error``;
    each has the attributes ``unit`` and ``definition``.
    """
    import h5py

    maps = OpticalThickness.among(measurement.curves)
    optics = light_of(measurement).optics
    stream = io.BytesIO()
    with h5py.File(stream, "w", libver="earliest") as file:
        if line():
            file.attrs["made_by"] = line()

        def put(group: Any, name: str, data: Any, unit: str, definition: str) -> None:
            values = np.asarray(data, dtype="<f4")
            made = group.create_dataset(name, data=values, compression="gzip", shuffle=True)
            made.attrs["unit"], made.attrs["definition"] = unit, definition

        put(file, "x_m", maps.x_m, "m", "centres of the columns")
        put(file, "y_m", maps.y_m, "m", "centres of the rows")
        put(
            file,
            "particle_thickness_m",
            maps.particle_thickness_m,
            "m",
            "path along z through particles, not blurred",
        )
        for number, one in enumerate(maps.wavelengths, start=1):
            group = file.create_group(f"wavelength_{number}")
            group.attrs["wavelength_m"] = one["wavelength_m"]
            group.attrs["numerical_aperture"] = optics.numerical_aperture
            put(
                group,
                "path_m",
                one["path_m"],
                "m",
                "optical path beyond that of the liquid alone, as the aperture resolves it",
            )
            put(
                group,
                "absorption",
                one["absorption"],
                "1",
                "-ln of the transmitted intensity, as the aperture resolves it",
            )
            for name, unit in (("path_error_m", "m"), ("absorption_error", "1")):
                if name in one:  # of beads
                    put(group, name, one[name], unit, "distance to the law of Bruggeman in beads")
    return write_bytes(path, stream.getvalue())


def write_optics_table(content: dict[str, Any], path: Path) -> Path:
    """Write the numbers of light as CSV, a row a wavelength, response times behind.

    Parameters
    ----------
    content : dict
        That of handoff.json.
    path : Path
        The file.
    """
    keys = [one.key for one in (*LIGHT, *RESPONSE)]
    header = ["wavelength_m", *(name for key in keys for name in (key, f"{key}_error"))]
    rows = []
    for light in content["light"]:
        known = light | content["response"]
        found = [known.get(key) or {} for key in keys]
        cells = [one.get(part) for one in found for part in ("value", "error")]
        rows.append([light["wavelength_m"]["value"], *cells])
    return write_csv(path, header, rows)


def write_far_field(measurement: Measurement, path: Path) -> Path:
    """Write the far field as CSV, a row an order and wavelength; see ``FAR_FIELD_COLUMNS``."""
    rows: list[list[Any]] = []
    for one in FarField.among(measurement.curves).wavelengths:
        orders = one["orders"]
        angles = (np.degrees(np.arcsin(s)) for s in (orders.sine_x, orders.sine_y))
        columns = [*angles, np.degrees(orders.polar), orders.share, orders.error, orders.per_sr]
        wavelength = repr(one["wavelength_m"])  # to all its digits
        rows += [[wavelength, *row] for row in zip(*columns, strict=True)]
    return write_csv(path, FAR_FIELD_COLUMNS, rows, digits=8)
