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
from analysis.spacing.hump import POWERS, Hump, fit_hump
from analysis.spacing.line_laws import FARTHEST, LineFit, fit_law, shape
from analysis.spacing.structure_factor import ModeGrid, alike
from analysis.uncertainty.estimate import NOTHING, Estimate

Floats = NDArray[np.float64]

WINDOW = 1.38
"""The modes within this factor of the peak are fitted: less than sqrt(2), the next of squares."""

RESOLVED = 0.5
"""Half width in grid steps under which a line counts as not resolved: it may be one mode."""

EVEN_68, EVEN_95 = 0.341, 0.475
"""Half widths, in grid steps, of the intervals of a place anywhere within half a step."""

FEWEST_MODES = 6

NO_CURVE: Floats = np.empty(0)

ASTRAY = 0.1
"""Largest chance that what is seen has no top at all, from which on no spacing is quoted."""


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
        the grid does not resolve it. Width and height are None where a smooth hump tells as much.
    astray : float
        Chance that the modes have no top here.
    grid_step : float
        Distance between modes along the direction of the peak.
    q, s : ndarray
        The fitted curve.
    """

    position: tuple[float, float]
    width: tuple[float, float] | None
    height: tuple[float, float] | None
    astray: float
    grid_step: float
    q: Floats
    s: Floats


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
    number: Floats, value: Floats, guess: float, step: float, structures: float, share: float = 1.0
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
    share : float
        Share of the modes that count as independent.

    Returns
    -------
    Line or None
        None where there are too few modes, or neither a line nor a hump fits them.

    Notes
    -----
    S = (h P(q) + a) exp(b q), where P = (1 - H^2)/(1 - 2 H cos(2 pi q/q0) + H^2) is the structure
    factor of a row of independent normal gaps, H = exp(-q^2 s^2/2) (Hosemann and Bagchi, Direct
    Analysis of Diffraction by Matter, 1962, from memory), scaled to 1 at q0, or a
    Lorentzian of the same width, or a smooth hump without a line (``analysis.spacing.hump``): each
    counts as it is likely, less half of ln n for each parameter (Schwarz, Ann. Stat. 6, 461 (1978),
    from memory), so that the speckle on a hump is no line. What is reported is the place of
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

    fits = [fit_law(q, s / scale, dq, skewed, max(1.0, structures)) for skewed in (False, True)]
    lines = [fit for fit in fits if fit is not None]
    free = max(1.0, structures * share)
    tried = [fit_hump(q, s / scale, dq, power, free, FARTHEST) for power in POWERS]
    humps = [hump for hump in tried if hump is not None]
    if not lines and not humps:
        return None
    costs = [share * fit.cost for fit in lines] + [hump.cost for hump in humps]
    parameters = [len(fit.p) for fit in lines] + [hump.parameters for hump in humps]
    chance = _chances(costs, parameters, len(q))
    (place, error), astray = _place(lines, humps, chance, 1 / math.sqrt(share))
    found = Line((place * guess, error * guess), None, None, astray, step, NO_CURVE, NO_CURVE)
    likely = chance[: len(lines)]
    return (
        _with_shape(found, lines, likely, guess, scale, share, q) if likely.sum() > 0.5 else found
    )


def _with_shape(
    found: Line, lines: list[LineFit], chance: Floats, guess: float, scale: float, share: float,
    q: Floats,
) -> Line:  # fmt: skip
    """Return what was found with width, height and curve of the fitted lines."""
    best, more = lines[int(chance.argmax())], 1 / math.sqrt(share)
    halves = [guess * math.exp(fit.p[2]) for fit in lines]
    widths = [(2 * w, 2 * w * more * f.errors[2]) for w, f in zip(halves, lines, strict=True)]
    heights = [scale * math.exp(fit.p[0]) for fit in lines]
    high = [(h, h * more * f.errors[0]) for h, f in zip(heights, lines, strict=True)]
    resolved = best.p[2] > math.log(RESOLVED * found.grid_step / guess) and best.errors[2] < 1.0
    curve = np.linspace(q.min(), q.max(), 200)
    return replace(
        found,
        width=_together(widths, chance) if resolved else None,
        height=_together(high, chance),
        q=curve * guess,
        s=scale * shape(best.p, curve, best.skewed),
    )


def _chances(costs: list[float], parameters: list[int], modes: int) -> Floats:
    """Return how likely each law is, from -ln likelihoods and numbers of parameters."""
    cost = np.array(costs) + 0.5 * math.log(modes) * np.array(parameters)
    chance = np.exp(np.maximum(cost.min() - cost, -50.0))
    return np.asarray(chance / chance.sum())


def _together(rows: list[tuple[float, float]], chance: Floats) -> tuple[float, float]:
    """Return mean and error of values with errors, of which each counts as it is likely."""
    values, errors = np.array(rows).T
    weight = chance / chance.sum()
    mean = float(weight @ values)
    return mean, math.sqrt(float(weight @ (errors**2 + (values - mean) ** 2)))


def _place(
    lines: list[LineFit], humps: list[Hump], chance: Floats, more: float
) -> tuple[tuple[float, float], float]:
    """Return place and error of the top in units of the guess, and the chance of none."""
    rows = [(fit.top, more * fit.top_error) for fit in lines]
    rows += [(hump.top, hump.error) for hump in humps]
    lost = np.array([0.0] * len(lines) + [hump.astray for hump in humps])
    found = [k for k, row in enumerate(rows) if math.isfinite(row[0])]
    astray = float(chance @ lost)
    if not found:
        return (1.0, math.inf), 1.0
    return _together([rows[k] for k in found], (chance * (1 - lost) + 1e-300)[found]), astray


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
    elif line.height is None:
        place, error = line.position
        warnings.append(
            f"{name}: no line stands on the broad hump of the modes; the position is that of the "
            "top of the hump"
        )
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
    unresolved = line is not None and line.height is not None and line.width is None
    error *= length / place
    unresolved = unresolved and error < 0.5 * grid
    entry = Estimate(length, EVEN_68 * grid if unresolved else error, seen).as_dict()
    if unresolved:
        # One mode holds the line: it lies anywhere within half a step, and nowhere beyond.
        entry["interval_95"] = [length - EVEN_95 * grid, length + EVEN_95 * grid]
    entries["structure_factor_m"] = entry
    shape["grid_m"] = grid
    return entries, curve
