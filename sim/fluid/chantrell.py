"""Log-normal sizes from two ends of a magnetisation curve.

R. W. Chantrell, J. Popplewell and S. W. Charles, IEEE Transactions on Magnetics vol 14, p 975
(1978), from memory and derived again in SI: with volumes counted, sizes of magnetic diameter D have
the median D_v and the spread s, and

    chi_L = mu0 phi M_c^2 pi <D^3>_v/(18 kT),      <D^3>_v = D_v^3 exp(9 s^2/2)
    M -> phi M_c (1 - H_0/H),  H_0 = 6 kT <D^-3>_v/(pi mu0 M_c),  <D^-3>_v = D_v^-3 exp(9 s^2/2)

so that product and quotient of chi_L and H_0 give spread and median.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.common.arrays import Floats
from analysis.common.constants import BOLTZMANN, MU0
from sim.fluid.magnetisation import without_interactions

TOP_SHARE = 0.5
"""The upper end of a curve begins at this share of the largest field."""
FEWEST = 3
"""So many points make a straight line with an error."""
RISEN = 0.7
"""A curve whose last point is below this share of where it would lead is no saturated one."""


@dataclass(frozen=True)
class LogNormal:
    """Sizes by volume.

    Attributes
    ----------
    volume_median : float
        Median by volume of the magnetic diameter in m.
    spread : float
        Standard deviation of its logarithm.
    """

    volume_median: float
    spread: float

    @property
    def number_median(self) -> float:
        """Median by number in m, D_v exp(-3 s^2) after Hatch and Choate."""
        return self.volume_median * math.exp(-3.0 * self.spread**2)


def log_normal(
    alone: float, intercept: float, saturation: float, magnetisation: float, temperature: float
) -> LogNormal:
    """Find median and spread.

    Parameters
    ----------
    alone : float
        Initial susceptibility chi_L, without interactions.
    intercept : float
        H_0 in A/m: 1/H_0 is where M over 1/H, continued from large fields, falls to zero.
    saturation, magnetisation : float
        Saturation magnetisation of the fluid and of its cores in A/m.
    temperature : float
        In K.

    Returns
    -------
    LogNormal
        D_v^3 = (18 kT/(pi mu0 M_c)) sqrt(chi_L/(3 M_s H_0)), s^2 = ln(3 chi_L H_0/M_s)/9; a spread
        of 0 where the logarithm is negative.
    """
    cube = 18.0 * BOLTZMANN * temperature / (math.pi * MU0 * magnetisation)
    cube *= math.sqrt(alone / (3.0 * saturation * intercept))
    squared = math.log(3.0 * alone * intercept / saturation) / 9.0
    return LogNormal(cube ** (1.0 / 3.0), math.sqrt(max(squared, 0.0)))


@dataclass(frozen=True)
class Ends:
    """Both ends of a curve.

    Attributes
    ----------
    susceptibility : float
        Slope of the first points.
    saturation, intercept : float
        M_s and H_0 in A/m, from the last points.
    risen : float
        Where the last points end, over M_s.
    rise : float
        What they rise by, in its errors; infinite where errors are not known.
    """

    susceptibility: float
    saturation: float
    intercept: float
    risen: float
    rise: float

    @property
    def is_saturated(self) -> bool:
        """Whether the last points say where the curve leads."""
        return self.risen >= RISEN and self.intercept > 0.0


def ends_of_curve(field: Floats, magnetisation: Floats, error: Floats | None = None) -> Ends | None:
    """Read slope and approach to saturation from a curve.

    Parameters
    ----------
    field, magnetisation : float64 (points,)
        H inside the fluid and M, both in A/m, by rising field.
    error : float64 (points,), optional
        Standard errors of M.

    Returns
    -------
    Ends or None
        A straight line through the last points over 1/(H + M/3), as the field of the neighbours
        adds M/3 to that at a core; and 1/chi = H/M without a field, by a straight line through the
        three first over M^2, in which every law of magnetisation begins; chi is 0 where noise
        leaves one of these no M above 0, or all of them the same. None of fewer than six points.
    """
    if field.size < 2 * FEWEST:
        return None
    last = field >= TOP_SHARE * field[-1]
    last[-FEWEST:] = True
    inverse = 1.0 / (field + magnetisation / 3.0)
    slope, saturation = np.polyfit(inverse[last], magnetisation[last], 1)
    lever = inverse[last] - inverse[last].mean()
    noise = np.zeros_like(lever) if error is None else error[last]
    slope_error = float(np.linalg.norm(lever * noise) / (lever @ lever))
    return Ends(
        susceptibility=_initial_susceptibility(field[:FEWEST], magnetisation[:FEWEST]),
        saturation=float(saturation),
        intercept=float(-slope / saturation),
        risen=float(1.0 + slope * inverse[-1] / saturation),
        rise=float(-slope / slope_error) if slope_error else math.inf,
    )


def _initial_susceptibility(field: Floats, magnetisation: Floats) -> float:
    """Continue H/M to no field, over M^2."""
    if not np.all(magnetisation > 0.0) or np.ptp(magnetisation) < 1e-6 * magnetisation[0]:
        return 0.0
    _, resistance = np.polyfit(magnetisation**2, field / magnetisation, 1, w=magnetisation)
    return float(1.0 / resistance)


def from_ends(
    ends: Ends, magnetisation: float, temperature: float, susceptibility: float | None = None
) -> LogNormal:
    """Find median and spread from the ends of a curve.

    Parameters
    ----------
    ends : Ends
        Of the curve.
    magnetisation : float
        Saturation magnetisation of the cores in A/m.
    temperature : float
        In K.
    susceptibility : float, optional
        The initial one, where it is known better than from three points.
    """
    alone = without_interactions(susceptibility or ends.susceptibility)
    return log_normal(alone, ends.intercept, ends.saturation, magnetisation, temperature)
