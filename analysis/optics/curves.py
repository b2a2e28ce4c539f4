"""What light makes of a measured run: maps and far field, kept with the other curves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from analysis.files.curve import Curve
from analysis.measures.measure import Measurement
from analysis.optics.far_field import averaged_frames, far_field, mixtures, unknown
from analysis.optics.indices import Optics
from analysis.optics.mixture import Mixture
from analysis.optics.optical_series import optical_series
from analysis.optics.projection import grid_shape, particle_thickness, resolved
from analysis.spacing.distances import lateral_direction
from analysis.trajectory.run import Run

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Light(Curve):
    """What light meets: the film at each wavelength, and the mean closeness of bonded particles.

    ``films`` are mixtures, ``grains`` the same with beads after Bruggeman; both are None where the
    index of the cores is not known.
    """

    NAME: ClassVar = "light"
    optics: Optics
    films: list[Mixture] | None
    grains: list[Mixture] | None
    closeness: float


@dataclass(frozen=True)
class OpticalThickness(Curve):
    """Map of the last frame: path along z through particles in m, (y, x), and what light resolves.

    A dictionary a wavelength with ``wavelength_m``, ``path_m`` and ``absorption``; of beads the
    distance to the law of Bruggeman is ``path_error_m`` and ``absorption_error``.
    """

    NAME: ClassVar = "optical_thickness"
    x_m: Floats
    y_m: Floats
    particle_thickness_m: Floats
    wavelengths: list[dict[str, Any]]


@dataclass(frozen=True)
class FarField(Curve):
    """Light behind the film: ``far_field.far_field`` of these frames, across this direction."""

    NAME: ClassVar = "far_field"
    wavelengths: list[dict[str, Any]]
    frames: list[int]
    lateral: Floats | None
    outer_index: float
    aperture: float


def add_light(
    measurement: Measurement, run: Run, optics: dict[str, Any] | None = None
) -> Measurement:
    """Add ``light``, ``optical_thickness``, ``far_field`` and ``optical_series`` to a measurement.

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
        The same one. Maps, far field and birefringence are empty where the index of the cores is
        not known. What is assumed, and why an index is not known, joins the ``warnings``.
    """
    chosen = Optics.of(run.resolved, optics)
    films, grains = mixtures(run, chosen), mixtures(run, chosen, grains=True)
    light = Light(chosen, films, grains, bond_closeness(measurement.last_frame))
    _warn(measurement, run, chosen)
    maps, far = OpticalThickness.empty(), FarField.empty()
    if films is not None and grains is not None:
        maps, far = _maps(run, light), _far_field(measurement, run, light)
    known = chosen.wavelengths if films else ()
    series = optical_series(measurement, films or [], known, light.closeness)
    measurement.curves.update({curve.NAME: curve for curve in (light, maps, far, series)})
    return measurement


def _maps(run: Run, light: Light) -> OpticalThickness:
    """Return the last frame as light meets it."""
    shape = grid_shape(run.sides, float(np.median(run.diameters)))
    sharp = particle_thickness(run.positions(-1), run.diameters_of(-1), run.sides, shape)
    rows, columns = shape
    pairs = zip(light.films or (), light.grains or (), light.optics.wavelengths, strict=True)
    return OpticalThickness(
        x_m=(np.arange(columns) + 0.5) * run.sides[0] / columns,
        y_m=(np.arange(rows) + 0.5) * run.sides[1] / rows,
        particle_thickness_m=sharp,
        wavelengths=[_resolved_map(run, light.optics, sharp, *pair) for pair in pairs],
    )


def _far_field(measurement: Measurement, run: Run, light: Light) -> FarField:
    """Return the light behind the film, averaged over frames."""
    rest, axis = measurement.numbers["equilibration"], _axis(measurement)
    ends = (rest["from_time_s"], rest["to_time_s"])
    if run.is_sampled:  # sweeps stand in for times, of which nothing is told
        ends = (0.5 * float(run.times[-1]), float(run.times[-1]))
    frames = averaged_frames(run, ends)
    lateral, optics = lateral_direction(axis), light.optics
    found = far_field(run, optics, light.films or [], frames, lateral, light.grains)
    return FarField(found, frames, lateral, optics.outer_index, optics.numerical_aperture)


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


def light_of(measurement: Measurement) -> Light:
    """Return the curve ``light`` of a measurement.

    Raises
    ------
    ValueError
        If ``add_light`` was not called on it.
    """
    if Light.NAME not in measurement.curves:
        raise ValueError("the measurement must hold light; received one without: call add_light.")
    return Light.among(measurement.curves)


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
