"""How fast the film answers to its field: magnetisation, alignment and birefringence."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.measures.measure import Measurement
from analysis.optics.handoff_entry import entry
from analysis.optics.optical_series import OpticalSeries
from analysis.quantities.light import RESPONSE
from analysis.response.decay_numbers import frame_at, switch_off_time
from analysis.response.growth import switch_off
from analysis.response.relaxation import switched_on
from analysis.response.rise import Rise, rise
from analysis.trajectory.cycles import last_swing
from analysis.trajectory.run import Run
from analysis.trajectory.stages import field_series
from analysis.uncertainty.number_text import measured

Floats = NDArray[np.float64]

NO_TIMES = "the run samples the film at rest, and no time belongs to its sweeps"
TURNS = "the field turns or oscillates to the end"
NO_STEP = "the field is never switched {}"


def responses(measurement: Measurement, run: Run) -> dict[str, Any]:
    """Return the response times to switching the field on and off.

    Parameters
    ----------
    measurement : Measurement
        With the curve of ``OpticalSeries``.
    run : Run
        The run that was measured.

    Returns
    -------
    dict
        Entries of the hand-off by the keys of ``RESPONSE``; a null value has a ``reason``, and
        ``longer_than_s`` or ``shorter_than_s`` where a bound is known.
    """
    return {
        one.key: entry(one.key, found["value"], found["error"])
        | {key: found[key] for key in found if key not in ("value", "error")}
        for one in RESPONSE
        for found in [_response(one.key, measurement, run).as_dict()]
    }


def _response(key: str, measurement: Measurement, run: Run) -> Rise:
    """Measure one response time."""
    step, what, _ = key.split("_")
    series = OpticalSeries.among(measurement.curves)
    if run.is_sampled:
        return Rise(reason=NO_TIMES)
    if last_swing(run) is not None:
        return Rise(reason=TURNS)
    values = _values(series, what)
    if len(values) == 0:
        return Rise(reason="the index of the cores is not known")
    if what == "magnetisation" and not run.derived.get("moment_relaxation_meaningful", True):
        return Rise(reason="moments were slowed down in this run, so their response is withheld")
    field = field_series(run)
    rows, start = switched_on(run, field)
    if step == "on":
        if not np.linalg.norm(field[rows.start]) > 0:
            return Rise(reason=NO_STEP.format("on"))
        rows = slice(max(0, rows.start - 1), rows.stop)
        found = rise(run.times[rows], values[rows], start)
        seen = float(run.times[rows.stop - 1]) - start
        return _growing(found, measurement, seen) if what == "birefringence" else found
    last_on = switch_off(field)
    if last_on is None:
        return Rise(reason=NO_STEP.format("off"))
    start = switch_off_time(run, last_on)[0]
    first = frame_at(run.times, start)
    late = values[rows][-max(1, (rows.stop - rows.start) // 4) :]
    before = float(np.nanmean(late)) if np.isfinite(late).any() else None
    return rise(np.maximum(run.times[first:], start), values[first:], start, before)


def _growing(found: Rise, measurement: Measurement, seen: float) -> Rise:
    """Return a response to the field that goes on; a lower bound where chains grow on.

    Birefringence grows with the lengths: where these made less than half of their way in what was
    seen, noise alone may have hidden that it goes on.
    """
    half, _ = measured(measurement.numbers, "way_to_rest", "switch_on_half_time_s")
    if found.time is None or not half > seen:
        return found
    reason = "chains made less than half of their way to rest in what was seen"
    return Rise(longer_than=found.time, reason=reason, frames=found.frames)


def _values(series: OpticalSeries, what: str) -> Floats:
    """Return one number of every frame."""
    if what == "birefringence":
        return series.wavelengths[0]["birefringence"] if series.wavelengths else np.zeros(0)
    return np.asarray(series[what])
