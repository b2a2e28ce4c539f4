"""Line shape of the peak of the projected structure factor: position, width, height.

The modes of the patch are fitted one by one, each at its own wave number, so that neither bins nor
the grid of modes move or blur the peak. A periodic patch also makes no line broader: its modes are
exact. What the grid does limit is told apart from the error: a regular film must fit a whole
number of its spacings into the patch, so the spacing comes in steps (``grid_step``), and a line
narrower than the grid has a position but no width.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from analysis.files.curve import Curve
from analysis.spacing.structure_factor import ModeGrid, alike
from analysis.uncertainty.estimate import NOTHING, Estimate

Floats = NDArray[np.float64]

WINDOW = 1.38
"""The modes within this factor of the peak are fitted: less than sqrt(2), the next of squares."""

FARTHEST = 1.25
"""The line may lie this factor off the top."""

NARROWEST = 0.25
"""Smallest half width in grid steps that is fitted."""

BROADEST = 0.38
"""Largest half width in peak places that is fitted; broader ones do not come down between
orders."""

RESOLVED = 0.5
"""Half width in grid steps under which a line counts as not resolved: it may be one mode."""

EVEN_68, EVEN_95 = 0.341, 0.475
"""Half widths, in grid steps, of the intervals of a place anywhere within half a step."""

FEWEST_MODES = 6


@dataclass(frozen=True)
class StructureFactorLine(Curve):
    """The line shape that was fitted to the peak, S over q in rad/m; empty without one."""

    NAME: ClassVar = "structure_factor_line"
    q_per_m: Floats
    s: Floats


@dataclass(frozen=True)
class Line:
    """A line on a background; values with their standard errors, q in rad/m.

    Attributes
    ----------
    position, width, height : (value, error)
        Place of the maximum, full width at half height, height above the background; the width is
        None where
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

    def widened(self, share: float) -> Line:
        """Return the line with errors for but a share of its modes being independent."""
        more = 1 / math.sqrt(share)
        width = None if self.width is None else (self.width[0], self.width[1] * more)
        return replace(
            self,
            position=(self.position[0], self.position[1] * more),
            width=width,
            height=(self.height[0], self.height[1] * more),
        )


