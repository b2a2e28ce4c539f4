"""Errors of curves that scatter by more than they say: widened, as far as that goes.

The fluid that fits a curve best, among all that are possible and without the other numbers of the
sheet, leaves misses; chi2 per degree of freedom says how they compare with the stated errors. What
chance does not explain widens these by its square root: R. T. Birge, Physical Review vol 40, p 207
(1932), from memory, and common practice since.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.common.arrays import Floats
from sim.fluid.curve_files import Curve, Spectrum
from sim.fluid.model import Model
from sim.fluid.sheet import Sheet

CHANCE = 0.01
"""Errors that are right are widened in so many cases."""
MOST_WIDENED = 10.0
"""A curve that misses every fluid by more of its errors is refused."""
MOST_SHARE = 0.15
"""The same for its error as a share of its largest value."""
STARTS, TRIED = 300, 6
"""Fluids drawn at first, and how many of the likeliest the best one is sought from at most."""
NEAR = 1e-3
"""The search ends where a step makes the misses smaller by less than this share of them."""


@dataclass(frozen=True)
class Misses:
    """How far the best fluid misses a curve.

    Attributes
    ----------
    ratio : float
        The Birge ratio, sqrt(chi2/freedom).
    freedom : float
        Degrees of freedom.
    chance : float
        Share of curves with right errors that are missed by more.
    """

    ratio: float
    freedom: float
    chance: float

    @property
    def factor(self) -> float:
        """What errors must be widened by, sqrt(chi2/(freedom - 2)).

        So few misses tell their scatter with an error of its own, and what hangs on them follows
        Student's law, whose variance is freedom/(freedom - 2) (textbook).
        """
        freedom = max(self.freedom, 3.0)
        return self.ratio * math.sqrt(freedom / (freedom - 2.0))


def widened(sheet: Sheet) -> Sheet:
    """Widen the errors of curve and spectrum where chance does not explain their scatter.

    Parameters
    ----------
    sheet : Sheet
        What is known.

    Returns
    -------
    Sheet
        The same, with the factors in ``curve.widened`` and ``spectrum.widened``; 1 where the
        stated errors hold.
    """
    found: dict[str, Curve | Spectrum] = {}
    for name in _CURVES:
        measured: Curve | Spectrum | None = getattr(sheet, name)
        if measured is None:
            continue
        misses = misses_of(sheet, name)
        if misses.ratio > 1.0 and misses.chance < CHANCE:
            error = misses.factor * measured.error
            found[name] = dataclasses.replace(measured, error=error, widened=misses.factor)
    return dataclasses.replace(sheet, **found)  # type: ignore[arg-type]


_CURVES: tuple[Literal["curve", "spectrum"], ...] = ("curve", "spectrum")


def misses_of(sheet: Sheet, name: Literal["curve", "spectrum"]) -> Misses:
    """Compare one curve of a sheet with the fluid that fits it best by itself.

    Parameters
    ----------
    sheet : Sheet
        What is known; of its curves and numbers this one alone counts.
    name : str
        ``curve`` or ``spectrum``.

    Returns
    -------
    Misses
        Unknowns take as many degrees of freedom as the curve tells of them: s^2/(1 + s^2) for each
        singular value s of the misses over unknowns in standard deviations of what was possible.
    """
    alone = dataclasses.replace(sheet, numbers={}, curve=None, spectrum=None)
    model = Model(dataclasses.replace(alone, **{name: getattr(sheet, name)}))
    places = model.draw(STARTS, np.random.default_rng(0))
    likeliest = np.argsort(-model.log_likelihood(places))[:TRIED]
    best = Misses(math.inf, 1.0, 0.0)
    for start in places[likeliest]:
        best = min(best, _from(model, start), key=lambda one: one.ratio)
        if best.chance >= CHANCE:
            break
    return best


def _from(model: Model, start: Floats) -> Misses:
    """Seek the best fluid from one start."""
    from scipy.optimize import least_squares
    from scipy.stats import chi2

    low, high = model.ends
    found = least_squares(
        lambda one: model.residuals(one[None, :])[0], start, bounds=(low, high),
        x_scale=high - low, ftol=NEAR,
    )  # fmt: skip
    squared = np.square(np.linalg.svd(found.jac * (high - low) / 12.0**0.5, compute_uv=False))
    freedom = max(found.fun.size - float((squared / (1.0 + squared)).sum()), 1.0)
    total = 2.0 * float(found.cost)
    return Misses(math.sqrt(total / freedom), freedom, float(chi2.sf(total, freedom)))
