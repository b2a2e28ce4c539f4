"""Complex susceptibility chi' - i chi'', from the answer to a swing and from fluctuations.

chi is the magnetisation over the applied field H outside the film, dimensionless (SI). A film at
rest tells its own answer by how it fluctuates (fluctuation and dissipation):

    chi(w) = a [C(0) - i w int_0^inf C(t) exp(-i w t) dt],  a = mu0 (sum m)^2/(V kT),

with C the autocorrelation of the magnetisation over saturation; R. Kubo, Rep. Prog. Phys. 29, 255
(1966) (from memory). In a steady field it is the differential susceptibility at that field.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.common.arrays import Floats
from analysis.common.averages.memory import memory
from analysis.common.averages.student import ONE_SIGMA, student_factor
from analysis.common.constants import BOLTZMANN, MU0
from analysis.uncertainty.estimate import NOTHING, Estimate, estimate
from analysis.uncertainty.number_text import with_unit

WINDOW_TIMES = 6.0
"""The autocorrelation is transformed up to this many of its integrated times."""

BLOCKS = 20
"""Pieces of a series, left out in turn for the errors; fewer where it is short."""

FEWEST_PIECES = 6
"""Below this number of pieces no spectrum is given."""

RESOLVED = 2.0
"""Frames a relaxation time that a spectrum needs."""

POINTS_PER_DECADE = 6


@dataclass(frozen=True)
class Spectrum:
    """Susceptibility by frequency: parts in phase and behind with errors, (n,) arrays.

    ``time`` is the integrated autocorrelation time in s; ``reason`` says why the arrays are empty.
    """

    frequency_hz: Floats
    in_phase: Floats
    in_phase_error: Floats
    behind: Floats
    behind_error: Floats
    freedom: float
    time: Estimate
    reason: str | None = None


def debye(frequency_hz: Floats, static: float, time: float) -> tuple[Floats, Floats]:
    """Return the parts in phase and behind of a single relaxation time in s.

    Notes
    -----
    chi' = chi0/(1 + w^2 tau^2), chi'' = chi0 w tau/(1 + w^2 tau^2); P. Debye, Polar Molecules
    (1929).
    """
    pace = 2 * math.pi * np.asarray(frequency_hz, dtype=np.float64) * time
    return static / (1 + pace**2), static * pace / (1 + pace**2)


def fluctuation_scale(total_moment: float, volume: float, temperature: float) -> float:
    """Return a of the module's formula: susceptibility per variance of magnetisation/saturation.

    Parameters
    ----------
    total_moment : float
        Sum of the sizes of all moments in A m2.
    volume, temperature : float
        Volume of the film in m3 and temperature in K.
    """
    return MU0 * total_moment**2 / (volume * BOLTZMANN * temperature)


def drive_scale(total_moment: float, volume: float, field: float) -> float:
    """Return susceptibility per magnetisation/saturation for an applied field in T."""
    return MU0 * total_moment / (volume * field)


@dataclass(frozen=True)
class Removed:
    """Waves that were fitted to a series and taken off: radians a frame of the first, how many.

    Notes
    -----
    A fit of a mean, a cosine and a sine follows the noise at their frequencies too. Of the variance
    the mean takes 2 tau/n, and each of the others 2 tau/n/(1 + (w tau)^2), the spectrum of a single
    relaxation time over n frames (Priestley, as below, section 6.1, from memory).
    """

    pace: float
    waves: int

    def lost(self, tau: float, count: int, lags: int) -> Floats:
        """Return what is missing of the autocorrelation at each lag, in shares of the variance."""
        mean = min(2 * tau / count, 0.5)
        order = self.pace * np.arange(1, self.waves + 1)
        each = 2 * mean / (1 + (order * tau) ** 2)
        lost = mean + np.cos(np.outer(np.arange(lags), order)) @ each
        return np.asarray(lost * min(1.0, 0.5 / lost[0]))


MEAN_ALONE = Removed(0.0, 0)


def static_susceptibility(series: Floats, scale: float, removed: Removed = MEAN_ALONE) -> Estimate:
    """Return the static susceptibility from fluctuations.

    Parameters
    ----------
    series : (n, k) array
        Evenly spaced magnetisation over saturation; k components that are alike and independent.
    scale : float
        See ``fluctuation_scale``.
    removed : Removed
        Waves that were fitted and taken off beside the mean.

    Returns
    -------
    Estimate
        The variance about each sample mean, with that of the mean and of waves put back.

    Notes
    -----
    The error is at least that of the variance of a Gaussian series, whose squares forget as the
    square of its autocorrelation (M. B. Priestley, Spectral Analysis and Time Series (1981),
    section 5.3, from memory). A variance found too small makes its own error too small; the
    freedoms are taken at a third so that intervals of 95 % reach as far as those of chi-square.
    """
    away = series - series.mean(axis=0)
    tau = _joint_time(away)
    share = float(removed.lost(tau, len(away), 1)[0])
    found = [estimate(column**2) for column in away.T]
    errors = [one.error for one in found if one.error is not None]
    if len(errors) < len(found):
        return NOTHING
    factor = scale / (1 - share)
    value = factor * float((away**2).mean())
    error = factor * math.sqrt(sum(e * e for e in errors)) / len(found)
    samples = sum(one.samples for one in found)
    # A series that by chance forgets fast has by the same chance a small variance: the memory is
    # taken half a standard error long.
    slow = tau * (1 + 0.5 * math.sqrt(2 * (10 * tau + 1) / away.size)) if tau > 0.5 else tau
    keep = ((2 * slow - 1) / (2 * slow + 1)) ** 2
    gaussian = away.size * (1 - keep) / (1 + keep)
    freedom = min(sum(one.freedom for one in found), max(1.0, gaussian / 3))
    least = value * math.sqrt(2 / gaussian) * student_factor(ONE_SIGMA, freedom)
    return Estimate(value, max(error, least), samples, freedom)


def fluctuation_spectrum(
    series: Floats,
    spacing: float,
    scale: float,
    extra_hz: float | None = None,
    removed: Removed = MEAN_ALONE,
) -> Spectrum:
    """Return the susceptibility by frequency from the fluctuations of a film at rest.

    Parameters
    ----------
    series : (n, k) array
        Evenly spaced magnetisation over saturation; k components that are alike and independent.
    spacing : float
        Time between frames in s.
    scale : float
        See ``fluctuation_scale``.
    extra_hz : float, optional
        A frequency to add at the end.
    removed : Removed
        Waves that were fitted and taken off beside the mean.

    Returns
    -------
    Spectrum
        Autocorrelation up to ``WINDOW_TIMES`` integrated times, transformed by Simpson's rule.
        Frequencies from 1/10 of the inverse relaxation time to one radian a frame. Errors by the
        jackknife over pieces of the series (B. Efron, The Jackknife, the Bootstrap and Other
        Resampling Plans (1982), from memory), widened by Student's factor.

    Notes
    -----
    A spectrum by M lags of n values has the relative variance 2 M/n, twice that at frequency 0
    (Priestley, Spectral Analysis and Time Series (1981), section 6.2, from memory): no error of the
    part behind and of the time is smaller.
    """
    away = series - series.mean(axis=0)
    count = len(away)
    tau = _joint_time(away)
    last = 2 * math.ceil(WINDOW_TIMES * tau / 2)
    pieces = min(BLOCKS, count // max(1, last))
    reason = _unresolved(tau, spacing, count, pieces * away.shape[1])
    if reason is not None:
        none = np.zeros(0)
        return Spectrum(none, none, none, none, none, math.inf, NOTHING, reason)
    high = min(1.0 / spacing, 30.0 / (tau * spacing))
    low = 0.1 / (tau * spacing)
    points = max(2, math.ceil(POINTS_PER_DECADE * math.log10(high / low)) + 1)
    pace = np.geomspace(low, high, points)
    if extra_hz is not None:
        pace = np.append(pace, 2 * math.pi * extra_hz)
    sums, members = _products(away, last, pieces)
    # The sample mean takes its own variance, 2 tau/n, out of every lag: put it back.
    share = removed.lost(tau, count, sums.shape[1])
    whole = _transform(sums.sum(axis=0) / members.sum(axis=0), share, pace, spacing, scale)
    without = np.array(
        [
            _transform((sums.sum(axis=0) - one) / (members.sum(axis=0) - seen), share, pace,
                       spacing, scale)
            for one, seen in zip(sums, members, strict=True)
        ]
    )  # fmt: skip
    parts = len(without)
    freedom = parts - 1.0
    scatter = np.sqrt(freedom * without.var(axis=0)) * student_factor(ONE_SIGMA, freedom)
    samples = max(1, int(away.size / (2 * tau)))
    # Pieces of a series that by chance forgets fast scatter little: no less than theory says.
    least = math.sqrt(2 * last / away.size)
    behind = np.maximum(scatter[1], least * np.abs(whole[1]))
    error = max(float(scatter[2, 0]), math.sqrt(2.0) * least * float(whole[2, 0]))
    few = max(1.0, min(freedom, away.size / (2 * last + 1)))
    time = Estimate(spacing * float(whole[2, 0]), spacing * error, samples, few)
    return Spectrum(pace / (2 * math.pi), whole[0], scatter[0], whole[1], behind, freedom, time)


def _unresolved(tau: float, spacing: float, count: int, pieces: int) -> str | None:
    """Return why a series gives no spectrum, None where it does; times in frames."""
    if tau < RESOLVED:
        return (
            f"the magnetisation forgets itself within {with_unit(tau * spacing, 's', 2)}, and "
            f"frames are {with_unit(spacing, 's', 2)} apart; {RESOLVED:.0f} frames and "
            "more are needed in that time"
        )
    if pieces < FEWEST_PIECES:
        return (
            f"the averaged frames last {count / tau:.2g} relaxation times of the magnetisation; "
            f"about {FEWEST_PIECES * WINDOW_TIMES:.0f} are needed"
        )
    return None


def _joint_time(away: Floats) -> float:
    """Return the mean integrated time of the components in frames."""
    return float(np.mean([memory(column).time for column in away.T]))


def _products(away: Floats, last: int, pieces: int) -> tuple[Floats, Floats]:
    """Return sums of products by lag and their numbers, (pieces k, last + 1) arrays each.

    A row holds the products whose earlier frame lies in one piece of one component.
    """
    count, components = away.shape
    edges = np.linspace(0, count, pieces + 1).astype(int)
    lags = last + 1
    sums = np.zeros((pieces, components, lags))
    members = np.zeros((pieces, components, lags))
    for lag in range(lags):
        product = away[: count - lag] * away[lag:]
        ends = np.minimum(edges, count - lag)
        running = np.concatenate([np.zeros((1, components)), np.cumsum(product, axis=0)])
        sums[:, :, lag] = running[ends[1:]] - running[ends[:-1]]
        members[:, :, lag] = (ends[1:] - ends[:-1])[:, None]
    return sums.reshape(-1, lags), members.reshape(-1, lags)


def _transform(raw: Floats, share: Floats, pace: Floats, spacing: float, scale: float) -> Floats:
    """Return (in phase, behind, integrated time in frames) by frequency, (3, n)."""
    full = raw + raw[0] * share / (1 - share[0])
    weights = np.ones(len(full))
    weights[1:-1:2], weights[2:-1:2] = 4.0, 2.0
    weights *= spacing / 3.0
    angle = np.outer(pace, spacing * np.arange(len(full)))
    sine = (np.sin(angle) * weights) @ full
    cosine = (np.cos(angle) * weights) @ full
    time = np.full(len(pace), float(weights @ full) / (full[0] * spacing))
    return np.stack([scale * (full[0] - pace * sine), scale * pace * cosine, time])
