"""Covariance of least squares on frames that deviate alike."""

from __future__ import annotations

import numpy as np

from analysis.common.arrays import Floats


def covariance(slopes: Floats, left: Floats, tau: float, weights: Floats | None = None) -> Floats:
    """Return the covariance of least-squares parameters for residuals with a memory.

    Parameters
    ----------
    slopes : (n, p) array
        Derivative of the law at each frame by each parameter; frames evenly spaced.
    left : (n,) array
        Residuals.
    tau : float
        Integrated autocorrelation time of the residuals in frames, 1/2 for none.
    weights : (n,) array, optional
        Weights of the squares in the fit; 1 where not given.

    Returns
    -------
    (p, p) array

    Notes
    -----
    (J'WJ)^-1 J'W S W J (J'WJ)^-1 with J the slopes, W the weights and S the covariance of a
    first-order autoregressive series of that time (textbook least squares). Neighbours that deviate
    alike make the plain covariance s^2 (J'J)^-1 too small for slow laws, and too large for those
    that swing.
    """
    from scipy.linalg import matmul_toeplitz

    count, parameters = slopes.shape
    keep = (2 * tau - 1) / (2 * tau + 1)
    # Each parameter takes out of the residuals what it can follow: about one memory.
    variance = float(left @ left) / max(1.0, count - parameters * 2 * tau)
    heavy = slopes if weights is None else weights[:, None] * slopes
    inverse = np.linalg.inv(slopes.T @ heavy)
    spread = heavy
    if keep > 0:
        spread = matmul_toeplitz(np.power(keep, np.arange(count)), heavy)
    return np.asarray(variance * (inverse @ (heavy.T @ spread) @ inverse))


def residual_memory(slopes: Floats, left: Floats, weights: Floats) -> tuple[float, float]:
    """Return memory and variance of a noise from the residuals of a fit that took a part of it out.

    Parameters
    ----------
    slopes, left, weights : (n, p), (n,), (n,) arrays
        As of ``covariance``.

    Returns
    -------
    tau, variance : float
        Integrated autocorrelation time in frames and variance of the first-order autoregressive
        noise whose residuals are, in expectation, as alike from frame to frame as those found.

    Notes
    -----
    Residuals are M e with M = 1 - J (J'WJ)^-1 J'W, so their covariance is M C M' (textbook least
    squares). A fit follows slow noise, so the residuals forget faster than the noise. Of the
    products only two traces are needed, and C knows distances alone: the sums of M'M, and of the
    same of neighbours, over their diagonals are made once for all times.
    """
    count = len(left)
    heavy = weights[:, None] * slopes
    rest = np.eye(count) - slopes @ np.linalg.solve(slopes.T @ heavy, heavy.T)
    square = float(left @ left)
    alike = float(left[1:] @ left[:-1]) / square
    alone, neighbours = _by_distance(rest.T @ rest), _by_distance(rest[:-1].T @ rest[1:])
    found = 0.5, square / max(1.0, float(alone[0]))
    for tau in np.geomspace(0.5, max(1.0, count / 6), 30):
        keep = (2 * tau - 1) / (2 * tau + 1)
        kept = np.power(keep, np.arange(count))
        total = float(alone @ kept)
        if tau > 0.5 and float(neighbours @ kept) / total > alike:
            break
        found = float(tau), square / total
    return found


def _by_distance(matrix: Floats) -> Floats:
    """Return the sums of a square matrix over what is equally far off its diagonal, (n,)."""
    place = np.arange(len(matrix))
    sums = np.bincount(np.abs(place[:, None] - place).ravel(), matrix.ravel())
    return np.asarray(sums, dtype=np.float64)
