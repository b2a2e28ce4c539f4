"""How weight and gradients of the field push single particles, and the step that this leaves.

Neither is a pair force, so that no stiffness tells of them: a strong one carries particles along by
more than a step may, and presses piles of them into windows and into each other.
"""

from __future__ import annotations

import numpy as np

from analysis.common.arrays import Floats
from analysis.common.blocks import largest_of_each, of_each
from sim.film.time_step import STIFFNESS_SHARE
from sim.kernels.laws import pairs as pair_laws

STRETCH = (16.0 / 3.0) ** 0.5
DRIFT_SHARE = 0.04
"""Longest way in d0 of a step under the push alone; drifts of twice this are shortened."""


def body_push(
    radius: Floats,
    moment: Floats,
    shell: float,
    weights: tuple[float, float],
    steepest: float,
) -> Floats:
    """Return the largest force of weight and gradient on each particle, in kT/d0.

    Parameters
    ----------
    radius, moment : float64 (N,)
        Steric radii and moments, reduced.
    shell : float
        Thickness of the shell, reduced.
    weights : tuple of float
        Of core and shell, as `sim.interactions.gravity` gives them.
    steepest : float
        Largest component of the gradient, reduced.

    Returns
    -------
    float64 (N,)

    Notes
    -----
    A symmetric tensor without trace whose components are at most 1 has squares that add up to 8 and
    stretches no vector by more than sqrt(8 * 2/3).
    """

    def push(radius: Floats, moment: Floats) -> Floats:
        weight = np.abs(pair_laws.buoyant_weight(radius, shell, *weights))
        return np.asarray(weight + STRETCH * steepest * moment)

    return of_each(push, radius, moment)


def pressed_curvature(strength: float, diameter: Floats, push: Floats) -> Floats:
    """Return at most how stiff a soft core is where it holds a push, in kT/d0^2.

    Notes
    -----
    The push is (24 e/s)(2 x^13 - x^7) with x = s/r, at least (24 e/s) x^13 for x > 1; the curvature
    there is (4 e/s^2)(156 x^14 - 42 x^8).
    """
    x = np.maximum(push * diameter / (24.0 * strength), 1.0) ** (1.0 / 13.0)
    return np.asarray(4.0 * strength / diameter**2 * (156.0 * x**14 - 42.0 * x**8))


def pushed_step(radius: Floats, push: Floats, strength: float, layers: float) -> float:
    """Return the longest step that a push leaves, reduced; infinite where it does not matter.

    Parameters
    ----------
    radius, push : float64 (N,)
        Steric radii and what `body_push` returns.
    strength : float
        Strength of soft cores and windows in kT.
    layers : float
        Particles that press on the lowest one, at least 1.
    """
    most = max(layers, 1.0)
    drift = largest_of_each(lambda radius, push: push / (2.0 * radius), radius, push)
    heaviest = largest_of_each(lambda radius, push: push * most * (2.0 * radius), radius, push)
    longest = DRIFT_SHARE / max(drift, 1e-300)
    if heaviest > 24.0 * strength:

        def stiffness(radius: Floats, push: Floats) -> Floats:
            diameter = 2.0 * radius
            return pressed_curvature(strength, diameter, push * most) / diameter

        longest = min(longest, STIFFNESS_SHARE / largest_of_each(stiffness, radius, push))
    return longest
