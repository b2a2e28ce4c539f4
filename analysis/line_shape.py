"""Line shape of the peak of the projected structure factor: position, width, height.

The modes of the patch are fitted one by one, each at its own wave number, so that neither bins nor
the grid of modes move or blur the peak. A periodic patch also makes no line broader: its modes are
exact. What the grid does limit is told apart from the error: a regular film must fit a whole
number of its spacings into the patch, so the spacing comes in steps (``grid_step``), and a line
narrower than the grid has a position but no width.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.structure import ModeGrid
from analysis.uncertainty import NOTHING, Estimate

Floats = NDArray[np.float64]

WINDOW = 1.38
"""The modes within this factor of the peak are fitted: less than sqrt(2), the next of squares."""

FARTHEST = 1.25
"""The line may lie this factor off the top."""

NARROWEST = 0.25
"""Smallest half width in grid steps that is fitted."""

RESOLVED = 0.35
"""Half width in grid steps under which a line counts as not resolved."""

FEWEST_MODES = 6


@dataclass(frozen=True)
class Line:
    """A Lorentzian on a background; values with their standard errors, q in rad/m.

    Attributes
    ----------
    position, width, height : (value, error)
        Centre, full width at half height, height above the background; the width is None where
        the grid does not resolve it.
    grid_step : float
        Distance between modes along the direction of the peak.
    q, s : ndarray
        The fitted curve.
    """

    position: tuple[float, float]
    width: tuple[float, float] | None
    height: tuple[float, float]
    grid_step: float
    q: Floats
    s: Floats


def modes_across(
    average: Floats, grid: ModeGrid, across: Floats | None, band: float
) -> tuple[Floats, Floats]:
    """Return wave number along ``across`` and structure factor of every mode that counts.

    Parameters
    ----------
    average, grid, across, band : arrays
        As of ``analysis.structure.profile``.
    """
    qx, qy, use = grid.flat()
    if across is None:
        number = np.hypot(qx, qy)
        use = use & (number <= min(grid.qx[-1], grid.qy[-1]))
    else:
        number = np.abs(qx * across[0] + qy * across[1])
        use = use & (np.abs(qx * across[1] - qy * across[0]) <= band * (1 + 1e-9))
    return number[use], average[use]


def grid_step(sides: Floats, across: Floats | None) -> float:
    """Return the distance between modes in rad per unit length, along ``across`` or at large."""
    if across is None:
        return 2 * math.pi / math.sqrt(float(sides[0] * sides[1]))
    return 2 * math.pi / float(sides[0] * abs(across[0]) + sides[1] * abs(across[1]))


def fit_line(
    number: Floats, value: Floats, guess: float, step: float, structures: float
) -> Line | None:
    """Fit a peak.

    Parameters
    ----------
    number, value : (n,) arrays
        Wave number and averaged structure factor of single modes.
    guess : float
        Where the peak is, roughly.
    step : float
        Distance between modes.
    structures : float
        Independent structures in the average.

    Returns
    -------
    Line or None
        None where the fit finds no peak near the guess.

    Notes
    -----
    S = h/(1 + ((q - q0)/w)^2) + exp(a + b q). The intensity of a mode is gamma distributed about S
    (speckle), so what is fitted is its likelihood (Whittle 1953), of which least squares with
    weights 1/S^2 are the limit for many structures. Errors are from the Fisher information, larger
    by the root of the scatter over that of pure speckle where there is more of it.
    """
    from scipy.optimize import least_squares

    near = (number > guess / WINDOW) & (number < guess * WINDOW)
    q, s = number[near] / guess, value[near]
    if len(q) < FEWEST_MODES or not s.mean() > 0:
        return None
    s = np.maximum(s, 1e-4 * float(s.mean()))  # a perfect lattice has modes of no light at all
    scale, dq = float(s.mean()), step / guess

    def residual(p: Floats) -> Floats:
        ratio = s / (scale * _shape(p, q))
        return np.asarray(
            np.sign(ratio - 1) * np.sqrt(2 * np.maximum(ratio - 1 - np.log(ratio), 0))
        )

    def slope(p: Floats) -> Floats:
        away = s / (scale * _shape(p, q)) - 1
        size = np.divide(away, residual(p), out=np.ones_like(away), where=np.abs(away) > 1e-6)
        return np.asarray(-size[:, None] * _log_slopes(p, q).T)

    low = [-12.0, 1 / FARTHEST, math.log(NARROWEST * dq), -12.0, -8.0]
    high = [12.0, FARTHEST, math.log(max(0.7, 2 * NARROWEST * dq)), 6.0, 8.0]
    level = math.log(float(np.median(s)) / scale)
    peak = math.log(float(np.max(s)) / scale)
    starts = [np.clip([peak, 1.0, math.log(w), level, 0.0], low, high) for w in (0.5 * dq, 0.15)]
    fits = [
        least_squares(residual, start, jac=slope, bounds=(low, high), max_nfev=60, ftol=1e-6)
        for start in starts
    ]
    found = min(fits, key=lambda fit: float(fit.cost))
    errors = _errors(found.x, q, found.cost, max(1.0, structures))
    height = scale * math.exp(found.x[0])
    if (
        errors is None
        or abs(math.log(found.x[1])) > 0.99 * math.log(FARTHEST)
        or not errors[0] < 1.0
    ):
        return None
    width = 2 * math.exp(found.x[2]) * guess
    resolved = found.x[2] > math.log(RESOLVED * dq) and errors[2] < 1.0
    curve = np.linspace(q.min(), q.max(), 200)
    return Line(
        (float(found.x[1]) * guess, float(errors[1]) * guess),
        (width, width * float(errors[2])) if resolved else None,
        (height, height * float(errors[0])),
        step,
        curve * guess,
        scale * _shape(found.x, curve),
    )


def _shape(p: Floats, q: Floats) -> Floats:
    """Return the line: log height, position, log half width, log background and its slope."""
    lorentzian = np.exp(p[0]) / (1 + ((q - p[1]) * np.exp(-p[2])) ** 2)
    return np.asarray(lorentzian + np.exp(p[3] + p[4] * (q - 1)))


def _log_slopes(p: Floats, q: Floats) -> Floats:
    """Return the derivatives of ln S by the parameters, (5, n)."""
    z = (q - p[1]) * np.exp(-p[2])
    line = np.exp(p[0]) / (1 + z**2)
    back = np.exp(p[3] + p[4] * (q - 1))
    bent = 2 * z * line / (1 + z**2)
    slopes = np.array([line, bent * np.exp(-p[2]), bent * z, back, back * (q - 1)])
    return np.asarray(slopes / (line + back))


def _errors(p: Floats, q: Floats, cost: float, structures: float) -> Floats | None:
    """Return the standard errors of the parameters, None where the modes do not fix them."""
    from scipy.special import digamma

    slopes = _log_slopes(p, q)
    information = structures * slopes @ slopes.T
    # A background that does not slope, or is not there, is held; so is an unresolved width.
    information += np.diag([0.0, 0.0, 1e-3, 1e-3, 1e-3])
    if not np.isfinite(information).all() or np.linalg.cond(information) > 1e13:
        return None
    variance = np.diag(np.linalg.inv(information))
    expected = 2 * (math.log(structures) - float(digamma(structures)))
    excess = max(1.0, 2 * cost / len(q) / expected)
    return np.asarray(np.sqrt(variance * excess))


def line_numbers(
    peak: Estimate, line: Line | None, step: float, warnings: list[str]
) -> tuple[dict[str, Any], dict[str, Floats]]:
    """Return the entries of the section ``spacing`` about the peak, and the fitted curve.

    Parameters
    ----------
    peak : Estimate
        Wave number of the peak in rad/m from its top, nothing where it was withheld.
    line : Line or None
        The fit, None where there is none; the position is then that of the top.
    step : float
        Distance between modes in rad/m.
    warnings : list of str
        Is given the reason where there is a peak without a line.
    """
    shape: dict[str, Any] = {
        "width_per_m": NOTHING.as_dict(),
        "height": NOTHING.as_dict(),
        "grid_m": None,
    }
    entries = {"structure_factor_m": peak.as_dict(), "structure_factor_line": shape}
    curve: dict[str, Floats] = {"q_per_m": np.zeros(0), "s": np.zeros(0)}
    name = "spacing.structure_factor_line"
    if peak.value is None or peak.error is None:
        warnings.append(f"{name}: no peak, so neither width nor height")
        return entries, curve
    place, error, seen = peak.value, peak.error, peak.samples
    if line is None:
        warnings.append(f"{name}: no line shape fits the peak; its position is that of the top")
    else:
        place, error = line.position
        curve = {"q_per_m": line.q, "s": line.s}
        shape["height"] = Estimate(*line.height, seen).as_dict()
        if line.width is None:
            warnings.append(
                f"{name}: the peak is narrower than the grid of wave numbers of the patch, so it "
                "has no width"
            )
        else:
            shape["width_per_m"] = Estimate(*line.width, seen).as_dict()
    length = 2 * math.pi / place
    entries["structure_factor_m"] = Estimate(length, error * length / place, seen).as_dict()
    shape["grid_m"] = step * length / place
    return entries, curve
