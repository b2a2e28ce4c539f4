"""What a film does at each place of a cell in the field of magnets: functions of arrays, in SI.

Taken for granted: the film is thin beside the distance over which the field varies, so that its
mid-plane stands for it, and so dilute that the applied field is the field that particles meet.
Moments follow the field in thermal equilibrium, blocked ones by turning with their particle and
free ones inside it, which on average is the same: a moment m L(xi) along the field.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.common.arrays import Floats
from analysis.common.conventions import IN_PLANE, NO_CHAINS, STANDING
from analysis.common.laws import langevin
from sim.film.particles import draw
from sim.interactions import dipolar
from sim.outlook.look_ahead import chain_bonds, length_band, predict_lengths
from sim.parameters.types import FieldParameters, FieldStep
from sim.physics import material

if TYPE_CHECKING:
    from sim.parameters.types import Parameters

STANDING_TILT = 45.0
"""Tilt of the field from the film plane in degrees above which chains stand up."""
SHORTEST_CHAINS = 1.5
"""Predicted mean length below which there are no chains to speak of, as `check` has it."""
LEAST_ORIENTATION = 1.0
"""Energy in kT of a mean chain in the field below which chains have no common direction."""
KNOTS = 9
"""Field strengths, and volume fractions, at which chain lengths are predicted."""
LEAST_STRENGTH, LEAST_FRACTION = 1e-4, 1e-7
"""Shares of the largest one below which lengths change no more, and all count as these."""


@dataclass(frozen=True)
class CellMap:
    """The film over a cell; arrays over the grid have the shape (rows along y, columns along x).

    Attributes
    ----------
    x, y : ndarray
        Places of columns and rows in m; the centre of the cell is at 0.
    field : ndarray (rows, columns, 3)
        Flux density in T.
    strength : ndarray
        Its magnitude in T.
    direction, tilt : ndarray
        Angle of its part in the plane from x towards y, and its angle out of the plane, in degrees.
    langevin : ndarray
        Langevin parameter of the median particle (of beads: of their cores).
    moment : ndarray
        Mean moment of the median particle along the field in A m2.
    coupling : ndarray
        Coupling at contact of two such mean moments.
    mean_length : ndarray
        Predicted mean chain length in equilibrium.
    force : ndarray (rows, columns, 3)
        Magnetophoretic force on the median particle in N.
    drift : ndarray (rows, columns, 3)
        Velocity in m/s at which it would drift through the free liquid.
    state : int8 ndarray
        `NO_CHAINS`, `IN_PLANE` or `STANDING`.
    """

    x: Floats
    y: Floats
    field: Floats
    strength: Floats
    direction: Floats
    tilt: Floats
    langevin: Floats
    moment: Floats
    coupling: Floats
    mean_length: Floats
    force: Floats
    drift: Floats
    state: NDArray[np.int8]

    def columns(self) -> dict[str, NDArray[np.generic]]:
        """Return the arrays over the grid by their names in files, units in the names."""

        def parts(name: str, values: Floats, unit: str) -> dict[str, Floats]:
            return {f"{name}_{axis}_{unit}": values[..., k] for k, axis in enumerate("xyz")}

        low, high = length_band(self.mean_length)
        return {
            **parts("field", self.field, "T"),
            "strength_T": self.strength,
            "direction_deg": self.direction,
            "tilt_deg": self.tilt,
            "langevin_parameter": self.langevin,
            "mean_moment_Am2": self.moment,
            "coupling": self.coupling,
            "mean_length": self.mean_length,
            "mean_length_low": low,
            "mean_length_high": high,
            **parts("force", self.force, "N"),
            **parts("drift", self.drift, "m_per_s"),
            "state": self.state,
        }


def grid(sides: tuple[float, float], points: int) -> tuple[Floats, Floats, Floats]:
    """Lay a grid of square meshes over the cell, its edges included.

    Parameters
    ----------
    sides : tuple of float
        Width of the cell along x and y in m.
    points : int
        Points along the longer side.

    Returns
    -------
    x, y : ndarray
        Places of columns and rows in m, about 0; meshes are square but for rounding to whole ones.
    places : ndarray (rows * columns, 3)
        All places at z = 0, row by row.
    """
    step = max(sides) / (points - 1)
    x, y = (np.linspace(-0.5 * s, 0.5 * s, max(round(s / step), 1) + 1) for s in sides)
    across, along = np.meshgrid(x, y)
    return x, y, np.stack([across.ravel(), along.ravel(), np.zeros(across.size)], axis=1)


def strength_gradient(field: Floats, gradient: Floats) -> Floats:
    """Gradient of the magnitude of a field.

    Parameters
    ----------
    field : ndarray (..., 3)
        Flux density in T.
    gradient : ndarray (..., 3, 3)
        dB_a/dx_b in T/m at [..., a, b].

    Returns
    -------
    ndarray (..., 3)
        d|B|/dx_b = sum_a B_a dB_a/dx_b/|B| in T/m; 0 where there is no field.
    """
    strength = np.linalg.norm(field, axis=-1, keepdims=True)
    unit = np.divide(field, strength, out=np.zeros_like(field), where=strength > 0.0)
    return np.asarray(np.einsum("...a,...ab->...b", unit, gradient))


def axis_angles(field: Floats) -> tuple[Floats, Floats]:
    """Direction in the plane from x towards y, and tilt out of it, in degrees.

    Parameters
    ----------
    field : ndarray (..., 3)
        Flux density in T.

    Returns
    -------
    direction, tilt : ndarray (...)
        From -180 to 180 and from -90 to 90; 0 where there is no field.
    """
    level = np.hypot(field[..., 0], field[..., 1])
    direction = np.degrees(np.arctan2(field[..., 1], field[..., 0]))
    return direction, np.degrees(np.arctan2(field[..., 2], level))


def magnetophoretic_force(moment: Floats, field: Floats, gradient: Floats) -> Floats:
    """Force on moments that point along the field on average.

    Parameters
    ----------
    moment : ndarray (...)
        Mean moment along the field, m L(xi), in A m2.
    field, gradient : ndarray (..., 3), (..., 3, 3)
        As for `strength_gradient`.

    Returns
    -------
    ndarray (..., 3)
        (m . grad)B = m L(xi) grad|B| in N; the two are the same as curl B = 0 in the liquid.
    """
    return np.asarray(moment)[..., None] * strength_gradient(field, gradient)


def drift_velocity(force: Floats, viscosity: float, diameter: float) -> Floats:
    """Velocity in m/s of a sphere pulled through a liquid, F/(3 pi eta d) (Stokes).

    Parameters
    ----------
    force : ndarray
        Force in N.
    viscosity, diameter : float
        Viscosity in Pa s, outer diameter in m. Windows and neighbours would slow it further.
    """
    return np.asarray(force / (3.0 * math.pi * viscosity * diameter))


def predicted_lengths(
    parameters: Parameters, strength: Floats, fraction: ArrayLike | None = None
) -> Floats:
    """Mean chain length in equilibrium that theory predicts for fields in the plane.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI; the field in them is not used.
    strength : ndarray
        Flux density in T.
    fraction : array_like, optional
        Volume fraction of whole particles, of a shape that goes with ``strength``; by default that
        of the film everywhere.

    Returns
    -------
    ndarray
        `sim.outlook.look_ahead.predict_lengths` at up to `KNOTS` strengths and as many fractions,
        evenly spaced in their logarithms; between them the logarithm of the length is interpolated.
    """
    from scipy.ndimage import map_coordinates

    given = draw(parameters).volume_fraction if fraction is None else fraction
    strength, fraction = np.broadcast_arrays(strength, np.asarray(given, dtype=np.float64))
    fields, field_place = _knots(strength, LEAST_STRENGTH)
    fractions, fraction_place = _knots(fraction, LEAST_FRACTION)
    lengths = np.array([_lengths_at(parameters, float(field), fractions) for field in fields])
    places = np.stack([field_place, fraction_place])
    return np.asarray(np.exp(map_coordinates(np.log(lengths), places, order=1, mode="nearest")))


def _knots(values: Floats, least: float) -> tuple[Floats, Floats]:
    """Return knots over positive values and where on them, from 0, each value lies.

    What is below ``least`` of the largest value lies on the first knot.
    """
    high = max(float(values.max()), 1e-12)
    low = max(float(values.min()), least * high)
    if high - low <= 1e-9 * high:
        return np.array([high]), np.zeros(values.shape)
    pace = math.log(high / low) / (KNOTS - 1)
    return np.geomspace(low, high, KNOTS), np.log(np.clip(values, low, high) / low) / pace


def _lengths_at(parameters: Parameters, strength: float, fractions: Floats) -> list[float]:
    """Predict the mean lengths in a field of this strength in T along x."""
    step = FieldStep("hold", math.inf, (strength, 0.0, 0.0))
    field = FieldParameters((step,), (1.0, 0.0, 0.0))
    there = dataclasses.replace(parameters, field=field)
    bonds = chain_bonds(there)
    return [predict_lengths(there, float(share), bonds).central for share in fractions]


def magnetised(parameters: Parameters, strength: Floats) -> tuple[Floats, Floats, Floats]:
    """Langevin parameter, mean moment in A m2, and energy in the field in kT of the median.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    strength : ndarray
        Flux density in T.

    Returns
    -------
    tuple of ndarray
        Of beads the Langevin parameter is that of a core.
    """
    sizes, temperature = parameters.particles, parameters.carrier.temperature
    largest = float(dipolar.largest_moments(sizes, sizes.core_diameter))
    if sizes.is_multicore:
        xi = dipolar.core_langevin_parameter(parameters, 1.0) * strength
        moment = largest * np.asarray(langevin(xi))
        return xi, moment, np.asarray(material.langevin_parameter(moment, strength, temperature))
    xi = np.asarray(material.langevin_parameter(largest, strength, temperature))
    return xi, largest * np.asarray(langevin(xi)), xi


def chains_at(
    parameters: Parameters, strength: Floats, tilt: Floats, fraction: ArrayLike | None = None
) -> tuple[Floats, NDArray[np.int8]]:
    """Say how long chains are and what they do in a field.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    strength, tilt : ndarray
        Flux density in T and its angle out of the plane in degrees.
    fraction : array_like, optional
        Volume fraction, see `predicted_lengths`.

    Returns
    -------
    length : ndarray
        Predicted mean length; chains that stand up are at most as long as the film lets them.
    state : int8 ndarray
        `NO_CHAINS`, `IN_PLANE` or `STANDING`.
    """
    length = predicted_lengths(parameters, strength, fraction)
    _, _, energy = magnetised(parameters, strength)
    standing = np.abs(tilt) > STANDING_TILT
    room = parameters.film.thickness / parameters.particles.diameter
    rise = np.where(standing, np.abs(np.sin(np.radians(tilt))), 1.0)
    length = np.where(standing, np.minimum(length, np.maximum(room / rise, 1.0)), length)
    formed = (length >= SHORTEST_CHAINS) & (length * energy >= LEAST_ORIENTATION)
    state = np.where(formed, np.where(standing, STANDING, IN_PLANE), NO_CHAINS)
    return length, state.astype(np.int8)


def map_cell(
    parameters: Parameters, x: Floats, y: Floats, field: Floats, gradient: Floats
) -> CellMap:
    """Say what the film does at each place of a grid.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    x, y : ndarray (columns,), (rows,)
        Places in m.
    field : ndarray (rows * columns, 3)
        Flux density in T at the mid-plane, row by row.
    gradient : ndarray (rows * columns, 3, 3)
        dB_a/dx_b in T/m.

    Returns
    -------
    CellMap
        The map.
    """
    sizes, carrier = parameters.particles, parameters.carrier
    field = field.reshape(y.size, x.size, 3)
    gradient = gradient.reshape(y.size, x.size, 3, 3)
    strength = np.linalg.norm(field, axis=-1)
    direction, tilt = axis_angles(field)
    xi, moment, _ = magnetised(parameters, strength)
    length, state = chains_at(parameters, strength, tilt)
    force = magnetophoretic_force(moment, field, gradient)
    return CellMap(
        x=x,
        y=y,
        field=field,
        strength=strength,
        direction=direction,
        tilt=tilt,
        langevin=xi,
        moment=moment,
        coupling=np.asarray(material.coupling(moment, sizes.diameter, carrier.temperature)),
        mean_length=length,
        force=force,
        drift=drift_velocity(force, carrier.viscosity, sizes.diameter),
        state=state,
    )
