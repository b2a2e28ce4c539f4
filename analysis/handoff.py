"""The hand-off: every number that an optics calculation needs, with error, unit and definition."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis import handoff_text as text
from analysis.far_field import LIMITS
from analysis.files import write_text
from analysis.light import Mixture, grating_angle, transmittance
from analysis.light_curves import light_of
from analysis.measures import Measurement
from analysis.optics import Optics
from analysis.pattern import half_width
from analysis.trajectory import Run

Floats = NDArray[np.float64]
Entry = dict[str, Any]

FORMAT = "chainfilm handoff"
FORMAT_VERSION = 1
NONE = "none (sub-wavelength)"
FIRST = "first order"

SPACINGS = ("structure_factor_m", "nearest_neighbour_m", "line_density_m")
"""What stands for the grating period, the first that was measured."""


def entry(key: str, value: Any, error: Any = None) -> Entry:
    """Return a value with its error (None: computed, or unmeasured), unit and definition."""
    unit, definition = text.DEFINITIONS[key]
    return {
        "value": _number(value),
        "error": _number(error),
        "unit": unit,
        "definition": definition,
    }


def _number(value: Any) -> Any:
    """Return a plain number, list or text; None for what is not finite."""
    if isinstance(value, np.ndarray | list | tuple):
        return [_number(item) for item in value]
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    return int(value) if isinstance(value, np.integer) else value


def _measured(numbers: dict[str, Any], section: str, key: str) -> tuple[Any, Any]:
    """Return value and error of a measured number; a plain one has no error."""
    found = numbers.get(section, {}).get(key)
    if isinstance(found, dict):
        return found.get("value"), found.get("error")
    return found, None


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
        a wavelength), ``limits`` and ``warnings``; see DEVELOPERS.md.
    """
    numbers = measurement.numbers
    light = light_of(measurement)
    optics: Optics = light["optics"]
    warnings = list(numbers.get("warnings", ()))
    if light["films"] is None:
        warnings.append(f"light: the index of the cores is {optics.core_source}")
    curve = measurement.curves["structure_factor_radial"]
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
        "film": _film(run),
        "structure": structure,
        "structure_factor": {
            "q_per_m": _number(curve["q_per_m"]),
            "s": _number(curve["s"]),
            "error": _number(curve["error"]),
            "definition": text.STRUCTURE_FACTOR,
        },
        "optics": _optics(optics),
        "light": [
            _light(measurement, run, structure, index) for index in range(len(optics.wavelengths))
        ],
        "limits": [LIMITS, *text.LIMITS],
        "warnings": warnings,
    }


def _film(run: Run) -> dict[str, Entry]:
    area = float(run.sides[0] * run.sides[1])
    whole = float((run.diameters**3).sum())
    cores = math.nan if run.core_diameters is None else float((run.core_diameters**3).sum())
    return {
        "thickness_m": entry("thickness_m", run.thickness),
        "patch_m": entry("patch_m", run.sides),
        "particle_count": entry("particle_count", run.count),
        "volume_fraction": entry("volume_fraction", math.pi / 6 * whole / (area * run.thickness)),
        "core_share": entry("core_share", cores / whole),
        "median_diameter_m": entry("median_diameter_m", float(np.median(run.diameters))),
    }


def _structure(numbers: dict[str, Any], curve: dict[str, Any], run: Run) -> dict[str, Entry]:
    """Return spacings, widths, direction, order and number of chains."""
    out = {
        key: entry(key, *_measured(numbers, section, key))
        for section, keys in text.MEASURED.items()
        for key in keys
    }
    peak, _ = _measured(numbers, "spacing", "structure_factor_m")
    spread = math.nan
    if peak:
        width = half_width(np.asarray(curve["q_per_m"]), np.asarray(curve["s"]), 2 * math.pi / peak)
        spread = peak * width * peak / (2 * math.pi)
    out["structure_factor_spread_m"] = entry("structure_factor_spread_m", spread)
    used = next(key for key in SPACINGS if out[key]["value"] is not None)
    out["period_m"] = entry("period_m", out[used]["value"], out[used]["error"])
    out["period_m"]["taken_from"] = used
    out["chain_direction"] = entry("chain_direction", numbers["spacing"].get("chain_direction"))
    out["areal_density_per_m2"] = entry("areal_density_per_m2", *_areal_density(numbers, run))
    return out


def _areal_density(numbers: dict[str, Any], run: Run) -> tuple[float, float]:
    """Return chains of two and more an area of film, and the error."""
    length, length_error = _measured(numbers, "chains", "mean_length")
    singles, singles_error = _measured(numbers, "chains", "singles_fraction")
    if length is None or singles is None:
        return math.nan, math.nan
    particles = run.count / float(run.sides[0] * run.sides[1])
    error = math.hypot((length_error or 0.0) / length**2, singles_error or 0.0)
    return particles * max(0.0, 1 / length - singles), particles * error


def _optics(optics: Optics) -> dict[str, Entry]:
    cores = optics.core_indices
    pairs = None if cores is None else [[c.real, c.imag] for c in cores]
    out = {
        "wavelengths_m": entry("wavelengths_m", optics.wavelengths),
        "core_index": entry("core_index", pairs),
        **{
            key: entry(key, getattr(optics, key))
            for key in ("carrier_index", "shell_index", "outer_index", "numerical_aperture")
        },
    }
    out["core_index"]["source"] = optics.core_source
    return out


