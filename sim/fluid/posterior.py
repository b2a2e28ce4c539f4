"""Fluids drawn as often as they are likely, from what was possible before the sheet was read.

A population of fluids walks from the prior to the posterior: the data are let in little by little,
at each stage the likely are kept more than once and all walk at random, with steps that are
differences of two others. So nothing needs a start, a gradient or a single peak, and intervals that
end at the edge of what is possible come out right.

P. Del Moral, A. Doucet and A. Jasra, Journal of the Royal Statistical Society B vol 68, p 411
(2006), for the stages; C. J. F. ter Braak, Statistics and Computing vol 16, p 239 (2006), for the
steps; both from memory.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.common.arrays import Floats
from sim.fluid.model import Model

FLUIDS = 600
"""Fluids of the population."""
KEPT = 0.6
"""So much of the population must count at each stage; the data are let in no faster."""
WALKS, LAST_WALKS = 10, 80
"""Steps of every fluid at each stage, and at the last."""
JUMPS = 0.1
"""Share of steps that are whole differences, which leap between separate peaks."""


def sample(model: Model, rng: np.random.Generator, count: int = FLUIDS) -> Floats:
    """Draw fluids that fit a sheet.

    Parameters
    ----------
    model : Model
        The sheet and what is possible.
    rng : numpy.random.Generator
        Source of the random numbers.
    count : int
        How many; an even number.

    Returns
    -------
    float64 (count, unknowns)
        Coordinates of equally likely fluids.
    """
    places = model.draw(count, rng)
    likely = model.log_likelihood(places)
    let_in = 0.0
    while let_in < 1.0:
        step = _next_step(likely, 1.0 - let_in)
        let_in = 1.0 if step >= 1.0 - let_in else let_in + step
        chosen = _resampled(np.exp(step * (likely - likely.max())), rng)
        places, likely = places[chosen], likely[chosen]
        for _ in range(LAST_WALKS if let_in == 1.0 else WALKS):
            _walk(model, places, likely, let_in, rng)
    return places


def _next_step(likely: Floats, most: float) -> float:
    """Find how much more of the data may be let in so that `KEPT` of the population counts."""

    def share(step: float) -> float:
        weights = np.exp(step * (likely - likely.max()))
        return float(weights.sum() ** 2 / np.square(weights).sum() / likely.size)

    if share(most) >= KEPT:
        return most
    low, high = 0.0, most
    for _ in range(60):
        middle = math.sqrt(low * high) if low > 0.0 else 1e-3 * high
        low, high = (middle, high) if share(middle) >= KEPT else (low, middle)
        if low > 0.0 and high < 1.01 * low:
            break
    return max(low, 1e-300)


def _resampled(weights: Floats, rng: np.random.Generator) -> NDArray[np.intp]:
    """Choose numbers of the population by weight, at even distances from one random start."""
    edges = np.cumsum(weights)
    places = (np.arange(weights.size) + rng.random()) / weights.size * edges[-1]
    found: NDArray[np.intp] = np.minimum(np.searchsorted(edges, places), weights.size - 1)
    return found


def _walk(
    model: Model, places: Floats, likely: Floats, let_in: float, rng: np.random.Generator
) -> None:
    """Let each half of the population take a step along differences within the other half."""
    count, unknowns = places.shape
    halves = np.array_split(rng.permutation(count), 2)
    for moved, others in (halves, halves[::-1]):
        first = others[rng.integers(0, others.size, moved.size)]
        second = others[rng.integers(0, others.size, moved.size)]
        length = 2.38 / math.sqrt(2.0 * unknowns) * np.exp(0.5 * rng.standard_normal(moved.size))
        length[rng.random(moved.size) < JUMPS] = 1.0
        noise = 1e-6 * (model.ends[1] - model.ends[0]) * rng.standard_normal((moved.size, unknowns))
        asked = places[moved] + length[:, None] * (places[first] - places[second]) + noise
        possible = model.is_possible(asked)
        found = np.full(moved.size, -np.inf)
        if possible.any():
            found[possible] = model.log_likelihood(asked[possible])
        accepted = np.log(rng.random(moved.size)) < let_in * (found - likely[moved])
        places[moved[accepted]], likely[moved[accepted]] = asked[accepted], found[accepted]


def best_fit(model: Model, places: Floats) -> Floats:
    """Find the fluid that fits best, from the likeliest of a population.

    Parameters
    ----------
    model : Model
        The sheet and what is possible.
    places : float64 (fluids, unknowns)
        Coordinates of fluids that fit.

    Returns
    -------
    float64 (unknowns,)
        Coordinates by least squares; those of the likeliest fluid where the search leaves what is
        possible.
    """
    from scipy.optimize import least_squares

    best: Floats = places[np.argmax(model.log_likelihood(places))]
    low, high = model.ends
    inside = np.clip(best, low + 1e-9 * (high - low), high - 1e-9 * (high - low))
    found = least_squares(
        lambda one: model.residuals(one[None, :])[0], inside, bounds=(low, high), x_scale=high - low
    )
    if not model.is_possible(found.x[None, :])[0]:
        return best
    better: Floats = max((found.x, best), key=lambda one: float(model.log_likelihood(one[None])[0]))
    return better
