"""Life of a bond corrected for pairs that part and rejoin between two frames.

A pair is bonded (B), parted but near (N), or parted for good (P):

    B -> N at the rate a,    N -> B at the rate b,    N -> P at the rate c.

Frames tell only whether a pair is bonded. Each frame that shows a bond starts afresh, so the
likelihood needs no more than how many frames the bond was missing until it was seen again. The mean
life is 1/a. Without c this is the two-state model of a telegraph; without b, bonds that break for
good. Missed partings shorten nothing but the count: D. Colquhoun and A. G. Hawkes, Proc. R. Soc.
Lond. B 211, 205 (1981) (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from analysis.common.arrays import Floats, Integers

LONGEST_GAP = 32
"""A bond missing for more frames than this is followed no further."""

EVEN = 1e-6
"""Frames whose steps differ by less than this share count as evenly spaced."""

BETTER = 4.0
"""Twice the gain in log likelihood that a further rate must bring: 2 standard errors."""

REMEMBERED = 4.5
"""Standard errors by which a pair must remember its state from frame to frame; from 3 on those are
shown that seem to remember longer than they do."""

FASTEST = 20.0
"""Largest rate times the mean step of the frames; what is faster leaves no mark on them."""


@dataclass(frozen=True)
class Gaps:
    """What frames show of bonds, by the frame that shows one and the frames missing after it.

    Attributes
    ----------
    steps : (k, g + 1) array
        Times in s from frame to frame, from each first frame on; one row for even frames.
    seen : (k, g + 1) array
        Bonds seen again after so many missing frames; column 0 are those whole at the next.
    lost : (k, g + 1) array
        Bonds last seen missing for so many frames.
    """

    steps: Floats
    seen: Floats
    lost: Floats

    @classmethod
    def of(cls, bonds: list[Integers], times: Floats, count: int) -> Gaps:
        """Count the gaps of bonds, arguments as of ``bond_lives.spells``."""
        frames = len(bonds)
        most = min(LONGEST_GAP, frames - 1)
        keys = np.concatenate([b[:, 0] * count + b[:, 1] for b in bonds])
        frame = np.repeat(np.arange(frames), [len(b) for b in bonds])
        order = np.lexsort((frame, keys))
        keys, frame = keys[order], frame[order]
        again = np.append(keys[1:] == keys[:-1], False)
        gap = np.where(again, np.append(frame[1:], 0) - frame - 1, frames - 1 - frame)
        again &= gap <= most
        gap = np.minimum(gap, most)
        shape = (frames - 1, most + 1)
        seen, lost = np.zeros(shape), np.zeros(shape)
        np.add.at(seen, (frame[again], gap[again]), 1.0)
        missing = ~again & (gap > 0)
        np.add.at(lost, (frame[missing], gap[missing]), 1.0)
        step = np.diff(times)
        if np.ptp(step) <= EVEN * step.mean():
            even = np.full((1, most + 1), step.mean())
            return cls(even, seen.sum(axis=0, keepdims=True), lost.sum(axis=0, keepdims=True))
        place = np.arange(frames - 1)[:, None] + np.arange(most + 1)
        return cls(step[np.minimum(place, frames - 2)], seen, lost)

    @property
    def partings(self) -> int:
        """Bonds missing in the frame after one that showed them."""
        return int(self.seen[:, 1:].sum() + self.lost.sum())

    @property
    def rejoined(self) -> int:
        """Bonds seen again after they were missing."""
        return int(self.seen[:, 1:].sum())

    @property
    def remembered(self) -> bool:
        """Whether frames are close enough for a pair to remember its state to the next.

        Notes
        -----
        Of two states that part and rejoin with the chances p and r a frame, 1 - p - r is left of
        what a pair was (textbook Markov chain). Where that is lost in the noise, any pair of large
        rates of one ratio shows the same frames. Pairs that never came back are left out of r.
        """
        if self.rejoined == 0:
            return True
        whole = self.partings + float(self.seen[:, 0].sum())
        waits = float(self.seen[:, 1:].sum(axis=0) @ np.arange(1, self.seen.shape[1]))
        part, back = self.partings / whole, self.rejoined / waits
        error = math.sqrt(part * (1 - part) / whole + back * (1 - back) / waits)
        return 1 - part - back > REMEMBERED * error

    def log_likelihood(self, a: float, b: float, c: float) -> float:
        """Return the logarithm of the likelihood of three rates in 1/s."""
        whole, parted, back, away = _passed(a, b, c, self.steps)
        floor = 1e-300
        total = float(self.seen[:, 0] @ np.log(np.maximum(whole[:, 0], floor)))
        near, gone = parted[:, 0], np.maximum(1.0 - whole[:, 0] - parted[:, 0], 0.0)
        if len(self.steps) == 1:
            # Even frames pass on equal shares: near falls as a power, gone is its geometric sum.
            power = float(away[0, 0]) ** np.arange(self.seen.shape[1] - 1)
            leave = max(1.0 - float(back[0, 0]) - float(away[0, 0]), 0.0)
            lost = near * power + gone + near * leave * (np.cumsum(power) - power)
            total += float(self.lost[0, 1:] @ np.log(np.maximum(lost, floor)))
            again = np.maximum(near * back[0, 0] * power, floor)
            return total + float(self.seen[0, 1:] @ np.log(again))
        for gap in range(1, self.seen.shape[1]):
            total += float(self.lost[:, gap] @ np.log(np.maximum(near + gone, floor)))
            total += float(self.seen[:, gap] @ np.log(np.maximum(near * back[:, gap], floor)))
            gone = gone + near * np.maximum(1.0 - back[:, gap] - away[:, gap], 0.0)
            near = near * away[:, gap]
        return total


def _passed(a: float, b: float, c: float, time: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the chances B-B, B-N, N-B and N-N after a time: exponential of a matrix of two."""
    middle = -0.5 * (a + b + c)
    # (trace/2)^2 - determinant, written without a difference of large numbers.
    half = math.sqrt(0.25 * (a - c) ** 2 + 0.25 * b * b + 0.5 * b * (a + c))
    half = max(half, 1e-9 * -middle)
    slow = -a * c / (half - middle)  # the sum of both is the trace, their product a c
    fast = middle - half
    late, early = np.exp(slow * time), np.exp(fast * time)
    turned = (late - early) / (2.0 * half)
    mean = 0.5 * (late + early)
    return (
        mean + turned * (-a - middle),
        turned * a,
        turned * b,
        mean + turned * (-(b + c) - middle),
    )