def _light(
    measurement: Measurement, run: Run, structure: dict[str, Entry], index: int
) -> dict[str, Any]:
    """Return what light of one wavelength meets."""
    light = light_of(measurement)
    optics: Optics = light["optics"]
    wavelength = optics.wavelengths[index]
    out: dict[str, Any] = {
        "wavelength_m": entry("wavelength_m", wavelength),
        "resolution_m": entry("resolution_m", wavelength / (2 * optics.numerical_aperture)),
        **_diffraction(structure, wavelength, optics.outer_index),
    }
    if light["films"] is None:
        return out
    film: Mixture = light["films"][index]
    out.update(_indices(measurement.numbers, film, light["closeness"]))
    out["transmittance_without_structure"] = entry(
        "transmittance_without_structure",
        transmittance(film.plain_index(), run.thickness, wavelength),
    )
    found = measurement.curves["far_field"]["wavelengths"][index]
    orders = found["orders"]
    out["direct_share"] = entry(
        "direct_share", found["direct"], float(orders.error[orders.direct].sum())
    )
    out["scattered_share"] = entry(
        "scattered_share",
        found["scattered"],
        math.sqrt(float((orders.error[~orders.direct] ** 2).sum())),
    )
    return out


def _diffraction(
    structure: dict[str, Entry], wavelength: float, outer_index: float
) -> dict[str, Any]:
    """Return the first order of the grating equation, or that there is none."""
    period, error = structure["period_m"]["value"], structure["period_m"]["error"]
    angle = grating_angle(period, wavelength, outer_index)
    if math.isnan(angle):
        return {"diffraction": NONE}
    spread = structure["structure_factor_spread_m"]["value"]
    slope = math.degrees(math.tan(angle)) / period
    return {
        "diffraction": FIRST,
        "first_order_angle_deg": entry(
            "first_order_angle_deg",
            math.degrees(angle),
            None if error is None else slope * error,
        ),
        "first_order_spread_deg": entry(
            "first_order_spread_deg", math.nan if spread is None else slope * spread
        ),
    }


def _indices(numbers: dict[str, Any], film: Mixture, closeness: float) -> dict[str, Entry]:
    """Return the effective index along the chains, across them, and without structure."""
    order, order_error = _measured(numbers, "alignment", "order")
    order = 0.0 if order is None else float(order)
    lengths, shares = _lengths(numbers)

    def along_across(order: float, lengths: Floats, shares: Floats) -> Floats:
        squares = np.array([1 + 2 * order, 1 - order, 1 - order]) / 3
        found = film.chained_index(lengths, shares, closeness, squares)
        return np.array([found[0].real, found[0].imag, found[1].real, found[1].imag])

    value = along_across(order, lengths, shares)
    step = float(order_error or 0.0)
    by_order = along_across(order + step, lengths, shares) - value
    weight, weight_error = _measured(numbers, "chains", "weight_mean_length")
    by_length = np.zeros(4)
    if weight is not None and weight_error:
        one = np.ones(1)
        plain = along_across(order, np.array([max(1.0, round(weight))]), one)
        longer = np.array([max(1.0, round(weight + weight_error), round(weight) + 1)])
        by_length = along_across(order, longer, one) - plain
    error = np.hypot(by_order, by_length)
    names = ("n_along", "k_along", "n_across", "k_across")
    out = {name: entry(name, value[i], error[i]) for i, name in enumerate(names)}
    plain_index = film.plain_index()
    out["n_without_structure"] = entry("n_without_structure", plain_index.real)
    out["k_without_structure"] = entry("k_without_structure", plain_index.imag)
    return out


def _lengths(numbers: dict[str, Any]) -> tuple[Floats, Floats]:
    """Return chain lengths and the share of the particles in chains of each."""
    rows = numbers["chains"].get("distribution") or []
    lengths = np.array([row["length"] for row in rows if row["fraction_of_chains"]], dtype=float)
    shares = lengths * [row["fraction_of_chains"] for row in rows if row["fraction_of_chains"]]
    if len(lengths) == 0:
        return np.ones(1), np.ones(1)
    return lengths, shares / shares.sum()


def write_handoff(measurement: Measurement, run: Run, directory: str | Path) -> list[Path]:
    """Write handoff.json, optical_thickness.h5, far_field.csv, particles.vtp and chains.vtp.

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
        The files. Map and far field are left out where the index of the cores is not known.
    """
    from analysis.light_files import write_far_field, write_optical_thickness
    from analysis.vtk_files import write_vtk

    folder = Path(directory)
    content = json.dumps(handoff(measurement, run), indent=1, ensure_ascii=False)
    files = [write_text(folder / "handoff.json", content + "\n")]
    if measurement.curves["far_field"]:
        files.append(write_optical_thickness(measurement, folder / "optical_thickness.h5"))
        files.append(write_far_field(measurement, folder / "far_field.csv"))
    else:
        for name in ("optical_thickness.h5", "far_field.csv"):  # of an earlier measurement
            (folder / name).unlink(missing_ok=True)
    return files + write_vtk(measurement, folder)
