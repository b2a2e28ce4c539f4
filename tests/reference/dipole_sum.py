"""Field and force of point dipoles in a film: periodic in x and y, open in z; all at once.

Any consistent units: the energy of two dipoles is [m1.m2 - 3 (m1.n)(m2.n)]/r^3. The engine sums the
same in its own pair loop; these sums hold what it uses, the exact plan and the mesh, against each
other, against slow loops (`naive_slab`) and against published sums.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial import cKDTree

from analysis.common.arrays import Floats
from sim.interactions.ewald_plan import EwaldPlan, EwaldWork, dipole_film, make_work, plan_exact
from sim.interactions.mesh.plan import MeshPlan, plan_mesh, spacing_of
from sim.interactions.mesh.sum import SlabMesh
from sim.interactions.mesh.tables import screening_table
from sim.kernels.dipoles.ewald_slab import ewald_field_force
from tests.reference import mesh_near

EXACT_TOLERANCE = 1e-10
FINEST_TOLERANCE = 1e-12
# A patch is repeated until it is this many spacings wide.
LEAST_SPACINGS = 4.0
LEAST_FOR_DISTANCE = 20
COARSEST = 0.05


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
    x, y, z = np.ascontiguousarray(positions.T)
    mx, my, mz = np.ascontiguousarray(moments.T)
    film = dipole_film(
        x=x, y=y, z=z, mx=mx, my=my, mz=mz, count=len(positions), plan=plan, work=work,
        field=out_field, force=out_force,
    )  # fmt: skip
    film.call(ewald_field_force, 0)


def _sum_exact(
    positions: Floats, moments: Floats, sides: Floats, tolerance: float
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
    positions: Floats, moments: Floats, sides: Floats, cutoff: float
) -> tuple[Floats, Floats]:
    """Sum nearest images within the cutoff, dipole by dipole."""
    field, force = np.zeros_like(positions), np.zeros_like(positions)
    for i, m in enumerate(moments):
        r = positions[i] - positions
        r[:, :2] -= sides * np.rint(r[:, :2] / sides)
        r2 = (r**2).sum(axis=1)
        near = (r2 <= cutoff**2) & (np.arange(len(r)) != i)
        r, r2, others = r[near], r2[near, None], moments[near]
        mi, mj = r @ m, (others * r).sum(axis=1)
        mi, mj, both = mi[:, None], mj[:, None], (others @ m)[:, None]
        field[i] = (3.0 * mj * r / r2**2.5 - others / r2**1.5).sum(axis=0)
        pull = both * r + mj * m + mi * others - 5.0 * mi * mj * r / r2
        force[i] = (3.0 * pull / r2**2.5).sum(axis=0)
    return field, force


def add_short_range(
    positions: Floats,
    moments: Floats,
    plan: MeshPlan,
    out_field: Floats,
    out_force: Floats,
    table: Floats | None = None,
) -> None:
    """Add what point dipoles and their clouds leave, over neighbours within the plan's cutoff.

    Parameters
    ----------
    positions, moments : float64 (N, 3)
        z from 0 to the thickness that was planned for.
    plan : MeshPlan
    out_field, out_force : float64 (N, 3)
        Added to.
    table : array, optional
        `SlabMesh.near_table` of that plan, to be used again.
    """
    lengths = (*plan.sides, plan.thickness)
    count = len(positions)
    # More cells than particles would only cost memory.
    most = max(1, round(count ** (1.0 / 3.0)) * 4)
    cells = np.array([min(max(int(side / plan.cutoff), 1), most) for side in lengths])
    starts = np.empty(int(cells.prod()) + 1, np.int64)
    order, sorted_cells = np.empty(count, np.int64), np.empty(count, np.int64)
    sides = np.array(plan.sides)
    mesh_near.sort_cells(positions, sides, plan.thickness, cells, starts, order, sorted_cells)
    mesh_near.add_near_field_force(
        positions, moments, sides, plan.cutoff, screening_table(plan) if table is None else table,
        cells, starts, order, sorted_cells, out_field, out_force,
    )  # fmt: skip


def mesh_sum(
    positions: Floats, moments: Floats, plan: MeshPlan, mesh: SlabMesh | None = None
) -> tuple[Floats, Floats]:
    """Sum all dipoles and images with a plan; no checks.

    Parameters
    ----------
    positions, moments : float64 (N, 3)
        z from 0 to the thickness that was planned for.
    plan : MeshPlan
    mesh : SlabMesh, optional
        Of that plan, to be used again.

    Returns
    -------
    field, force : float64 (N, 3)
    """
    count = len(positions)
    field, force = np.empty((count, 3)), np.empty((count, 3))
    x, y, z = np.ascontiguousarray(positions.T)
    mx, my, mz = np.ascontiguousarray(moments.T)
    mesh = mesh or SlabMesh(plan, count)
    mesh.smooth_field_force(x, y, z, mx, my, mz, count, field, force)
    add_short_range(positions, moments, plan, field, force, mesh.near_table)
    return field, force


def _middle_distance(positions: Floats, sides: Floats) -> float | None:
    """Median distance to the nearest other dipole; None where there are too few to tell."""
    if len(positions) < LEAST_FOR_DISTANCE:
        return None
    inside = positions.copy()
    inside[:, :2] -= sides * np.floor(inside[:, :2] / sides)
    inside[:, :2][inside[:, :2] >= sides] = 0.0  # rounding
    inside[:, 2] -= inside[:, 2].min()
    # z is open: a period well beyond the film keeps its two faces apart.
    period = 2.0 * float(inside[:, 2].max()) + float(sides.max())
    distances, _ = cKDTree(inside, boxsize=[*sides, period]).query(inside, k=2)
    middle = float(np.median(distances[:, 1]))
    return middle if middle > 0.0 else None


def sum_on_mesh(
    positions: Floats, moments: Floats, sides: Floats, tolerance: float
) -> tuple[Floats, Floats]:
    """Plan a mesh for these very dipoles, and sum them; no checks.

    A patch of few spacings is first repeated: its dipoles and their images then lie within the
    short range, and the mesh, which knows no own images apart, is no finer than it must be.

    Parameters
    ----------
    positions, moments : float64 (N, 3)
    sides : float64 (2,)
    tolerance : float
        Relative RMS error of field and force.

    Returns
    -------
    field, force : float64 (N, 3)

    Raises
    ------
    ValueError
        If no mesh meets the tolerance.
    """
    count = len(positions)
    lifted = positions.copy()
    lifted[:, 2] -= positions[:, 2].min()
    thickness = float(lifted[:, 2].max())
    size = np.sqrt((moments**2).sum(axis=1))
    largest = float(size.max())
    if largest == 0.0:
        return np.zeros((count, 3)), np.zeros((count, 3))
    square = (size / largest) ** 2  # so that no unit of moment can overflow
    spacing = spacing_of((float(sides[0]), float(sides[1])), thickness, count)
    copies = [math.ceil(LEAST_SPACINGS * spacing / side - 1.0e-9) for side in sides]
    shift = np.array([[a, b, 0.0] for a in range(copies[0]) for b in range(copies[1])])
    shift[:, :2] *= sides
    repeated = (shift[:, None, :] + lifted).reshape(-1, 3)
    plan = plan_mesh(
        sides * copies,
        thickness,
        min(tolerance, COARSEST),
        len(repeated),
        nearest=_middle_distance(lifted, sides),
        moment_ratio=float(np.sqrt((square**2).mean()) / square.mean()),
        spacing=spacing,
    )
    unit = np.tile(moments / largest, (len(shift), 1))
    field, force = mesh_sum(repeated, unit, plan)
    return field[:count] * largest, force[:count] * largest**2


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
    """
    places = np.ascontiguousarray(positions, dtype=np.float64)
    dipoles = np.ascontiguousarray(moments, dtype=np.float64)
    periods = np.asarray(sides, dtype=np.float64)
    if method == "cutoff":
        return _sum_cutoff(places, dipoles, periods, cutoff)
    summed = {"mesh": sum_on_mesh, "exact": _sum_exact}[method]
    return summed(places, dipoles, periods, tolerance)


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
    """
    field, _ = dipole_sum(positions, moments, sides, method, tolerance, cutoff)
    return float(-0.5 * np.sum(np.asarray(moments, dtype=np.float64) * field))