@dataclass(frozen=True)
class Rates:
    """Mean life in s, the standard error of its logarithm, and the rate of rejoining in 1/s."""

    life: float
    log_error: float
    rejoining: float


def fit_rates(gaps: Gaps) -> Rates:
    """Return the rates of largest likelihood.

    Parameters
    ----------
    gaps : Gaps
        With at least one parting and one bond whole at the next frame.

    Notes
    -----
    Rejoining is left out where no pair was seen to rejoin, and parting for good where it gains
    less than ``BETTER``. The error is that of the curvature of the likelihood, what the other
    rates leave open included; infinite where no frame remembers the one before, see
    ``Gaps.remembered``.
    """
    mean = float(gaps.steps.mean())
    whole = float(gaps.seen[:, 0].sum())
    first = math.log1p(gaps.partings / whole) / mean
    if gaps.rejoined == 0:
        return _best(gaps, [first], mean)[1]
    # The two-state chances, as if every pair once bonded stayed near.
    waits = gaps.seen[:, 1:].sum(axis=0) @ np.arange(1, gaps.seen.shape[1])
    waits += gaps.lost.sum(axis=0) @ np.arange(gaps.seen.shape[1])
    back = min(gaps.rejoined / waits, 0.95)
    out = min(gaps.partings / (gaps.partings + whole), 0.95)
    pace = -math.log(max(1.0 - out - back, 0.02)) / ((out + back) * mean)
    two = _best(gaps, [out * pace, back * pace], mean)
    tries = [
        _best(gaps, [out * pace, back * pace * more, back * pace * loss], mean)
        for more, loss in ((1.0, 0.1), (3.0, 3.0))
    ]
    three = max(tries, key=lambda one: one[0])
    best = three[1] if 2.0 * (three[0] - two[0]) > BETTER else two[1]
    return best if gaps.remembered else replace(best, log_error=math.inf)


def _best(gaps: Gaps, start: list[float], mean: float) -> tuple[float, Rates]:
    """Return the largest log likelihood over one, two or three rates, and those rates."""
    from scipy.optimize import minimize

    def cost(logs: Floats) -> float:
        rates = [*np.exp(logs), 0.0, 0.0][:3]
        return -gaps.log_likelihood(*rates)

    span = float(gaps.steps.sum(axis=1).max()) * 1e6
    bounds = (math.log(1.0 / span), math.log(FASTEST / mean))
    logs = np.clip(np.log(start), bounds[0] + 0.01, bounds[1] - 0.01)
    found = minimize(cost, logs, method="L-BFGS-B", bounds=[bounds] * len(start))
    found = minimize(cost, found.x, method="L-BFGS-B", bounds=[bounds] * len(start))
    variance = _variance_of_first(cost, found.x)
    rejoining = float(np.exp(found.x[1])) if len(start) > 1 else 0.0
    rates = Rates(float(np.exp(-found.x[0])), math.sqrt(variance), rejoining)
    return -float(found.fun), rates


def _variance_of_first(cost: Callable[[Floats], float], best: Floats) -> float:
    """Return the variance of the first parameter by the curvature of a cost."""
    size, step = len(best), 1e-3
    shifts = step * np.eye(size)
    middle = cost(best)
    curve = np.zeros((size, size))
    for i in range(size):
        for j in range(i + 1):
            if i == j:
                value = cost(best + shifts[i]) + cost(best - shifts[i]) - 2 * middle
            else:
                value = 0.25 * (
                    cost(best + shifts[i] + shifts[j]) + cost(best - shifts[i] - shifts[j])
                    - cost(best + shifts[i] - shifts[j]) - cost(best - shifts[i] + shifts[j])
                )  # fmt: skip
            curve[i, j] = curve[j, i] = value / step**2
    values, vectors = np.linalg.eigh(curve)
    # A rate at its end of the range has no curvature and takes no part.
    if values[-1] <= 0.0:
        return math.inf
    values = np.maximum(values, 1e-2)
    return float(np.sum(vectors[0] ** 2 / values))
