"""What runs add to theory: a Gaussian process of one quantity over the box.

The residual of the runs from theory is a shift of the whole box and a smooth part, each as large
as the band of theory lets expect. Lengths, sizes and how far the errors of runs can be trusted are
not fitted, which few runs do not allow, but averaged over: many are drawn from what is likely
beforehand, and each counts by how well it tells the runs (C. E. Rasmussen and C. K. I. Williams,
Gaussian Processes for Machine Learning (2006), section 5.2, from memory). scikit-learn, the extra
`design`, is imported on use.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from analysis.common.arrays import Floats

DRAWN = 64
"""Sets of lengths, sizes and trust in errors that are tried."""
KEPT = 8
"""Of them so many, the likeliest, are reckoned with."""
LENGTH, LENGTH_SPREAD = 0.6, 0.7
"""Median correlation length along a key as a share of its range, and spread of its logarithm."""
SIZE, SIZE_SPREAD = 0.6, 0.6
"""Median size of the smooth part over the band of theory, and spread of its logarithm."""
DISTRUST = 0.25
"""Spread of the logarithm by which errors of runs are too small."""
LEAST_NOISE = 1e-3
"""Error of a run over the band of theory, at least; equations of exact runs cannot be solved."""


@dataclass(frozen=True)
class Surrogate:
    """A quantity over the box, by theory and runs, on the scale of `sim.design.quantities.Scaled`.

    Attributes
    ----------
    points : (runs, keys) array
        Where runs measured it, in the unit cube.
    values, errors : (runs,) array
        What they measured.
    theory : callable
        Takes (n, keys) points, returns (n,) values.
    sigma : float
        Standard deviation of theory.
    """

    points: Floats
    values: Floats
    errors: Floats
    theory: Callable[[Floats], Floats]
    sigma: float
    _last: list[Any] = field(default_factory=list, repr=False, compare=False)

    @cached_property
    def _members(self) -> list[tuple[float, Any]]:
        """Weights and processes, the likeliest first."""
        drawn = _likely_beforehand(self.points.shape[1])
        if not len(self.points):
            return [(1.0 / KEPT, self._process(one)) for one in drawn[:KEPT]]
        rest = self.values - self.theory(self.points)
        told = [_log_likelihood(*self._law(one), self.points, rest) for one in drawn]
        best = np.argsort(-np.array(told), kind="stable")[:KEPT]
        weights = np.exp(np.array(told)[best] - max(told))
        made = [self._process(drawn[k]).fit(self.points, rest) for k in best]
        return list(zip((weights / weights.sum()).tolist(), made, strict=True))

    def _law(self, drawn: Floats) -> tuple[Any, Floats]:
        """Return covariance and squares of the errors of the runs."""
        from sklearn.gaussian_process.kernels import ConstantKernel, Matern

        *lengths, size, distrust = drawn
        shift = ConstantKernel(self.sigma**2, "fixed")
        smooth = ConstantKernel((size * self.sigma) ** 2, "fixed")
        noise = np.maximum(self.errors * distrust, LEAST_NOISE * self.sigma) ** 2
        return shift + smooth * Matern(np.array(lengths), "fixed", nu=2.5), noise

    def _process(self, drawn: Floats) -> Any:
        from sklearn.gaussian_process import GaussianProcessRegressor

        kernel, noise = self._law(drawn)
        return GaussianProcessRegressor(
            kernel, alpha=noise if len(noise) else 1e-10, optimizer=None
        )

    def members(self, points: Floats) -> tuple[Floats, Floats, Floats]:
        """Return weight, mean and standard deviation of each member at points.

        Returns
        -------
        (members,), (members, points), (members, points) array
        """
        if self._last and self._last[0] is points:
            told: tuple[Floats, Floats, Floats] = self._last[1]
            return told
        base = self.theory(points)
        found = [process.predict(points, return_std=True) for _, process in self._members]
        weights = np.array([weight for weight, _ in self._members])
        told = weights, np.array([base + m for m, _ in found]), np.array([s for _, s in found])
        self._last[:] = [points, told]
        return told

    def draws(self, points: Floats, normals: Floats) -> Floats:
        """Return joint draws of the quantity at points.

        Parameters
        ----------
        points : (n, keys) array
            Where.
        normals : (draws, n) array
            Standard normal numbers.

        Returns
        -------
        (draws, n) array
            From each member by its weight.
        """
        base, count, start = self.theory(points), len(normals), 0
        out = np.empty_like(normals)
        ends = np.round(np.cumsum([w for w, _ in self._members]) * count).astype(int)
        for end, (_, process) in zip(ends, self._members, strict=True):
            if end > start:
                mean, spread = process.predict(points, return_cov=True)
                jitter = 1e-8 * float(np.trace(spread)) / len(points) + 1e-14
                root = np.linalg.cholesky(spread + jitter * np.eye(len(points)))
                out[start:end] = base + mean + normals[start:end] @ root.T
            start = max(start, int(end))
        return out


def _log_likelihood(kernel: Any, noise: Floats, points: Floats, rest: Floats) -> float:
    """Return by what a covariance tells residuals, up to a constant.

    Notes
    -----
    Rasmussen and Williams (2006), Eq. 2.30 (from memory).
    """
    root = np.linalg.cholesky(kernel(points) + np.diag(noise))
    whitened = np.linalg.solve(root, rest)
    return float(-0.5 * whitened @ whitened - np.log(np.diag(root)).sum())


def _likely_beforehand(keys: int) -> Floats:
    """Draw lengths, size and distrust, (DRAWN, keys + 2), the same at every call."""
    from scipy.stats import norm, qmc

    shares = qmc.Sobol(keys + 2, rng=1).random(DRAWN)
    normal = norm.ppf(np.clip(shares, 1e-4, 1 - 1e-4))
    middle = np.log([*[LENGTH] * keys, SIZE, 1.0])
    spread = np.array([*[LENGTH_SPREAD] * keys, SIZE_SPREAD, DISTRUST])
    normal[:, -1] = np.abs(normal[:, -1])
    return np.asarray(np.exp(middle + spread * normal))


def mixture(weights: Floats, means: Floats, sigmas: Floats) -> tuple[Floats, Floats]:
    """Return mean and standard deviation over members, (points,) each."""
    mean = weights @ means
    square = weights @ (sigmas**2 + means**2)
    return mean, np.sqrt(np.maximum(square - mean**2, 0.0))


def share_inside(weights: Floats, means: Floats, sigmas: Floats, low: float, high: float) -> Floats:
    """Return the probability that the quantity lies from low to high, (points,)."""
    from scipy.special import ndtr

    safe = np.maximum(sigmas, 1e-12)
    below, above = (low - means) / safe, (high - means) / safe
    inside = np.where(np.isinf(high), 1.0, ndtr(above)) - np.where(
        math.isinf(low), 0.0, ndtr(below)
    )
    return np.asarray(weights @ inside)
