"""Reads one run of a sweep from its folder: its state, and the headline numbers with errors."""

from __future__ import annotations

import csv
import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from analysis.common import file_names
from analysis.common.arrays import Floats
from analysis.quantities.all import shown
from analysis.quantities.response import GROWN_LENGTH, GROWTH_TIME
from analysis.uncertainty.estimate import NOTHING, Estimate
from analysis.uncertainty.number_text import as_float, value_and_error

MEASURES = shown("sweep")
"""Columns of the tables of a sweep, in their order."""


@dataclass(frozen=True)
class SweptRun:
    """One run.

    Attributes
    ----------
    status : str
        "done", "failed" or "unfinished".
    reason : str
        Why it is not done, "" where it is.
    estimates : dict of Estimate
        Headline numbers by column; empty unless done.
    numbers : dict
        Content of measures.json; empty unless done.
    """

    status: str
    reason: str
    estimates: dict[str, Estimate]
    numbers: dict[str, Any]

    @property
    def equilibrated(self) -> bool:
        """Whether the film came to rest before the run ended."""
        rest = self.numbers.get("equilibration")
        return isinstance(rest, dict) and rest.get("reached") is True

    @property
    def warnings(self) -> list[str]:
        """What measures.json warns of; empty unless done."""
        found = self.numbers.get("warnings")
        return [one for one in found if isinstance(one, str)] if isinstance(found, list) else []


def read_run(folder: Path) -> SweptRun:
    """Read the folder of one run; never fails, as a sweep may be half finished.

    Parameters
    ----------
    folder : Path
        The folder, which need not exist. Its outcome.json, if there is one, says how the run
        ended; else its run file does.

    Returns
    -------
    SweptRun
        Numbers of a run that was simulated to its end and measured; the reason otherwise.
    """
    outcome = _json(folder / file_names.OUTCOME) or {}
    reason = str(outcome.get("reason") or "no reason recorded")
    if outcome.get("state") == "failed":
        return SweptRun("failed", reason, {}, {})
    if outcome.get("state") == "interrupted":
        return SweptRun("unfinished", reason, {}, {})
    numbers = _json(folder / file_names.MEASURES)
    if numbers is None:
        return _unmeasured(folder)
    record = numbers.get("parameters")
    if isinstance(record, dict) and record.get("finished") is False:
        return SweptRun("unfinished", str(record.get("end_reason") or "still running"), {}, {})
    return SweptRun("done", "", _estimates(numbers, folder), numbers)


def _json(path: Path) -> dict[str, Any] | None:
    """Content of a JSON table, None where it is missing or no such thing."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return content if isinstance(content, dict) else None


def _unmeasured(folder: Path) -> SweptRun:
    """Tell a run without numbers from its run file."""
    if not (folder / file_names.RUN).is_file():
        return SweptRun("unfinished", "not started", {}, {})
    import h5py

    from analysis.common.attributes import attribute
    from analysis.common.heaps import endless_heap

    try:
        if endless_heap(folder / file_names.RUN):
            return SweptRun("unfinished", "its run file is damaged", {}, {})
        with h5py.File(folder / file_names.RUN, "r") as file:
            if isinstance(file.get("parameters", getlink=True), h5py.ExternalLink):
                return SweptRun("unfinished", "its run file names other files", {}, {})
            told = file["parameters"]
            finished = bool(attribute(told, "finished", False))
            failed = attribute(told, "ending") == "failed"
            reason = str(attribute(told, "end_reason") or "still running, or killed")
    except (OSError, LookupError, RuntimeError, SystemError, TypeError, ValueError):
        return SweptRun("unfinished", "its run file cannot be read yet", {}, {})
    if finished:
        return SweptRun("unfinished", "simulated, not measured yet", {}, {})
    return SweptRun("failed" if failed else "unfinished", reason, {}, {})


def _estimates(numbers: dict[str, Any], folder: Path) -> dict[str, Estimate]:
    """Headline numbers by column."""
    out = {}
    for measure in MEASURES:
        if measure is GROWTH_TIME:
            out[measure.column] = _growth_time_of(folder / file_names.SERIES)
            continue
        value, error = value_and_error(measure.entry(numbers))
        out[measure.column] = (
            Estimate(value, error if math.isfinite(error) else None, 1)
            if math.isfinite(value)
            else NOTHING
        )
    return out


def _growth_time_of(path: Path) -> Estimate:
    """Growth time from the table of one run; nothing where the table is missing or short."""
    try:
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
    except OSError:
        return NOTHING
    names = ("time_s", "mean_length", "mean_length_error", "field_T")
    columns = [np.array([_number(row.get(name)) for row in rows]) for name in names]
    return growth_time(*columns)


def _number(text: str | None) -> float:
    try:
        return as_float(float(text)) if text else math.nan
    except ValueError:
        return math.nan


def growth_time(time: Floats, length: Floats, error: Floats, field: Floats) -> Estimate:
    """Return the time from switching on until the mean length first reaches two.

    Parameters
    ----------
    time, length, error, field : (n,) arrays
        Time in s, mean length with its error (NaN where unknown), field in T (NaN where unknown).

    Returns
    -------
    Estimate
        Interpolated between frames. Its error joins half the time between the crossings of the
        upper and the lower edge of the error band and the spacing of frames over sqrt 12; it is
        None where an edge does not cross or where an error on the way there is not known. Nothing
        where the length starts at two or more or never reaches it.
    """
    known = np.isfinite(time) & np.isfinite(length)
    time, length, error, field = (v[known] for v in (time, length, error, field))
    on = np.flatnonzero(np.nan_to_num(np.abs(field)) > 0)
    if len(on):
        # A frame records the field from its time on; growth begins at the last frame without.
        first = max(int(on[0]) - 1, 0)
        time, length, error = (v[first:] for v in (time, length, error))
    middle = _crossing(time, length)
    if middle is None:
        return NOTHING
    early, late = _crossing(time, length + error), _crossing(time, length - error)
    if early is None or late is None or not math.isfinite(early + late):
        return Estimate(middle, None, 1)
    # A comparison with NaN is false, so an unknown error would pass for no crossing yet.
    if not np.isfinite(error[time <= time[0] + late]).all():
        return Estimate(middle, None, 1)
    frame = float(np.diff(time).max()) / math.sqrt(12.0)
    return Estimate(middle, math.hypot(0.5 * (late - early), frame), 1)


def _crossing(time: Floats, length: Floats) -> float | None:
    """Time after the first at which a curve first reaches `GROWN_LENGTH`, between samples."""
    above = np.flatnonzero(length >= GROWN_LENGTH)
    if len(above) == 0 or above[0] == 0:
        return None
    k = int(above[0])
    share = (GROWN_LENGTH - length[k - 1]) / (length[k] - length[k - 1])
    return float(time[k - 1] + share * (time[k] - time[k - 1]) - time[0])
