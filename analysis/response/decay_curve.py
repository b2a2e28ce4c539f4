"""What falls after switch-off beside the law that was fitted to it, for the figure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.chains.time_series import TimeSeries
from analysis.common.arrays import Floats
from analysis.response.decay_numbers import frame_at
from analysis.uncertainty.number_text import as_float, measured

SERIES = {
    "length": ("mean_length", None),
    "alignment": ("alignment", None),
    "magnetisation": ("magnetisation", 0.0),
}
"""Column of the time series, and the final value where it is known."""
POINTS = 200


@dataclass(frozen=True)
class DecayCurve:
    """One quantity after switch-off.

    Attributes
    ----------
    time, value : (n,) arrays
        Times since switch-off in s, the first at 0 or before it, and the quantity.
    law_time, law : (m,) arrays
        The fitted stretched exponential, from just after 0 on; empty where none was fitted.
    life, life_error : float
        1/e time and its error in s, NaN without one.
    level : float
        The quantity at that time: the final value and 1/e of the fall, NaN without a time.
    """

    time: Floats
    value: Floats
    law_time: Floats
    law: Floats
    life: float
    life_error: float
    level: float

    @property
    def latest(self) -> float:
        """The last time in s that there is something to draw at."""
        error = self.life_error if math.isfinite(self.life_error) else 0.0
        end = float(self.time[-1])
        return max(end, self.life + error) if math.isfinite(self.life) else end


def decay_curve(numbers: dict[str, Any], series: TimeSeries, quantity: str) -> DecayCurve | None:
    """Return a quantity after switch-off and its law, None where the field stayed on.

    Parameters
    ----------
    numbers : dict
        Content of measures.json.
    series : TimeSeries
        What is known at every frame.
    quantity : str
        A key of `SERIES`.

    Notes
    -----
    The law A exp(-(t/tau)^beta) + c is linear in A and c, so for the fitted tau and beta the best
    A and c are those of the joint fit.
    """
    relaxation = numbers.get("relaxation")
    off = (
        as_float(relaxation.get("switch_off_time_s")) if isinstance(relaxation, dict) else math.nan
    )
    name, floor = SERIES[quantity]
    if not math.isfinite(off) or not len(series.time_s):
        return None
    time = series.time_s
    first = frame_at(time, off)
    value = np.asarray(series[name], dtype=np.float64)[first:]
    time = np.maximum(time[first:] - off, 0.0)
    known = np.isfinite(value)
    time, value = time[known], value[known]
    life, error = measured(numbers, "relaxation", f"{quantity}_decay_time_s")
    if len(time) < 2 or not time[-1] > 0.0:
        return None
    nothing = np.zeros(0)
    if not math.isfinite(life):
        return DecayCurve(time, value, nothing, nothing, life, error, math.nan)
    tau = measured(numbers, "relaxation", f"{quantity}_stretched_time_s")[0]
    beta = measured(numbers, "relaxation", f"{quantity}_stretch")[0]
    if not (math.isfinite(tau) and math.isfinite(beta)):
        tail = value[-max(3, len(value) // 4) :]
        end = float(tail.mean()) if floor is None else floor
        level = end + math.exp(-1) * (float(value[0]) - end)
        return DecayCurve(time, value, nothing, nothing, life, error, level)
    height, end = _height_and_floor(_shape(time, tau, beta), value, floor)
    at = np.geomspace(0.5 * float(time[time > 0.0].min()), float(time[-1]), POINTS)
    law = end + height * _shape(at, tau, beta)
    return DecayCurve(time, value, at, law, life, error, end + height * math.exp(-1))


def _shape(time: Floats, tau: float, beta: float) -> Floats:
    return np.asarray(np.exp(-((time / tau) ** beta)))


def _height_and_floor(shape: Floats, value: Floats, floor: float | None) -> tuple[float, float]:
    """Return the height and the final value that fit best, the latter as given where it is."""
    if floor is not None:
        return float(shape @ (value - floor) / (shape @ shape)), floor
    columns = np.column_stack([shape, np.ones_like(shape)])
    height, end = np.linalg.lstsq(columns, value, rcond=None)[0]
    return float(height), float(end)
