"""What light makes of a measured run: maps and far field, kept with the other curves."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.measures.measure import Measurement
from analysis.optics.far_field import averaged_frames, far_field, mixtures, unknown
from analysis.optics.indices import Optics
from analysis.optics.mixture import Mixture
from analysis.optics.projection import grid_shape, particle_thickness, resolved
from analysis.spacing.distances import lateral_direction
from analysis.trajectory.run import Run

Floats = NDArray[np.float64]


def add_light(
    measurement: Measurement, run: Run, optics: dict[str, Any] | None = None
) -> Measurement:
    """Add the curves ``light``, ``optical_thickness`` and ``far_field`` to a measurement.

    Parameters
    ----------
    measurement : Measurement
        What was measured.
    run : Run
        The run.
    optics : dict, optional
        Wavelengths and indices in the form of the recorded ones, in their place.

    Returns
    -------
    Measurement
        The same one. ``light`` holds ``optics``, ``films`` (a ``Mixture`` a wavelength),
        ``grains`` (the same with beads after Bruggeman) and ``closeness``;
        ``optical_thickness`` the map of the last frame, of beads with the distance to the law of
        Bruggeman as ``path_error_m`` and ``absorption_error``; ``far_field`` the list
        ``wavelengths`` of ``far_field.far_field``. Both are empty where the index of the cores
        is not known. What is assumed, and why an index is not known, joins the ``warnings``.
    """
    chosen = Optics.of(run.resolved, optics)
    films, grains = mixtures(run, chosen), mixtures(run, chosen, grains=True)
    curves = measurement.curves
    curves["light"] = {
        "optics": chosen,
        "films": films,
        "grains": grains,
        "closeness": bond_closeness(measurement.last_frame),
    }
    _warn(measurement, run, chosen)
    curves["optical_thickness"] = {}
    curves["far_field"] = {}
    if films is None or grains is None:
        return measurement
    shape = grid_shape(run.sides, float(np.median(run.diameters)))
    sharp = particle_thickness(run.positions(-1), run.diameters, run.sides, shape)
    rows, columns = shape
    curves["optical_thickness"] = {
        "x_m": (np.arange(columns) + 0.5) * run.sides[0] / columns,
        "y_m": (np.arange(rows) + 0.5) * run.sides[1] / rows,
        "particle_thickness_m": sharp,
        "wavelengths": [
            _resolved_map(run, chosen, sharp, *one)
            for one in zip(films, grains, chosen.wavelengths, strict=True)
        ],
    }
    rest, axis = measurement.numbers["equilibration"], _axis(measurement)
    ends = (rest["from_time_s"], rest["to_time_s"])
    if run.is_sampled:  # sweeps stand in for times, of which nothing is told
        ends = (0.5 * float(run.times[-1]), float(run.times[-1]))
    frames = averaged_frames(run, ends)
    lateral = lateral_direction(axis)
    curves["far_field"] = {
        "wavelengths": far_field(run, chosen, films, frames, lateral, grains),
        "frames": frames,
        "lateral": lateral,
        "outer_index": chosen.outer_index,
        "aperture": chosen.numerical_aperture,
    }
    return measurement


def _resolved_map(
    run: Run, optics: Optics, sharp: Floats, film: Mixture, grains: Mixture, wavelength: float
) -> dict[str, Any]:
    """Return optical path and absorption of a film at one wavelength, of beads with errors."""
    blurred = resolved(sharp, run.sides, wavelength, optics.numerical_aperture)
    per_metre = 4 * np.pi / wavelength
    index, apart = film.index_per_fraction(), grains.index_per_fraction()
    found: dict[str, Any] = {
        "wavelength_m": wavelength,
        "path_m": blurred * index.real,
        "absorption": blurred * per_metre * index.imag,
    }
    if grains != film:
        apart = apart - index
        found["path_error_m"] = np.abs(blurred * apart.real)
        found["absorption_error"] = np.abs(blurred * per_metre * apart.imag)
    return found


LARGEST_FOR_MIXTURES = 1.0
"""Circumference of a particle over the wavelength in the liquid from which on it is not small."""


def _warn(measurement: Measurement, run: Run, optics: Optics) -> None:
    """Say what the numbers of light rest on, once."""
    said = [f"light: {words}" for words in optics.assumed]
    reason = unknown(run, optics)
    if reason is not None:
        said.append(f"light: {reason}")
    size = float(np.pi * np.median(run.diameters)) * optics.carrier_index / min(optics.wavelengths)
    if reason is None and size > LARGEST_FOR_MIXTURES:
        said.append(
            f"light: the circumference of the particles is {size:.2g} wavelengths in the liquid; "
            "effective indices hold far below 1, so indices, transmittance and far field are rough"
        )
    warnings = measurement.numbers.setdefault("warnings", [])
    warnings.extend(words for words in said if words not in warnings)


def light_of(measurement: Measurement) -> dict[str, Any]:
    """Return the curve ``light`` of a measurement.

    Raises
    ------
    ValueError
        If ``add_light`` was not called on it.
    """
    if "light" not in measurement.curves:
        raise ValueError("the measurement must hold light; received one without: call add_light.")
    return measurement.curves["light"]


def _axis(measurement: Measurement) -> Floats | None:
    """Direction of the chains, (3,), or None."""
    direction = measurement.numbers["spacing"].get("chain_direction")
    return None if direction is None else np.asarray(direction, dtype=np.float64)


def bond_closeness(frame: dict[str, Any]) -> float:
    """Return the mean cube of diameter over distance of bonded particles, at most 1.

    Parameters
    ----------
    frame : dict
        ``positions``, ``diameters``, ``sides`` and ``bonds`` of a frame.
    """
    bonds = np.asarray(frame.get("bonds", ()), dtype=np.int64).reshape(-1, 2)
    if len(bonds) == 0:
        return 1.0
    apart = frame["positions"][bonds[:, 1]] - frame["positions"][bonds[:, 0]]
    for axis in (0, 1):
        apart[:, axis] -= frame["sides"][axis] * np.round(apart[:, axis] / frame["sides"][axis])
    distance = np.linalg.norm(apart, axis=1)
    diameter = 0.5 * (frame["diameters"][bonds[:, 0]] + frame["diameters"][bonds[:, 1]])
    return float(min(1.0, np.mean((diameter / distance) ** 3)))
