"""Field and force of point dipoles in a film: periodic in x and y, open in z.

Any consistent units: the energy of two dipoles is [m1.m2 - 3 (m1.n)(m2.n)]/r^3, so that in SI
the results are to be multiplied by mu0/(4 pi). The windows are non-magnetic: no wall term.

Methods: "mesh", an Ewald-type splitting with its smooth part on a grid, for systems of any size;
"exact", the Ewald sum over all images, for tests and small systems; "cutoff", nearest images
within a range, fast and approximate.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from analysis.common.arrays import Floats
from sim.interactions.ewald_plan import EwaldPlan, EwaldWork, make_work, plan_exact

if TYPE_CHECKING:
    from sim.kernels.vectors.calls import Packed

__all__ = [
    "METHODS",
    "dipole_energy",
    "dipole_film",
    "dipole_sum",
    "exact_sum",
    "make_work",
    "plan_exact",
]

EXACT_TOLERANCE = 1e-10
FINEST_TOLERANCE = 1e-12


def exact_sum(
    positions: Floats,
    moments: Floats,
    plan: EwaldPlan,
    work: EwaldWork,
    out_field: Floats,
    out_force: Floats,
) -> None:
    """Sum all dipoles and images with a plan; no checks.

    Parameters
    ----------
    positions, moments : float64 (N, 3)
        z from 0 to the thickness that was planned for.
    plan : EwaldPlan
    work : EwaldWork
        Scratch for at least N dipoles.
    out_field, out_force : float64 (N, 3)
        Results, overwritten.
    """
    from sim.kernels.dipoles.ewald_slab import ewald_field_force

    x, y, z = np.ascontiguousarray(positions.T)
    mx, my, mz = np.ascontiguousarray(moments.T)
    film = dipole_film(
        x=x, y=y, z=z, mx=mx, my=my, mz=mz, count=len(positions), plan=plan, work=work,
        field=out_field, force=out_force,
    )  # fmt: skip
    film.call(ewald_field_force, 0)


def dipole_film(**content: Any) -> Packed:
    """Return dipoles laid out for `sim.kernels.dipoles.ewald_slab.ewald_field_force`.

    Parameters
    ----------
    content
        The fields of `sim.kernels.steps.layout.DipoleFilm` but for the last two.
    """
    from sim.kernels.dipoles import ewald_slab
    from sim.kernels.steps.layout import DipoleFilm
    from sim.kernels.vectors.calls import Packed

    calls = np.zeros(len(ewald_slab.PARTS), np.int64)
    film = Packed(DipoleFilm(**content, total=np.zeros(1), calls=calls))
    calls[:] = film.addresses(*ewald_slab.PARTS)
    return film


def _sum_exact(
    positions: Floats, moments: Floats, sides: Floats, tolerance: float, _cutoff: float | None
) -> tuple[Floats, Floats]:
    """Plan and sum exactly."""
    lifted = positions.copy()
    lifted[:, 2] -= positions[:, 2].min()
    count = len(positions)
    finest = max(min(tolerance, EXACT_TOLERANCE), FINEST_TOLERANCE)
    plan = plan_exact(sides, float(lifted[:, 2].max()), finest, count)
    field, force = np.empty((count, 3)), np.empty((count, 3))
    exact_sum(lifted, moments, plan, make_work(plan, count), field, force)
    return field, force


def _sum_cutoff(
    positions: Floats, moments: Floats, sides: Floats, _tolerance: float, cutoff: float | None
) -> tuple[Floats, Floats]:
    """Sum nearest images within the cutoff."""
    from sim.kernels.dipoles.cutoff import cutoff_field_force

    field, force = np.empty_like(positions), np.empty_like(positions)
    cutoff_field_force(positions, moments, sides[0], sides[1], cutoff, field, force)
    return field, force


def _sum_mesh(
    positions: Floats, moments: Floats, sides: Floats, tolerance: float, _cutoff: float | None
) -> tuple[Floats, Floats]:
    """Plan and sum on a mesh."""
    from sim.interactions.mesh.sum import sum_on_mesh

    return sum_on_mesh(positions, moments, sides, tolerance)


_SUMS: dict[str, Callable[[Floats, Floats, Floats, float, float | None], tuple[Floats, Floats]]] = {
    "mesh": _sum_mesh,
    "exact": _sum_exact,
    "cutoff": _sum_cutoff,
}
METHODS = tuple(_SUMS)


def _check_rows(name: str, value: ArrayLike) -> Floats:
    """Return an (N, 3) array of finite numbers."""
    rows = np.ascontiguousarray(value, dtype=np.float64)
    if rows.ndim != 2 or rows.shape[1] != 3 or rows.shape[0] < 1:
        raise ValueError(f"{name} must have the shape (N, 3) with N >= 1; received {rows.shape}.")
    if not np.isfinite(rows).all():
        row = int(np.argmin(np.isfinite(rows).all(axis=1)))
        raise ValueError(f"{name} must be finite numbers; received {rows[row]} in row {row}.")
    return rows


def _check_sides(value: ArrayLike) -> Floats:
    """Return two positive sides."""
    sides = np.asarray(value, dtype=np.float64)
    if sides.shape != (2,) or not np.isfinite(sides).all() or not (sides > 0.0).all():
        raise ValueError(f"sides must be two positive lengths (W_x, W_y); received {value!r}.")
    return sides


def _check_cutoff(method: str, cutoff: float | None, sides: Floats) -> None:
    """Refuse a cutoff that is missing, not used, or beyond the nearest images."""
    half = float(sides.min()) / 2.0
    if method != "cutoff":
        if cutoff is not None:
            raise ValueError(
                f"cutoff is used by method 'cutoff' alone and must be left out for {method!r}; "
                f"received {cutoff}."
            )
        return
    if cutoff is None:
        raise ValueError("cutoff must be given for method 'cutoff'; received None.")
    if not 0.0 < cutoff <= half:
        raise ValueError(
            f"cutoff must be positive and at most half the shorter side, {half:g}; "
            f"received {cutoff}."
        )


def _check_distinct(positions: Floats, sides: Floats, field: Floats, force: Floats) -> None:
    """Name two dipoles at one place, which give no finite result."""
    bad = ~(np.isfinite(field).all(axis=1) & np.isfinite(force).all(axis=1))
    if not bad.any():
        return
    row = int(np.argmax(bad))
    apart = positions - positions[row]
    apart[:, :2] -= sides * np.rint(apart[:, :2] / sides)
    distance = np.linalg.norm(apart, axis=1)
    distance[row] = np.inf
    other = int(np.argmin(distance))
    raise ValueError(
        f"positions must be distinct; received {distance[other]:g} between rows {row} and {other}."
    )


def dipole_sum(
    positions: ArrayLike,
    moments: ArrayLike,
    sides: ArrayLike,
    method: str = "mesh",
    tolerance: float = 1e-4,
    cutoff: float | None = None,
) -> tuple[Floats, Floats]:
    """Field at, and force on, each dipole from all others in a film.

    Parameters
    ----------
    positions : array_like (N, 3)
        Any length unit; x and y need not be wrapped into the patch. N is 1 or more.
    moments : array_like (N, 3)
        Any unit; may differ in size, or be zero.
    sides : (float, float)
        Periods (W_x, W_y) of the patch, in the unit of the positions.
    method : str
        "mesh" or "exact": all periodic images, own ones included; or "cutoff": the nearest image
        of each other dipole where it lies within `cutoff`, without any correction for the rest.
    tolerance : float
        Relative RMS error asked for, above 0 and below 1; that of the force is relative to the
        larger of the RMS force and the RMS of field times moment over the nearest distance.
        "mesh" goes down to 1e-8; "exact" keeps 1e-10 even where less is asked for, and cannot
        go below 1e-12 (rounding); "cutoff" has no use for it.
    cutoff : float, optional
        Range of "cutoff", at most half the shorter side; required there, refused elsewhere.

    Returns
    -------
    field : float64 (N, 3)
        sum [3 n (m_j . n) - m_j]/r^3, in moment/length^3.
    force : float64 (N, 3)
        grad (m_i . field)(r_i) with all moments fixed, in moment^2/length^4.

    Raises
    ------
    ValueError
        For an unknown method, a wrong shape, numbers that are not finite, two dipoles at one
        place, and a cutoff or tolerance outside its range.
    """
    places, dipoles = _check_rows("positions", positions), _check_rows("moments", moments)
    if places.shape != dipoles.shape:
        raise ValueError(
            f"moments must have the shape of positions, {places.shape}; received {dipoles.shape}."
        )
    periods = _check_sides(sides)
    if method not in _SUMS:
        names = ", ".join(repr(name) for name in METHODS)
        raise ValueError(f"method must be one of {names}; received {method!r}.")
    if not 0.0 < tolerance < 1.0:
        raise ValueError(f"tolerance must be above 0 and below 1; received {tolerance}.")
    _check_cutoff(method, cutoff, periods)
    field, force = _SUMS[method](places, dipoles, periods, tolerance, cutoff)
    _check_distinct(places, periods, field, force)
    return field, force


def dipole_energy(
    positions: ArrayLike,
    moments: ArrayLike,
    sides: ArrayLike,
    method: str = "mesh",
    tolerance: float = 1e-4,
    cutoff: float | None = None,
) -> float:
    """Energy of the dipoles of one patch, -1/2 sum m_i . field_i; arguments of `dipole_sum`.

    Parameters
    ----------
    positions, moments, sides, method, tolerance, cutoff
        As for `dipole_sum`.

    Returns
    -------
    float
        In moment^2/length^3; a pair counts once, and a dipole with its own images by half.

    Raises
    ------
    ValueError
        As `dipole_sum`.
    """
    field, _ = dipole_sum(positions, moments, sides, method, tolerance, cutoff)
    return float(-0.5 * np.sum(np.asarray(moments, dtype=np.float64) * field))
