"""Particles that hop between the cells of a grid: fluxes, their course in time, equilibrium.

The packing c = volume fraction / packing limit obeys

    dc/dt = div D [grad c + c (1 - c) grad u],    u = energy / kT,

no flux through the outer walls. It is the continuum limit of a lattice gas in which a particle
enters a site only if that is free, with the chemical potential kT [ln c/(1 - c) + u] (steric limit:
J. J. Bikerman, Philosophical Magazine 33, 384 (1942); mobility c (1 - c): G. Giacomin and
J. L. Lebowitz, Journal of Statistical Physics 87, 37 (1997); both from memory). Between two cells a
distance h apart the flux is D/h [B(du) c1 (1 - c2) - B(-du) c2 (1 - c1)] with B(x) = x/(e^x - 1):
for few particles that of D. L. Scharfetter and H. K. Gummel, IEEE Transactions on Electron Devices
16, 64 (1969), from memory; zero exactly where the chemical potential is the same in both.

Time goes by the backward differentiation formulas of scipy, whose order and steps follow from the
error that is allowed; they keep the number of particles, as every linear invariant.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.arrays import Floats

RELATIVE_ERROR, SMALLEST_SHARE = 1e-6, 1e-3
"""Error of a step as a share of the packing, which counts from this share of the mean on."""


@dataclass(frozen=True)
class Edges:
    """Edges between neighbouring cells, numbered as in the flattened grid.

    Attributes
    ----------
    first, second : (edges,) int array
        Cells on the two sides.
    forward, backward : (edges,) array
        Rates in 1/s of hops from the first to the second cell, if that is empty, and back.
    cells : int
        Number of cells.
    """

    first: NDArray[np.intp]
    second: NDArray[np.intp]
    forward: Floats
    backward: Floats
    cells: int


def _bernoulli(x: Floats) -> Floats:
    """B(x) = x/(e^x - 1), without overflow and at 0."""
    size = np.abs(x)
    decay = -np.expm1(-size)
    small = np.divide(size * np.exp(-size), decay, out=np.ones_like(size), where=size > 0.0)
    found: Floats = np.where(x > 0.0, small, small + size)
    return found


def make_edges(energy: Floats, spacing: tuple[float, float], diffusion: float) -> Edges:
    """Rates of the hops between neighbouring cells.

    Parameters
    ----------
    energy : (rows, columns) array
        Energy of a particle in the centre of each cell, in kT.
    spacing : tuple of float
        Distance in m from row to row and from column to column.
    diffusion : float
        Diffusion coefficient in m2/s.

    Returns
    -------
    Edges
        Inner edges alone; the outer walls let nothing through.
    """
    number = np.arange(energy.size).reshape(energy.shape)
    first = np.concatenate([number[:-1].ravel(), number[:, :-1].ravel()])
    second = np.concatenate([number[1:].ravel(), number[:, 1:].ravel()])
    between_rows = (energy.shape[0] - 1) * energy.shape[1]
    rate = np.full(len(first), diffusion / spacing[1] ** 2)
    rate[:between_rows] = diffusion / spacing[0] ** 2
    rise = energy.ravel()[second] - energy.ravel()[first]
    return Edges(first, second, rate * _bernoulli(rise), rate * _bernoulli(-rise), energy.size)


def inflow(packing: Floats, edges: Edges) -> Floats:
    """Rate of change of the packing in 1/s, (cells,); its sum over the closed cell is zero."""
    here, there = packing[edges.first], packing[edges.second]
    flux = edges.forward * here * (1.0 - there) - edges.backward * there * (1.0 - here)
    change: Floats = np.zeros(edges.cells)
    change += np.bincount(edges.second, flux, edges.cells)
    change -= np.bincount(edges.first, flux, edges.cells)
    return change


def _jacobian(packing: Floats, edges: Edges) -> Any:
    """Differentiate `inflow`: a sparse matrix, (cells, cells)."""
    from scipy.sparse import csc_matrix

    here, there = packing[edges.first], packing[edges.second]
    by_first = edges.forward * (1.0 - there) + edges.backward * there
    by_second = -edges.forward * here - edges.backward * (1.0 - here)
    rows = np.concatenate([edges.second, edges.second, edges.first, edges.first])
    columns = np.concatenate([edges.first, edges.second, edges.first, edges.second])
    values = np.concatenate([by_first, by_second, -by_first, -by_second])
    return csc_matrix((values, (rows, columns)), shape=(edges.cells, edges.cells))


def course(start: Floats, edges: Edges, times: Floats) -> Floats:
    """Follow the packing in time.

    Parameters
    ----------
    start : (cells,) array
        Packing at the first time, between 0 and 1.
    edges : Edges
        Rates of the hops.
    times : (times,) array
        Increasing times in s at which the packing is wanted.

    Returns
    -------
    (times, cells) array
        The packing, between 0 and 1.

    Raises
    ------
    ArithmeticError
        Where no step is short enough.
    """
    from scipy.integrate import solve_ivp

    solved = solve_ivp(
        lambda _, packing: inflow(packing, edges),
        (times[0], times[-1]),
        start,
        method="BDF",
        t_eval=times[1:],
        jac=lambda _, packing: _jacobian(packing, edges),
        rtol=RELATIVE_ERROR,
        atol=RELATIVE_ERROR * SMALLEST_SHARE * float(start.mean()),
    )
    if not solved.success:
        raise ArithmeticError(f"the drift of particles could not be solved: {solved.message}")
    # Steps may leave the range by their error.
    return np.concatenate([start[None], np.clip(solved.y.T, 0.0, 1.0)])


def equilibrium(energy: Floats, mean: float) -> Floats:
    """Packing of the same chemical potential everywhere.

    Parameters
    ----------
    energy : array
        Energy of a particle in each cell, in kT.
    mean : float
        Mean packing, between 0 and 1.

    Returns
    -------
    array
        c = 1/(1 + exp(u - m)), of the shape of ``energy``; the chemical potential m in kT is such
        that the mean packing is right.
    """
    from scipy.optimize import brentq
    from scipy.special import expit, logit

    low, high = float(energy.min()), float(energy.max())
    start = float(logit(mean))

    def excess(potential: float) -> float:
        return float(np.mean(expit(potential - energy))) / mean - 1.0

    # At these ends every cell has at most, and at least, the mean packing.
    ends = (low + start - 1e-9, high + start + 1e-9)
    potential = brentq(excess, *ends, xtol=1e-14, rtol=1e-15)
    found: Floats = expit(potential - energy)
    return found
