"""How long a series remembers: its integrated autocorrelation time."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

WINDOW_TIMES = 5.0
"""The autocorrelation is summed up to this many of its own times."""


@dataclass(frozen=True)
class Memory:
    """How long a series remembers: integrated time, its error and the window, all in frames."""

    time: float
    error: float
    window: float

    def freedom(self, count: int) -> float:
        """Return the degrees of freedom of the variance of a mean over so many frames."""
        # var(tau)/tau^2 = 2 (2 W + 1)/n (see ``memory``), which is 2/freedom for a chi-square law.
        return max(1.0, count / (2 * self.window + 1))


def memory(series: ArrayLike) -> Memory:
    """Return the integrated autocorrelation time of a series with its error.

    Parameters
    ----------
    series : (n,) array
        Evenly spaced values.

    Returns
    -------
    Memory
        tau = 1/2 + sum of the normalised autocorrelation, summed over the window W, the first lag
        of at least ``WINDOW_TIMES`` tau; never below 1/2 (uncorrelated) and never above n/2. A
        constant series counts as uncorrelated. Error tau sqrt(2 (2 W + 1)/n).

    Notes
    -----
    Self-consistent window and error after A. Sokal, "Monte Carlo methods in statistical mechanics:
    foundations and new algorithms" (1989), section 3 (from memory).
    """
    values = np.asarray(series, dtype=np.float64)
    count = len(values)
    away = values - values.mean() if count else values
    tau = 0.5
    if count >= 3 and (away**2).sum() > (1e-14 * np.abs(values).max()) ** 2 * count:
        size = 1 << (2 * count - 1).bit_length()
        spectrum = np.fft.rfft(away, size)
        raw = np.fft.irfft(spectrum * spectrum.conj(), size)[:count] / np.arange(count, 0, -1)
        for _ in range(4):
            # The sample mean takes its own variance out of every lag: put it back.
            lost = raw[0] * min(2 * tau / count, 0.5)
            times = np.cumsum((raw + lost) / (raw[0] + lost)) - 0.5
            enough = np.arange(count) >= WINDOW_TIMES * times
            last = min(int(np.argmax(enough)) if enough.any() else count - 1, count // 2)
            tau = min(max(float(times[last]), 0.5), count / 2)
    window = WINDOW_TIMES * tau
    return Memory(tau, tau * math.sqrt(2 * (2 * window + 1) / max(1, count)), window)
