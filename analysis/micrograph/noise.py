"""Whether noise makes a peak in the spectrum of a picture, noise that blur has softened included.

Blur takes power from fine details, so the spectrum of blurred noise falls with the wave number and
its tops and valleys are speckle. A spacing needs a spectrum that rises to it. Both are tried on the
curve, a falling one and one that rises to the peak and falls after it; what the second gains in
likelihood is compared with what it gains on falling curves with the same speckle.
"""

from __future__ import annotations

import numpy as np

from analysis.common.arrays import Floats
from analysis.spacing.structure_factor import highest

COPIES = 400
"""Falling curves with speckle that the gain is compared with."""


def falling(s: Floats, weight: Floats) -> Floats:
    """Return the falling curve of largest likelihood through one with multiplied noise.

    Parameters
    ----------
    s, weight : (n,) arrays
        Curve, and the inverse squares of its relative errors.

    Notes
    -----
    The weighted means of pooled neighbours, which serve every law of the exponential family: R. E.
    Barlow and others, Statistical Inference under Order Restrictions (1972), from memory.
    """
    from scipy.optimize import isotonic_regression

    return np.asarray(isotonic_regression(s, weights=weight, increasing=False).x)


def _peaked(s: Floats, weight: Floats, top: int) -> Floats:
    """Return the curve of largest likelihood that rises before a place and falls from it on."""
    before = falling(s[:top][::-1], weight[:top][::-1])[::-1] if top else s[:0]
    return np.concatenate([before, falling(s[top:], weight[top:])])


def gain(s: Floats, weight: Floats, top: int) -> float:
    """Return the gain in log likelihood of a curve with a peak at a place over a falling one.

    Notes
    -----
    Speckle is gamma distributed of the shape ``weight``: -weight (ln m + s/m) for the mean m.
    """
    tiny = 1e-12 * float(s.max())
    fits = [np.maximum(fit, tiny) for fit in (falling(s, weight), _peaked(s, weight, top))]
    plain, peaked = (float((weight * (np.log(fit) + s / fit)).sum()) for fit in fits)
    return plain - peaked


def noise_chance(
    q: Floats, s: Floats, relative: Floats, limits: tuple[float, float], reach: float
) -> float:
    """Return the chance that falling noise makes as good a peak as the highest of a curve.

    Parameters
    ----------
    q, s, relative : (n,) arrays
        Wave numbers, the profile of a spectrum, and the relative error that each point would have
        by speckle alone.
    limits : (float, float)
        The peak is looked for between these wave numbers.
    reach : float
        It is judged among the points up to this many times its wave number.

    Returns
    -------
    float
        Share of noisy copies of the falling curve through ``s`` whose own peak gains as much; 1
        where there is no peak.
    """
    inside = (q >= limits[0]) & (q <= limits[1]) & np.isfinite(s)
    q, s = q[inside], s[inside]
    weight = 1.0 / np.clip(relative[inside], 1e-6, 3.0) ** 2
    if len(q) < 5:
        return 1.0
    found = _best_gain(q, s, weight, reach)
    if found is None:
        return 1.0
    speckle = np.random.default_rng(20_002).gamma(weight, 1.0 / weight, (COPIES, len(s)))
    level = falling(s, weight)
    gains = [_best_gain(q, copy, weight, reach) for copy in level * speckle]
    return float(np.mean([one is not None and one >= found for one in gains]))


def _best_gain(q: Floats, s: Floats, weight: Floats, reach: float) -> float | None:
    """Return the gain of the highest peak of a curve among its surroundings."""
    top = highest(s)
    if top is None:
        return None
    near = q <= reach * q[top]
    return gain(s[near], weight[near], top)
