"""The hand-off: every number that an optics calculation needs, with error, unit and definition."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np

from analysis.common import file_names
from analysis.files.writing import write_text
from analysis.measures.measure import Measurement
from analysis.optics import definitions as text
from analysis.optics.comparison import laws_of, table_rows
from analysis.optics.curves import FarField, light_of
from analysis.optics.far_field import LIMITS
from analysis.optics.handoff_entry import Entry, entry, plain_number, value_and_error
from analysis.optics.handoff_light import FIRST, NO_PEAK, NONE, UNSURE, light_entries
from analysis.optics.indices import Optics
from analysis.optics.response import responses
from analysis.quantities.all import shown
from analysis.spacing.curves import StructureFactorRadial
from analysis.spacing.pattern import half_width
from analysis.trajectory.run import Run

__all__ = [
    "FIRST", "FORMAT", "FORMAT_VERSION", "LIGHT_FILES", "NONE", "NO_PEAK", "UNSURE", "entry",
    "handoff", "write_light_files",
]  # fmt: skip

FORMAT = "chainfilm handoff"
FORMAT_VERSION = 1
LIGHT_FILES = (
    file_names.HANDOFF, file_names.THICKNESS, file_names.FAR_FIELD, file_names.OPTICS_TABLE,
)  # fmt: skip


def handoff(measurement: Measurement, run: Run) -> dict[str, Any]:
    """Return the content of handoff.json.

    Parameters
    ----------
    measurement : Measurement
        What was measured; ``light_curves.add_light`` must have been called on it.
    run : Run
        The run that was measured.

    Returns
    -------
    dict
        Sections ``film``, ``structure``, ``structure_factor``, ``optics``, ``light`` (a list, one
        per wavelength), ``response``, ``limits`` and ``warnings``; see README.md beside this file.
    """
    numbers = measurement.numbers
    optics = light_of(measurement).optics
    laws, tables = laws_of(measurement, run), table_rows(measurement, run)
    warnings = list(numbers.get("warnings", ()))
    curve = StructureFactorRadial.among(measurement.curves)
    structure = _structure(numbers, curve, run)
    return {
        "format": FORMAT,
        "format_version": FORMAT_VERSION,
        "source": {
            "program_version": run.version,
            "program_commit": run.origin.get("commit"),
            "program_sources": run.origin.get("sources"),
            "versions": run.versions,
            "processor": run.processor,
            "run_id": run.origin.get("run_id"),
            "seed": run.seed,
            "parameters": run.resolved,
            "timing": numbers["timing"],
            "measured_by": numbers.get("measured_by"),
            "finished": run.finished,
            "equilibration_reached": numbers["equilibration"].get("reached"),
            "statement": numbers["equilibration"].get("statement"),
        },
        "film": _film(run, optics),
        "structure": structure,
        "structure_factor": {
            "q_per_m": plain_number(curve.q_per_m),
            "s": plain_number(curve.s),
            "error": plain_number(curve.error),
            "definition": text.STRUCTURE_FACTOR,
        },
        "optics": _optics(optics),
        "light": [
            light_entries(measurement, run, structure, index, laws[index])
            | {
                "laws": [
                    {key: plain_number(value) for key, value in law.as_dict().items()}
                    for law in laws[index]
                ],
                "core_tables": tables[index],
            }
            for index in range(len(optics.wavelengths))
        ],
        "response": responses(measurement, run),
        "limits": [LIMITS, *text.LIMITS],
        "warnings": warnings,
    }


def _film(run: Run, optics: Optics) -> dict[str, Entry]:
    area = float(run.sides[0] * run.sides[1])
    whole = float((run.diameters_of(-1) ** 3).sum())
    inner = math.nan
    if run.core_diameters is not None:
        inner = float((run.held_of(run.core_diameters, -1) ** 3).sum())
    cores = inner * optics.magnetic_share
    return {
        "thickness_m": entry("thickness_m", run.thickness),
        "patch_m": entry("patch_m", run.sides),
        "particle_count": entry("particle_count", run.held),
        "volume_fraction": entry("volume_fraction", math.pi / 6 * whole / (area * run.thickness)),
        "core_share": entry("core_share", cores / whole),
        "magnetic_share": entry("magnetic_share", optics.magnetic_share),
        "median_diameter_m": entry("median_diameter_m", float(np.median(run.diameters))),
    }


def _structure(numbers: dict[str, Any], curve: StructureFactorRadial, run: Run) -> dict[str, Entry]:
    """Return spacings, widths, direction, order and number of chains."""
    out = {
        one.key: entry(one.key, *value_and_error(numbers, one.section, one.key))
        for one in shown("handoff")
    }
    peak, _ = value_and_error(numbers, "spacing", "structure_factor_m")
    spread = math.nan
    if peak:
        width = half_width(curve.q_per_m, curve.s, 2 * math.pi / peak)
        spread = peak * width * peak / (2 * math.pi)
    out["structure_factor_spread_m"] = entry("structure_factor_spread_m", spread)
    out["period_m"] = entry("period_m", peak, out["structure_factor_m"]["error"])
    out["period_m"]["taken_from"] = "structure_factor_m" if peak else None
    if not peak:
        out["period_m"]["reason"] = _no_peak(numbers)
    out["chain_direction"] = entry("chain_direction", numbers["spacing"].get("chain_direction"))
    out["areal_density_per_m2"] = entry("areal_density_per_m2", *_areal_density(numbers, run))
    return out


def _no_peak(numbers: dict[str, Any]) -> str:
    """Say in the words of the measurement why there is no period."""
    lead = "spacing.structure_factor_m: "
    said = [w.removeprefix(lead) for w in numbers.get("warnings", ()) if w.startswith(lead)]
    return said[0] if said else "no peak of the structure factor stands out"


def _areal_density(numbers: dict[str, Any], run: Run) -> tuple[float, float]:
    """Return open and branched chains of two and more per area of film, and the error.

    Particles of rings are in no chain: of the others there are ``mean_length`` per chain, singles
    counted as chains. The three errors count as independent, which is too wide: a film with more
    singles has shorter chains. An error that is not known leaves that of the density unknown.
    """
    of = [value_and_error(numbers, "chains", key) for key in ("mean_length", "singles_fraction")]
    rings, rings_error = value_and_error(numbers, "chains", "ring_share")
    (length, length_error), (singles, singles_error) = of
    if length is None or singles is None or rings is None:
        return math.nan, math.nan
    particles = run.held / float(run.sides[0] * run.sides[1])
    open_share = 1 - rings
    parts = (
        (length_error, open_share / length**2), (singles_error, 1.0), (rings_error, 1 / length),
    )  # fmt: skip
    error = math.hypot(*(math.nan if e is None else e * slope for e, slope in parts))
    return particles * max(0.0, open_share / length - singles), particles * error


def _optics(optics: Optics) -> dict[str, Entry]:
    cores = optics.core_indices
    pairs = None if cores is None else [[c.real, c.imag] for c in cores]
    out = {
        "wavelengths_m": entry("wavelengths_m", optics.wavelengths),
        "core_index": entry("core_index", pairs),
        **{
            key: entry(key, getattr(optics, key))
            for key in (
                "carrier_index",
                "shell_index",
                "matrix_index",
                "outer_index",
                "numerical_aperture",
            )
        },
    }
    out["core_index"]["source"] = optics.core_source
    return out


def write_light_files(measurement: Measurement, run: Run, directory: str | Path) -> list[Path]:
    """Write handoff.json, and, where the cores are known, the map, the far field and the table.

    Parameters
    ----------
    measurement : Measurement
        What was measured; ``light_curves.add_light`` must have been called on it.
    run : Run
        The run that was measured.
    directory : str or Path
        An existing folder; files of these names are replaced, each atomically.

    Returns
    -------
    list of Path
        The files.
    """
    from analysis.optics.files import (
        write_far_field,
        write_optical_thickness,
        write_optics_table,
    )

    folder = Path(directory)
    content = handoff(measurement, run)
    told = json.dumps(content, indent=1, ensure_ascii=False)
    files = [write_text(folder / file_names.HANDOFF, told + "\n")]
    if FarField.among(measurement.curves).wavelengths:
        files.append(write_optical_thickness(measurement, folder / file_names.THICKNESS))
        files.append(write_far_field(measurement, folder / file_names.FAR_FIELD))
        files.append(write_optics_table(content, folder / file_names.OPTICS_TABLE))
    else:
        for name in LIGHT_FILES[1:]:  # of an earlier measurement
            (folder / name).unlink(missing_ok=True)
    return files
