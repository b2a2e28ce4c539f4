"""Student's law: how much an error from few samples is widened."""

from __future__ import annotations

import math

ONE_SIGMA = math.erf(math.sqrt(0.5))
"""Share of a normal law within one standard deviation, 0.6827."""


def student_factor(level: float, freedom: float) -> float:
    """Return the half width, in standard errors, of the interval that covers a share of cases.

    Parameters
    ----------
    level : float
        Share of cases, between 0 and 1.
    freedom : float
        Degrees of freedom of the standard error; infinite for one that is known.

    Notes
    -----
    Quantile of the t law; "Student", Biometrika 6, 1 (1908).
    """
    from scipy.special import ndtri, stdtrit

    tail = 0.5 + 0.5 * level
    return float(ndtri(tail) if math.isinf(freedom) else stdtrit(freedom, tail))
