"""How many independent structures of moments a span of time holds, by how fast particles turn.

A series shorter than its memory does not know that memory: moments that have hardly turned look
like moments that stay. Free particles turn in a time that follows from their size, and particles
in chains take longer, so that this time bounds the memory of a film's moments from below.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from analysis.common.arrays import Floats, Integers
from analysis.common.constants import BOLTZMANN
from analysis.common.laws import langevin

if TYPE_CHECKING:
    from analysis.trajectory.run import Run

MAGNETISATION, MOMENT_ORDER = "magnetisation", "moment_order"


def moment_structures(run: Run, name: str, frames: Integers, field: float) -> float | None:
    """Return how many independent structures some frames hold, at most, of a number of moments.

    Parameters
    ----------
    run : Run
        The trajectory.
    name : str
        "magnetisation" or "moment_order".
    frames : (n,) array
        Numbers of the frames, rising.
    field : float
        Flux density at these frames in T.

    Returns
    -------
    float or None
        At least 1. None where no turning of particles makes the moments: sweeps of a sampler have
        no times, beads are magnetised by the field at their place; or where the file does not say
        how fast particles turn.
    """
    time = turning_time(run, name, field)
    if time is None or len(frames) < 2:
        return None
    return independent(float(run.times[frames[-1]] - run.times[frames[0]]), time)


def turning_time(run: Run, name: str, field: float) -> float | None:
    """Return the memory in s that a film of free particles of these sizes would have of a number.

    Notes
    -----
    A moment in a field relaxes along it in tau_B d ln L/d ln xi, L Langevin's function, by the
    effective field: M. A. Martsenyuk, Yu. L. Raikher, M. I. Shliomis, Sov. Phys. JETP 38, 413
    (1974); second-rank order in tau_B/3 without a field (from memory). tau_B grows with the volume;
    each particle counts by the variance m^2 L'(xi) that it gives to the magnetisation.
    """
    brown, diameter, temperature = (
        float(run.derived.get(key) or 0.0)
        for key in ("brown_time_s", "median_diameter_m", "temperature_k")
    )
    if run.derived.get("core_moment_am2") or run.is_sampled or not min(brown, temperature) > 0.0:
        return None
    moments = run.moment_magnitudes
    if moments is None and run.has_moments:
        moments = np.linalg.norm(run.moments(-1), axis=1)
    if moments is None or not moments.any():
        return None
    own = np.full(len(moments), brown)
    if diameter > 0.0 and len(run.diameters) == len(moments):
        own *= (run.diameters / diameter) ** 3
    slope, pace = _along(moments * field / (BOLTZMANN * temperature))
    weights = moments**2 * slope
    if name == MOMENT_ORDER:
        pace = np.minimum(pace, 1.0 / 3.0)
    return float((weights * own * pace).sum() / weights.sum())


def _along(parameter: Floats) -> tuple[Floats, Floats]:
    """Return L'(xi) and d ln L/d ln xi of Langevin parameters, (N,) each."""
    xi = np.clip(parameter, 1e-3, 300.0)  # below, L = xi/3 to 1e-7
    slope = 1.0 / xi**2 - 1.0 / np.sinh(xi) ** 2
    return slope, xi * slope / langevin(xi)


def independent(span: float, time: float) -> float:
    """Return how many independent values the mean over a span of an exponential memory is worth.

    Notes
    -----
    The variance of the mean over the one of a value is 2 (x - 1 + exp(-x))/x^2, x = span/time:
    Priestley, Spectral Analysis and Time Series (1981), section 5.3 (from memory).
    """
    x = span / time
    if x < 1e-3:
        return 1.0 + x / 3.0
    return max(1.0, 0.5 * x**2 / (x + math.expm1(-x)))
