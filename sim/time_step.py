"""How long a step may be: the stiffest repulsion and the fastest turning moment decide.

The averaged-noise scheme stays stable far beyond the steps that are right, so stability is no
guide; the shares below keep the bias of the mean pair energy under 1 % (measured, see
DEVELOPERS.md).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from sim.parameters import RepulsionParameters

__all__ = ["StepLimits", "limits", "round_down", "soft_core_curvature"]

Floats = NDArray[np.float64]

STIFFNESS_SHARE = 0.25
TURNING_SHARE = 0.2
# The field of a chain on one of its moments: 4 zeta(3) = 4.8 lambda kT/m.
CHAIN_FIELD = 4.8
# Depth of thermal collisions in a soft core, in kT, where no dipole presses harder.
COLLISION_ENERGY = 5.0
SIZES_COMPARED = 32


@dataclass(frozen=True)
class StepLimits:
    """The longest steps in units of d0^2/D0 that each motion allows.

    Attributes
    ----------
    stiffness, turning : float
        Limit of the stiffest repulsion, and of the fastest turning moment.
    reason : str
        Which of the two limits, in words.
    """

    stiffness: float
    turning: float
    reason: str

    @property
    def shortest(self) -> float:
        """The step that both allow."""
        return min(self.stiffness, self.turning)


def round_down(value: float, digits: int = 3) -> float:
    """Return the value rounded down to so many significant digits."""
    scale = 10.0 ** (math.floor(math.log10(value)) - digits + 1)
    return math.floor(value / scale * (1.0 + 1e-12)) * scale


def soft_core_curvature(strength: float, coupling: Floats) -> Floats:
    """Return U'' of the soft core, in kT/s^2, where its energy reaches the largest that is met.

    That is the contact energy 2 lambda of the pair's dipoles, at least 5 kT of a collision.

    Notes
    -----
    U = 4e (x^12 - x^6) + e with x = s/r, so x^6 = (1 + sqrt(U/e))/2 and
    U'' s^2 = 4e (156 x^14 - 42 x^8).
    """
    reached = np.maximum(2.0 * coupling, COLLISION_ENERGY)
    x = (0.5 * (1.0 + np.sqrt(reached / strength))) ** (1.0 / 6.0)
    return np.asarray(4.0 * strength * (156.0 * x**14 - 42.0 * x**8))


def brush_curvature(core: Floats, contact: Floats, shell: float, grafting: float) -> Floats:
    """Return U'' of two surfactant layers at contact: pi dc^2 zeta/(2 delta dt), in kT."""
    return np.asarray(0.5 * math.pi * grafting / shell * core**2 / contact)


def _stiffest(
    repulsion: RepulsionParameters, radius: Floats, moment: Floats, shell: float, grafting: float
) -> float:
    """Return the largest k_ij (D_i + D_j)/2 over pairs of sizes."""
    chosen = np.unique(np.linspace(0, len(radius) - 1, SIZES_COMPARED).astype(int))
    order = np.argsort(radius, kind="stable")[chosen]
    diameter, strength = 2.0 * radius[order], moment[order]
    if repulsion.kind == "surfactant":
        core = diameter - 2.0 * shell
        pair = 2.0 * core[:, None] * core / (core[:, None] + core)
        curvature = brush_curvature(pair, pair + 2.0 * shell, shell, grafting)
    else:
        mean = 0.5 * (diameter[:, None] + diameter)
        coupling = strength[:, None] * strength / mean**3
        curvature = soft_core_curvature(repulsion.strength, coupling) / mean**2
    mobility = 1.0 / diameter
    return float(np.max(curvature * 0.5 * (mobility[:, None] + mobility)))


def limits(
    repulsion: RepulsionParameters,
    radius: Floats,
    moment: Floats,
    turning: Floats,
    largest_field: float,
    shell: float,
    grafting: float,
) -> StepLimits:
    """Return the steps that the repulsion and the rotation allow.

    Parameters
    ----------
    repulsion : RepulsionParameters
    radius, moment, turning : float64 (N,)
        Steric radius, moment and Brownian rotational diffusion, reduced.
    largest_field : float
        Largest applied field, reduced.
    shell, grafting : float
        Shell thickness and grafting density, reduced.

    Returns
    -------
    StepLimits

    Notes
    -----
    k (D_i + D_j)/2 dt = 0.25 for the stiffest pair, and D_rot dt (xi + 4.8 lambda) = 0.2, where
    4.8 lambda kT/m is the field of a long chain on its own moments.
    """
    stiffness = STIFFNESS_SHARE / _stiffest(repulsion, radius, moment, shell, grafting)
    torque = local_langevin(radius, moment, largest_field)
    rotation = TURNING_SHARE / float(np.max(turning * torque))
    if stiffness <= rotation:
        reason = (
            "the surfactant's stiffness"
            if repulsion.kind == "surfactant"
            else "the soft core's stiffness"
        )
    else:
        reason = "rotation in the field of the neighbours"
    return StepLimits(stiffness, rotation, reason)


def local_langevin(radius: Floats, moment: Floats, field: float) -> Floats:
    """Return xi + 4.8 lambda of each particle, at least 1: the steepness that a moment may meet."""
    coupling = moment**2 / (2.0 * radius) ** 3
    return np.maximum(1.0, moment * field + CHAIN_FIELD * coupling)
