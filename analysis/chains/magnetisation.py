"""Magnetisation along the field and order of the moments, beside the law of free dipoles."""

from __future__ import annotations

import math

import numpy as np

from analysis.chains.theory import langevin_of_sizes
from analysis.common.arrays import Floats, Integers
from analysis.common.constants import BOLTZMANN


def relative_magnetisation(
    moments: Floats,
    direction: Floats,
    saturation: Floats | None = None,
    group: Integers | None = None,
) -> tuple[float, float]:
    """Return the magnetisation along a direction as a share of saturation, and its error.

    Parameters
    ----------
    moments : (N, 3) array
        Moments, any unit.
    direction : (3,) array
        Unit vector.
    saturation : (N,) array, optional
        Saturation moments m_s in the same unit; without them moments count as saturated.
    group : (N,) array, optional
        Chain of each particle, from 0 on.

    Returns
    -------
    (share, error)
        sum m.direction / sum m_s; the error takes chains, or else particles, as independent.
    """
    from analysis.uncertainty.ratio import ratio

    whole = np.linalg.norm(moments, axis=1) if saturation is None else saturation
    return ratio(*_by_chain(group, moments @ direction, whole))


def _by_chain(group: Integers | None, *columns: Floats) -> list[Floats]:
    """Return sums over chains of numbers of particles, or these where no chains are given."""
    if group is None:
        return list(columns)
    return [np.bincount(group, column).astype(np.float64) for column in columns]


def second_rank_order(
    axes: Floats, direction: Floats, weights: Floats, group: Integers | None = None
) -> tuple[float, float]:
    """Return the weighted mean of (3 cos^2 - 1)/2 between axes and a direction, and its error.

    Parameters
    ----------
    axes : (n, 3) array
        Unit vectors; the sign does not matter.
    direction : (3,) array
        Unit vector.
    weights : (n,) array
        Weights, such as particles in a chain.
    group : (n,) array, optional
        Chain of each, from 0 on; the error takes chains as independent.
    """
    from analysis.uncertainty.ratio import ratio

    order = 1.5 * (axes @ direction) ** 2 - 0.5
    return ratio(*_by_chain(group, weights * order, weights))


def director(axes: Floats, weights: Floats) -> Floats | None:
    """Return the mean direction of axes without sign, (3,), None without axes.

    Notes
    -----
    Eigenvector of the largest eigenvalue of the weighted tensor sum w u u.
    """
    total = float(weights.sum()) if len(weights) else 0.0
    if total == 0:
        return None
    tensor = np.einsum("i,ij,ik->jk", weights, axes, axes) / total
    vector = np.linalg.eigh(tensor)[1][:, -1]
    return np.asarray(vector * (1.0 if vector[np.argmax(np.abs(vector))] > 0 else -1.0))


def magnetisation_law(
    magnitudes: Floats, field: float, temperature: float, points: int = 120
) -> tuple[Floats, Floats, float, float]:
    """Return the magnetisation law of the run's own sizes, as a curve and at the run's field.

    Parameters
    ----------
    magnitudes : (N,) array
        Moments in A m2.
    field, temperature : float
        Flux density in T and temperature in K of the run.

    Returns
    -------
    parameter, law : (points + 1,) arrays
        Langevin parameter of the median moment, and share of saturation.
    own, at_field : float
        Both at the run's field.
    """
    median = float(np.median(magnitudes))
    scale = BOLTZMANN * temperature / median if median > 0 else math.inf
    own = field / scale if math.isfinite(scale) else 0.0
    grid = np.concatenate([[0.0], np.geomspace(0.05, max(20.0, 2 * own), points)])
    law = (
        np.array([langevin_of_sizes(magnitudes, x * scale, temperature) for x in grid])
        if (math.isfinite(scale))
        else np.zeros(len(grid))
    )
    return grid, law, own, langevin_of_sizes(magnitudes, field, temperature)
