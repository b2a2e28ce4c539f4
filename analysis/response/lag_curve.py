"""Lag behind a turning field frame by frame, beside the angle to which the field has turned."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from analysis.chains.series import ChainSeries
from analysis.common import file_names
from analysis.common.arrays import Floats
from analysis.files.curve import Curve, Table
from analysis.response.lag import CERTAIN
from analysis.trajectory.run import Run


@dataclass(frozen=True)
class Lag(Curve):
    """Angle to which the field has turned and lags behind it in degrees, by the time in s."""

    NAME: ClassVar = "lag"
    TABLE: ClassVar = Table(file_names.LAG)
    time_s: Floats
    field_turned_deg: Floats
    magnetisation_lag_deg: Floats
    magnetisation_lag_error_deg: Floats
    chain_lag_deg: Floats
    chain_lag_error_deg: Floats


def lag_curve(run: Run, series: ChainSeries) -> Lag:
    """Return lags in degrees at every frame; empty where the field did not turn.

    Parameters
    ----------
    run, series : Run, ChainSeries
        The trajectory and its series.

    Returns
    -------
    Lag
        Arrays (frames,): the angle through which the field has turned about its axis since the
        first frame (frames must come more often than half a turn), and how far magnetisation and
        chain axes are behind it in the plane of turning, with errors from the scatter within the
        frame. Chain axes have no sign, so that their lag lies within 90 degrees either way. Frames
        whose mean vector is within `CERTAIN` of its errors have no lag; where moments were slowed
        down, the magnetisation has none.
    """
    field, axis = series.turning, series.axis
    if field is None or axis is None or not np.any(axis):
        return Lag.empty()
    flat = field - np.outer(field @ axis, axis)
    sine = np.cross(flat[:-1], flat[1:]) @ axis
    steps = np.arctan2(sine, np.sum(flat[:-1] * flat[1:], axis=1))
    magnetisation = _angle(series, "in_phase", "behind", 1)
    if not run.derived.get("moment_relaxation_meaningful", True):
        magnetisation = (np.full(run.frames, np.nan), np.full(run.frames, np.nan))
    return Lag(
        run.times,
        np.degrees(np.concatenate([[0.0], np.cumsum(steps)])),
        *magnetisation,
        *_angle(series, "axis_cos", "axis_sin", 2),
    )


def _angle(series: ChainSeries, along: str, behind: str, order: int) -> tuple[Floats, Floats]:
    """Return an angle behind the field and its error in degrees; the error is across its mean."""
    c, s = series.values[along], series.values[behind]
    length = np.hypot(c, s)
    across = np.hypot(series.within[along] * s, series.within[behind] * c)
    with np.errstate(divide="ignore", invalid="ignore"):
        error = across / length**2
    sure = error < 1.0 / CERTAIN
    angle = np.where(sure, np.arctan2(s, c), np.nan)
    return np.degrees(angle) / order, np.degrees(np.where(sure, error, np.nan)) / order
