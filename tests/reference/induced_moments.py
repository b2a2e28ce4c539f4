"""Beads that magnetise each other: self-consistent moments in a film, their energy and forces.

Any consistent units in which two dipoles have the energy [m1.m2 - 3 (m1.n)(m2.n)]/r^3 in kT, and a
moment m in a field b the energy -m.b in kT. A bead holds many small superparamagnetic cores of the
moment m_core; its own moment points along the local field b, the applied one and that of all other
dipoles and images, and is m_s L(m_core b) with the Langevin function L (P. Langevin, Annales de
Chimie et de Physique vol 5, p 70 (1905), from memory).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sim.engines.cpu_induced import make_mixing_work
from sim.kernels.dipoles import induced as kernels
from tests.reference.dipole_sum import dipole_sum

Floats = NDArray[np.float64]
MOST_ITERATIONS = 100


def _check_saturation(saturation: ArrayLike, core_moment: float, count: int) -> Floats:
    """Return N saturation moments; refuse what is no moment."""
    limits = np.ascontiguousarray(saturation, dtype=np.float64)
    if limits.shape != (count,) or not np.isfinite(limits).all() or (limits < 0.0).any():
        raise ValueError(
            f"saturation must be {count} finite numbers of at least 0; received the shape "
            f"{limits.shape} with {limits.min(initial=np.inf):g} as least."
        )
    if not (np.isfinite(core_moment) and core_moment > 0.0):
        raise ValueError(f"core_moment must be above 0 and finite; received {core_moment}.")
    return limits


def _check_rows(name: str, value: ArrayLike, count: int) -> Floats:
    """Return one vector per particle as a new array; a single vector serves all particles."""
    rows = np.array(value, dtype=np.float64)
    if rows.shape not in ((3,), (count, 3)) or not np.isfinite(rows).all():
        raise ValueError(
            f"{name} must be finite numbers of the shape (3,) or ({count}, 3); received the shape "
            f"{rows.shape}."
        )
    return np.array(np.broadcast_to(rows, (count, 3)))


def induce(
    positions: ArrayLike,
    saturation: ArrayLike,
    core_moment: float,
    applied: ArrayLike,
    sides: ArrayLike,
    method: str = "mesh",
    tolerance: float = 1e-4,
    moment_tolerance: float = 1e-6,
    start: ArrayLike | None = None,
    cutoff: float | None = None,
) -> tuple[Floats, Floats, Floats, int]:
    """Find the moments that beads in a film induce in each other.

    Parameters
    ----------
    positions : array_like (N, 3)
        As for `tests.reference.dipole_sum.dipole_sum`.
    saturation : array_like (N,)
        Saturation moments m_s of the beads, at least 0.
    core_moment : float
        Moment of one small core inside a bead: a field b has the Langevin parameter core_moment b.
    applied : array_like (3,) or (N, 3)
        Applied field.
    sides : (float, float)
        Periods of the patch.
    method, tolerance, cutoff
        Of the dipole sums, as for `dipole_sum`.
    moment_tolerance : float
        The moments count as self-consistent when one more response to their field would change
        them by less than this, as RMS over the RMS moment (over 1e-6 of saturation where that is
        more: without a field they die out, and no relative change would ever be small).
    start : array_like (N, 3), optional
        Moments to start from, such as those of the step before; without them the beads start as if
        each were alone.

    Returns
    -------
    moments : float64 (N, 3)
        m_s L(core_moment |b|) along the local field b; always below saturation.
    field : float64 (N, 3)
        Local field b, applied and of all dipoles, own images included.
    force : float64 (N, 3)
        Of the dipoles on each bead; minus the gradient of `induced_energy` in its position where
        the applied field is uniform, because that energy is stationary in the moments.
    iterations : int
        Dipole sums made. Field and force are those of the last one, whose moments differ from the
        returned ones by less than the tolerance; so does the force, relative to its terms.

    Raises
    ------
    ValueError
        As `dipole_sum`, and for moments or fields of a wrong shape or value.
    RuntimeError
        If the moments do not settle within `MOST_ITERATIONS` sums.
    """
    places = np.asarray(positions, dtype=np.float64)
    count = len(places) if places.ndim else 0
    limits = _check_saturation(saturation, core_moment, count)
    outer = _check_rows("applied", applied, count)
    if not 0.0 < moment_tolerance < 1.0:
        raise ValueError(
            f"moment_tolerance must be above 0 and below 1; received {moment_tolerance}."
        )
    response, partials = np.zeros((count, 3)), np.empty((kernels.BLOCKS, kernels.SUMS))

    def respond_to(field: Floats, moments: Floats) -> float:
        return float(kernels.respond(field, limits, core_moment, moments, response, partials))

    def sums(moments: Floats) -> tuple[Floats, Floats]:
        inner, force = dipole_sum(places, moments, sides, method, tolerance, cutoff)
        return outer + inner, force

    if start is None:
        respond_to(outer, response)
    moments = response.copy() if start is None else _check_rows("start", start, count)
    field, force, iterations = _settle(sums, moments, respond_to, response, moment_tolerance)
    return response, field, force, iterations


def _settle(
    sums: Callable[[Floats], tuple[Floats, Floats]],
    moments: Floats,
    respond_to: Callable[[Floats, Floats], float],
    response: Floats,
    moment_tolerance: float,
) -> tuple[Floats, Floats, int]:
    """Iterate until ``moments`` and ``response`` agree; give field, force and number of sums."""
    work = make_mixing_work(len(moments))
    change = np.inf
    for step in range(MOST_ITERATIONS):
        field, force = sums(moments)
        change = respond_to(field, moments)
        if change < moment_tolerance:
            return field, force, step + 1
        kernels.mix(step, moments, response, work)
    raise RuntimeError(
        f"the induced moments do not settle to {moment_tolerance:g} within {MOST_ITERATIONS} sums; "
        f"they still change by {change:.2g} of themselves."
    )


def induced_energy(
    positions: ArrayLike,
    moments: ArrayLike,
    saturation: ArrayLike,
    core_moment: float,
    applied: ArrayLike,
    sides: ArrayLike,
    method: str = "mesh",
    tolerance: float = 1e-4,
    cutoff: float | None = None,
) -> float:
    """Energy of beads that magnetise each other.

    Parameters
    ----------
    positions, saturation, core_moment, applied, sides, method, tolerance, cutoff
        As for `induce`.
    moments : array_like (N, 3)
        Any moments below saturation; those of `induce` make the energy stationary.

    Returns
    -------
    float
        F = sum [w(m_i) - m_i . applied_i] - 1/2 sum m_i . field_i in kT, where the derivative of
        w is the field that holds a moment against thermal motion, L^-1(m/m_s)/m_core; infinite
        for a moment at saturation.

    Raises
    ------
    ValueError
        As `induce`, and for a moment above saturation.
    """
    dipoles = np.ascontiguousarray(moments, dtype=np.float64)
    inner, _ = dipole_sum(positions, dipoles, sides, method, tolerance, cutoff)
    count = len(dipoles)
    limits = _check_saturation(saturation, core_moment, count)
    outer = _check_rows("applied", applied, count)
    sizes = np.linalg.norm(dipoles, axis=1)
    if (sizes > limits).any():
        row = int(np.argmax(sizes - limits))
        raise ValueError(
            f"moments must be at most the saturation of their bead; received {sizes[row]:g} beside "
            f"{limits[row]:g} in row {row}."
        )
    held = np.empty(count)
    kernels.holding_energies(dipoles, limits, core_moment, held)
    return float(np.sum(held - np.sum(dipoles * (outer + 0.5 * inner), axis=1)))