def alike_modes(average: Floats, grid: ModeGrid, across: Floats, band: float) -> float:
    """Return the share of the modes of a band that count as independent, see ``structure.alike``.

    Parameters
    ----------
    average, grid, across, band : arrays
        As of ``analysis.spacing.structure_factor.profile``.
    """
    qx, qy, use = grid.flat()
    off = np.abs(qx * across[1] - qy * across[0])
    use = use & (off <= band * (1 + 1e-9))
    step = min(float(grid.qy[1]), float(grid.qx[-1]) / (len(grid.qx) // 2))
    return alike(np.rint(off[use] / (1e-3 * step)), average[use])


def modes_across(
    average: Floats, grid: ModeGrid, across: Floats | None, band: float
) -> tuple[Floats, Floats]:
    """Return wave number along ``across`` and structure factor of every mode that counts.

    Parameters
    ----------
    average, grid, across, band : arrays
        As of ``analysis.spacing.structure_factor.profile``.
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
    S = (h P(q) + a) exp(b q), where P = (1 - H^2)/(1 - 2 H cos(2 pi q/q0) + H^2) is the structure
    factor of a row of independent normal gaps, H = exp(-q^2 s^2/2) (Hosemann and Bagchi, Direct
    Analysis of Diffraction by Matter, 1962, from memory), scaled to 1 at q0, or a
    Lorentzian of the same width: each counts as it is likely. What is reported is the place of
    the maximum of S. The intensity of a mode is gamma distributed about S (speckle), so what is
    fitted is its likelihood (Whittle 1953), of which least squares with
    weights 1/S^2 are the limit for many structures. Errors are from the Fisher information, larger
    by the root of the scatter over that of pure speckle where there is more of it.
    """
    near = (number > guess / WINDOW) & (number < guess * WINDOW)
    q, s = number[near] / guess, value[near]
    if len(q) < FEWEST_MODES or not s.mean() > 0:
        return None
    s = np.maximum(s, 1e-4 * float(s.mean()))  # a perfect lattice has modes of no light at all
    scale, dq = float(s.mean()), step / guess

    found = [
        fit
        for skewed in (False, True)
        if (fit := _fit(q, s / scale, dq, skewed, max(1.0, structures))) is not None
    ]
    if not found:
        return None
    # Neither law is known to hold: both count, each as likely as it makes the modes.
    cost = np.array([fit.cost for fit in found])
    chance = np.exp(np.maximum(cost.min() - cost, -50.0))
    chance /= chance.sum()

    def together(rows: list[tuple[float, float]]) -> tuple[float, float]:
        values, errors = np.array(rows).T
        mean = float(chance @ values)
        return mean, math.sqrt(float(chance @ (errors**2 + (values - mean) ** 2)))

    best = found[int(cost.argmin())]
    top, error = together([(fit.top, fit.top_error) for fit in found])
    halves = [math.exp(fit.p[2]) for fit in found]
    width, width_error = together(
        [(2 * w * guess, 2 * w * guess * f.errors[2]) for w, f in zip(halves, found, strict=True)]
    )
    heights = [scale * math.exp(fit.p[0]) for fit in found]
    height = together([(h, h * fit.errors[0]) for h, fit in zip(heights, found, strict=True)])
    resolved = best.p[2] > math.log(RESOLVED * dq) and best.errors[2] < 1.0
    curve = np.linspace(q.min(), q.max(), 200)
    return Line(
        (top * guess, error * guess),
        (width, width_error) if resolved else None,
        height,
        step,
        curve * guess,
        scale * _shape(best.p, curve, best.skewed),
    )


@dataclass(frozen=True)
class _Fit:
    """One law fitted: parameters, their errors, place of the top, -ln likelihood."""

    p: Floats
    errors: Floats
    skewed: bool
    top: float
    top_error: float
    cost: float


def _fit(q: Floats, s: Floats, dq: float, skewed: bool, structures: float) -> _Fit | None:
    """Fit one law to modes in units of the guess and of their mean."""
    from scipy.optimize import least_squares

    def residual(p: Floats) -> Floats:
        ratio = s / _shape(p, q, skewed)
        return np.asarray(
            np.sign(ratio - 1) * np.sqrt(2 * np.maximum(ratio - 1 - np.log(ratio), 0))
        )

    def slope(p: Floats) -> Floats:
        away = s / _shape(p, q, skewed) - 1
        size = np.divide(away, residual(p), out=np.ones_like(away), where=np.abs(away) > 1e-6)
        return np.asarray(-size[:, None] * _log_slopes(p, q, skewed).T)

    low = [-12.0, 1 / FARTHEST, math.log(NARROWEST * dq), -12.0, -8.0]
    high = [12.0, FARTHEST, math.log(max(BROADEST, 2 * NARROWEST * dq)), 6.0, 8.0]
    level, peak = math.log(float(np.median(s))), math.log(float(np.max(s)))
    starts = [np.clip([peak, 1.0, math.log(w), level, 0.0], low, high) for w in (0.5 * dq, 0.15)]
    fits = [
        least_squares(residual, start, jac=slope, bounds=(low, high), max_nfev=60, ftol=1e-6)
        for start in starts
    ]
    best = min(fits, key=lambda fit: float(fit.cost))
    p = np.asarray(best.x)
    covariance = _covariance(p, q, skewed, best.cost, structures)
    top = _top(p, skewed)
    if covariance is None or not abs(math.log(top)) < 0.99 * math.log(FARTHEST):
        return None
    errors = np.sqrt(np.diag(covariance))
    if not errors[0] < 1.0:
        return None
    steps = np.diag(1e-4 * np.array([1.0, math.exp(p[2]), 1.0, 1.0, 1.0]))
    along = np.array([(_top(p + d, skewed) - _top(p - d, skewed)) / (2 * d.sum()) for d in steps])
    variance = float(along @ covariance @ along)
    if not math.isfinite(variance):
        return None
    return _Fit(p, errors, skewed, top, math.sqrt(variance), structures * float(best.cost))


def _shape(p: Floats, q: Floats, skewed: bool) -> Floats:
    """Return the line: log height, position, log half width, log background, slope of both."""
    if skewed:
        angle = 2 * math.pi * np.exp(p[2]) / p[1]
        chord = 4 * math.sin(0.5 * min(angle, math.pi)) ** 2
        order = 1 + 0.5 * chord - math.sqrt(chord + 0.25 * chord**2)
        h = order ** ((q / p[1]) ** 2)
        comb = (1 - h**2) / (1 - 2 * h * np.cos(2 * math.pi * q / p[1]) + h**2)
        line = np.exp(p[0]) * comb * (1 - order) / (1 + order)
    else:
        line = np.exp(p[0]) / (1 + ((q - p[1]) * np.exp(-p[2])) ** 2)
    return np.asarray((line + np.exp(p[3])) * np.exp(p[4] * (q - 1)))


def _log_slopes(p: Floats, q: Floats, skewed: bool) -> Floats:
    """Return the derivatives of ln S by the parameters, (5, n), by differences."""
    step = 1e-5
    step_of = [step, step * math.exp(p[2]), step, step, step]
    moves = np.diag(step_of)
    return np.array(
        [
            (np.log(_shape(p + move, q, skewed)) - np.log(_shape(p - move, q, skewed))) / (2 * own)
            for move, own in zip(moves, step_of, strict=True)
        ]
    )


def _top(p: Floats, skewed: bool) -> float:
    """Return where the whole curve is highest near its line, NaN where it is not."""
    place, width = float(p[1]), math.exp(p[2])
    for reach in (2.0, 0.1):
        # A second pass about the top makes the place smooth in the parameters.
        q = place + reach * width * np.linspace(-1, 1, 81)
        s = np.log(_shape(p, q, skewed))
        k = int(s.argmax())
        if k in (0, len(q) - 1):
            return math.nan
        bend = s[k - 1] - 2 * s[k] + s[k + 1]
        move = 0.5 * (s[k - 1] - s[k + 1]) / bend if bend < 0 else 0.0
        place = float(q[k] + move * (q[1] - q[0]))
    return place


def _covariance(
    p: Floats, q: Floats, skewed: bool, cost: float, structures: float
) -> Floats | None:
    """Return the covariance of the parameters, (5, 5), None where the modes do not fix them."""
    from scipy.special import digamma

    slopes = _log_slopes(p, q, skewed)
    information = structures * slopes @ slopes.T
    # A background that does not slope, or is not there, is held; so is an unresolved width.
    information += np.diag([0.0, 0.0, 1e-3, 1e-3, 1e-3])
    if not np.isfinite(information).all() or np.linalg.cond(information) > 1e13:
        return None
    expected = 2 * (math.log(structures) - float(digamma(structures)))
    excess = max(1.0, 2 * cost / max(1, len(q) - len(p)) / expected)
    return np.asarray(np.linalg.inv(information) * excess)


def line_numbers(
    peak: Estimate, line: Line | None, step: float, warnings: list[str]
) -> tuple[dict[str, Any], StructureFactorLine]:
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
    curve = StructureFactorLine.empty()
    name = "spacing.structure_factor_line"
    if peak.value is None or peak.error is None:
        warnings.append(f"{name}: no peak, so neither width nor height")
        return entries, curve
    place, error, seen = peak.value, peak.error, peak.samples
    if line is None:
        warnings.append(f"{name}: no line shape fits the peak; its position is that of the top")
    else:
        place, error = line.position
        curve = StructureFactorLine(line.q, line.s)
        shape["height"] = Estimate(*line.height, seen).as_dict()
        if line.width is None:
            warnings.append(
                f"{name}: the peak is narrower than the grid of wave numbers of the patch, so it "
                "has no width"
            )
        else:
            # Where a line is broad its top moves further than the slopes at the best fit tell.
            error = max(error, peak.error)
            shape["width_per_m"] = Estimate(*line.width, seen).as_dict()
    length = 2 * math.pi / place
    grid = step * length / place
    unresolved = line is not None and line.width is None
    error = EVEN_68 * grid if unresolved else error * length / place
    entry = Estimate(length, error, seen).as_dict()
    if unresolved:
        # One mode holds the line: it lies anywhere within half a step, and nowhere beyond.
        entry["interval_95"] = [length - EVEN_95 * grid, length + EVEN_95 * grid]
    entries["structure_factor_m"] = entry
    shape["grid_m"] = grid
    return entries, curve
