"""Chain length against the frequency of a turning field within one run, and where chains break.

A chain that turns with the field is bent and torn by the drag of the liquid. Short chains follow
faster fields: with drag ~ length^2 along a chain and magnetic torque ~ length, chains that just
hold have a length ~ frequency^(-1/2) (balance of torques; S. Melle and others, Phys. Rev. E 68,
041503 (2003), from memory).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.chains.series import ChainSeries
from analysis.common.arrays import Floats
from analysis.common.averages.student import ONE_SIGMA, student_factor
from analysis.response.lag import angle_behind
from analysis.trajectory.cycles import programme
from analysis.trajectory.run import Run
from analysis.uncertainty.estimate import NOTHING, Estimate

SURE = 3.0
"""Chains broke up if their mean length fell by more than so many of its joint errors."""

FEWEST_FREQUENCIES = 4
STRONG = 10.0
"""The law of break-up must gain so much over a constant length, as in ``growth_laws``."""


def turning_stages(run: Run, series: ChainSeries) -> list[dict[str, Any]]:
    """Return chain lengths of each stage in which the field turned, in order of time.

    Parameters
    ----------
    run, series : Run, ChainSeries
        The trajectory and its series.

    Returns
    -------
    list of dict
        ``frequency_hz, from_s, to_s``; ``mean_length``, ``weight_mean_length`` and
        ``chain_lag_deg`` as measured numbers over the second half of the stage;
        ``length_before`` over the second half of the stage before it, or the frame before;
        ``broke_up``: true where the mean length fell by more than ``SURE`` joint errors.
    """
    out = []
    steps = programme(run)
    for number, step in enumerate(steps):
        start, end = _span(run, step)
        turns = step["kind"] in ("rotate", "turn") and step["frequency_hz"]
        if not turns or start >= run.times[-1]:
            continue
        rows = _second_half(run, start, end)
        if len(rows) == 0:
            continue
        length = _averaged(series, "mean_length", rows)
        before = _before(run, series, steps[number - 1] if number else None, start)
        lag, _ = angle_behind(series.values["axis_cos"][rows], series.values["axis_sin"][rows], 2)
        out.append(
            {
                "frequency_hz": float(step["frequency_hz"]),
                "from_s": float(run.times[rows[0]]),
                "to_s": float(run.times[rows[-1]]),
                "mean_length": length.as_dict(),
                "weight_mean_length": _averaged(series, "weight_mean_length", rows).as_dict(),
                "chain_lag_deg": lag.as_dict(),
                "length_before": before.as_dict(),
                "broke_up": _fell(before, length),
            }
        )
    return out


def _span(run: Run, step: dict[str, Any]) -> tuple[float, float]:
    """Return begin and end of a stage in s, the end no later than that of the run."""
    end = math.inf if step.get("end_s") is None else float(step["end_s"])
    return float(step["start_s"]), min(end, float(run.times[-1]))


def _second_half(run: Run, start: float, end: float) -> NDArray[np.int64]:
    """Return the frames in the second half of a span."""
    slack = 1e-9 * max(abs(end), 1e-300)
    inside = (run.times >= 0.5 * (start + end) - slack) & (run.times <= end + slack)
    return np.flatnonzero(inside & (run.times > start + slack))


def _before(run: Run, series: ChainSeries, step: dict[str, Any] | None, start: float) -> Estimate:
    """Return the mean length before a stage began."""
    rows = _second_half(run, *_span(run, step)) if step is not None else np.zeros(0, np.int64)
    if len(rows) == 0:
        rows = np.flatnonzero(run.times <= start * (1 + 1e-9))[-1:]
    return _averaged(series, "mean_length", rows)


def _averaged(series: ChainSeries, name: str, rows: NDArray[np.int64]) -> Estimate:
    """Return an average; its error is at least the scatter between the chains of a frame."""
    return series.average(name, rows, 1.0)


def _fell(before: Estimate, after: Estimate) -> bool | None:
    """Whether a length fell beyond its errors, None where that cannot be told."""
    if before.value is None or after.value is None or before.error is None or after.error is None:
        return None
    return bool(before.value - after.value > SURE * math.hypot(before.error, after.error))


def break_up(
    frequencies: Floats, lengths: Floats, errors: Floats
) -> tuple[Estimate, Estimate, str | None]:
    """Return the frequency from which chains break up, and the power of their shortening.

    Parameters
    ----------
    frequencies, lengths, errors : (n,) arrays
        Frequency of the field in Hz, mean length and its standard error.

    Returns
    -------
    Estimate, Estimate, str or None
        f_b and p of length = L0 below f_b and L0 (f/f_b)^-p above it, and why they are missing. The
        law must beat a constant length: chi^2 falls by ``STRONG`` + 2 ln n. Errors from the
        curvature of chi^2, raised where the law fits badly.
    """
    good = np.isfinite(lengths) & (lengths > 0) & np.isfinite(errors) & (errors > 0)
    x, y = np.log(frequencies[good]), np.log(lengths[good])
    weight = lengths[good] / errors[good]
    count = len(x)
    if len(np.unique(x)) < FEWEST_FREQUENCIES:
        return NOTHING, NOTHING, f"fewer than {FEWEST_FREQUENCIES} frequencies were run"
    constant = float((weight**2 * (y - np.average(y, weights=weight**2)) ** 2).sum())

    def at(middle: float) -> tuple[float, float, Floats]:
        table = np.column_stack([np.ones(count), -np.maximum(x - middle, 0.0)])
        best = np.asarray(np.linalg.lstsq(table * weight[:, None], y * weight)[0])
        return float((weight**2 * (y - table @ best) ** 2).sum()), middle, best

    # At least one frequency lies below and two above.
    tried = [at(m) for m in np.linspace(np.sort(x)[0], np.sort(x)[-2], 161)[1:-1]]
    square, middle, best = min(tried, key=lambda one: one[0])
    if constant - square < STRONG + 2 * math.log(count) or not best[1] > 0:
        return NOTHING, NOTHING, "the mean length does not fall with the frequency"
    beyond = x > middle
    table = np.column_stack([np.ones(count), -np.maximum(x - middle, 0.0), best[1] * beyond])
    heavy = table * weight[:, None]
    if np.linalg.matrix_rank(heavy) < 3:
        return NOTHING, NOTHING, "too few frequencies lie on either side of the break-up"
    freedom = max(1.0, count - 3.0)
    spread = np.linalg.inv(heavy.T @ heavy) * max(1.0, square / freedom)
    wide = student_factor(ONE_SIGMA, freedom)
    place = math.exp(middle)
    return (
        Estimate(place, wide * place * math.sqrt(spread[2, 2]), count, freedom),
        Estimate(float(best[1]), wide * math.sqrt(spread[1, 1]), count, freedom),
        None,
    )


def break_up_numbers(run: Run, series: ChainSeries, warnings: list[str]) -> dict[str, Any]:
    """Return the entries of ``relaxation`` on break-up; ``turning_stages`` is a list."""
    rows = turning_stages(run, series)
    columns = np.array(
        [
            [row["frequency_hz"], *(_number(row["mean_length"][key]) for key in ("value", "error"))]
            for row in rows
        ]
    ).reshape(-1, 3)
    place, power, reason = break_up(*columns.T)
    if reason is not None:
        keys = "relaxation.break_up_frequency_hz, relaxation.break_up_exponent"
        warnings.append(f"{keys}: {reason}")
    return {
        "break_up_frequency_hz": place.as_dict(),
        "break_up_exponent": power.as_dict(),
        "turning_stages": rows,
    }


def _number(value: float | None) -> float:
    """Return a number, NaN for None."""
    return math.nan if value is None else value
