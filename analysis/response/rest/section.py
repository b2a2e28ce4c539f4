"""Section ``way_to_rest``: how the mean length comes to rest after switch-on and switch-off."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from analysis.chains.measured_run import Frame, MeasuredRun, Section
from analysis.chains.series import ChainSeries
from analysis.chains.shapes import OTHER_SHAPES, SPANNING
from analysis.common import file_names
from analysis.common.arrays import Floats
from analysis.files.curve import Curve, Table
from analysis.response.decay_numbers import frame_at, switch_off_time
from analysis.response.growth import switch_off
from analysis.response.rest.continuation import Continuation, continued
from analysis.response.rest.fit import (
    FEWEST_BINS,
    STEADY_RATE,
    Expected,
    Watched,
    time_bins,
)
from analysis.response.rest.rates import Meetings
from analysis.trajectory.run import Run
from analysis.trajectory.stages import STEADY, Stage, is_field_known
from analysis.uncertainty.estimate import NOTHING, Estimate
from analysis.uncertainty.number_text import as_float

LEVEL_ROWS = (2, 1, 3, 0, 4)
"""Row of the levels of a continuation under each of the last five columns of its curve."""

LEAST_SPREAD = 0.45
"""Standard deviation of ln(length - 1) of a predicted length, at least."""

PREDICTED_BAND = math.log(2.5)
"""The same where the estimate from neighbours alone is not recorded."""

READJUSTED = 0.3
"""Time in d^2/D after switch-off from which on the equations hold: by then moments that the field
held have turned and branches have come off, which takes no diffusion."""

POOLED = 0.2
"""Frames whose times differ by no more than this share tell the lengths at that time together."""

STARTED = 1.1
"""A film of a mean length below this one counts as single particles."""

SEEN, LEAST_CHANGE = 4.0, 0.01
"""A change of the mean length must be so many times the scatter from frame to frame, and so much.
"""


@dataclass(frozen=True)
class WayToRest(Curve):
    """Ways one below the other: after what, time since then in s, mean length and its bands."""

    NAME: ClassVar = "way_to_rest"
    TABLE: ClassVar = Table(file_names.WAY_TO_REST)
    after: NDArray[np.str_]
    time_s: Floats
    mean_length: Floats
    low_68: Floats
    high_68: Floats
    low_95: Floats
    high_95: Floats


class WayToRestSection(Section):
    """How the mean length comes to rest."""

    name = "way_to_rest"
    averages = False

    def __init__(self, seen: MeasuredRun) -> None:
        super().__init__(seen)
        self.bundled: list[float] = []

    def add(self, frame: Frame) -> None:
        """Look at how many particles are in bundles."""
        if frame.detailed and frame.moments is not None:
            self.bundled.append(_bundled(frame))

    def numbers(self, warnings: list[str]) -> dict[str, Any]:
        """Return the section, see `way_numbers`."""
        seen = self.seen
        bundled = float(np.mean(self.bundled)) if self.bundled else None
        found = way_numbers(seen.run, seen.series, seen.field, seen.stage, bundled, warnings)
        section, course = found
        self.drawn.append(course)
        return section


def _bundled(frame: Frame) -> float:
    """Return the share of the particles in bundles of two chains and more."""
    group, bundle = frame.chains.group, frame.bundle
    inside = bundle >= 0
    held = np.unique(np.stack([bundle[inside], group[inside]]), axis=1)[0]
    strands = np.bincount(held, minlength=1)
    return float(np.mean(inside & (strands[np.maximum(bundle, 0)] > 1)))


@dataclass(frozen=True)
class _Way:
    """One way of a run: its frames, when it began in s, its expected end, whether it falls."""

    frames: NDArray[np.int64]
    start: float
    predicted: str
    falls: bool = False

    def expected(self, run: Run) -> Expected | None:
        """Return the recorded prediction.

        Between the estimate with all neighbours and that from pairs alone, in the middle of the
        logarithms of their excess over one; the two lie 1.5 standard deviations away from it.
        """
        full = as_float(run.derived.get(self.predicted)) - 1.0
        pairs = as_float(run.derived.get(f"{self.predicted}_neighbours_only")) - 1.0
        if not full > 0.0:
            return None
        if not pairs > 0.0:
            return Expected(1.0 + full, PREDICTED_BAND)
        spread = max(LEAST_SPREAD, abs(math.log(full / pairs)) / 3.0)
        return Expected(1.0 + math.sqrt(full * pairs), spread)


def way_numbers(
    run: Run,
    series: ChainSeries,
    field: Floats,
    stage: Stage,
    bundled: float | None,
    warnings: list[str],
) -> tuple[dict[str, Any], WayToRest]:
    """Return the section ``way_to_rest`` and its curve.

    Parameters
    ----------
    run, series : Run, ChainSeries
        The trajectory and its series.
    field : (frames, 3) array
        Field at every frame in T.
    stage : Stage
        The last steady stage.
    bundled : float or None
        Share of the particles that is in bundles of chains in the last stage.
    warnings : list of str
        Takes the reasons why a way cannot be told.

    Returns
    -------
    (dict, WayToRest)
        Behind ``switch_on_`` (the start of a film whose field is there from the beginning or never)
        and, where the field goes off, ``switch_off_``: start_s, seen_until_s (since the start),
        start_length, expected_length, reason (null where the way is told), and measured
        rest_length, half_time_s, rest_time_s (90 % of the way), joining_rate_per_s and
        joining_fall; and the ways.
    """
    section: dict[str, Any] = {}
    found: dict[str, Continuation] = {}
    for name, way in (("switch_on", _on(run, field)), ("switch_off", _off(run, field, stage))):
        if way is None:
            continue
        ends_here = bool(way.frames[-1] == run.frames - 1)
        expected = way.expected(run)
        reason = _withheld(run, series, field, stage, way)
        reason = reason or _other_shapes(series, way, bundled if ends_here else None)
        if reason is None and expected is None:
            reason = "no chains are expected, or the file records no predicted length"
        watched = None
        if reason is None:
            watched, reason = _watched(run, series, way)
        if watched is not None and expected is not None:
            found[name] = continued(watched, expected)
        entries = {
            "start_s": way.start,
            "seen_until_s": float(run.times[way.frames[-1]]) - way.start,
            "start_length": float(series.values["mean_length"][way.frames[0]]),
            "expected_length": None if expected is None else expected.length,
            "reason": reason,
            **_numbers(found.get(name), watched),
        }
        section |= {f"{name}_{key}": value for key, value in entries.items()}
        if reason is not None:
            warnings.append(f"way_to_rest.{name}_rest_length: {reason}")
    return section, _curve(found)


def _on(run: Run, field: Floats) -> _Way | None:
    """Return the way from switch-on to the next change of the field, or to the end.

    None where the field was on before the run, and goes off as it begins.
    """
    size = np.linalg.norm(field, axis=1)
    on = size > 0.5 * size.max(initial=0.0) if size.max(initial=0.0) > 0.0 else size >= 0.0
    first = int(np.argmax(on))
    stop = first + int(np.argmin(np.append(on[first:], False)))
    if run.field_before is not None and stop == 1:
        return None
    before = max(0, first - 1)
    frames = np.arange(before, stop)
    return _Way(frames, float(run.times[before]), "predicted_mean_length")


def _off(run: Run, field: Floats, stage: Stage) -> _Way | None:
    """Return the way from switch-off to the end, None where the field does not go off."""
    last_on = switch_off(field) if stage.swing is None else None
    if last_on is None:
        return None
    start, _ = switch_off_time(run, last_on)
    frames = np.arange(frame_at(run.times, start), run.frames)
    # A run whose field is off from its first step predicts the length without one.
    off = "predicted_mean_length_off"
    expected = off if run.derived.get(off) is not None else "predicted_mean_length"
    return _Way(frames, start, expected, falls=True)


def _withheld(run: Run, series: ChainSeries, field: Floats, stage: Stage, way: _Way) -> str | None:
    """Return why a way follows no rate equations with steady rates."""
    if run.is_sampled:
        return "the run samples the film at rest, and tells nothing of the way there"
    if not series.lengths:
        return "the file holds no moments, so that bonds are not known"
    if not is_field_known(run):
        return "the file records no field"
    if stage.swing is not None:
        return "the field turns or oscillates, so that no length is at rest"
    size = np.linalg.norm(field, axis=1)
    inner = field[way.frames[1:]]
    if len(inner) and np.abs(inner - inner[-1]).max() > STEADY * size.max():
        return "the field changed on the way"
    return None


def _other_shapes(series: ChainSeries, way: _Way, bundled: float | None) -> str | None:
    """Return why the chains at the end of a way are none."""
    late = way.frames[-max(1, len(way.frames) // 4) :]
    shares = [series.values[name][late] for name in ("ring_share", "branched_share")]
    forked = float(np.nanmean(shares[0] + shares[1])) if np.isfinite(shares).all() else 0.0
    if forked >= OTHER_SHAPES:
        return (
            f"{100.0 * forked:.0f} % of the particles are in rings and branched groups, so that "
            "no length of single chains comes to rest"
        )
    if bundled is not None and bundled >= OTHER_SHAPES:
        return (
            f"{100.0 * bundled:.0f} % of the particles are in bundles of chains, so that no length "
            "of single chains comes to rest (chains.bundles has their width)"
        )
    return None


def _watched(run: Run, series: ChainSeries, way: _Way) -> tuple[Watched | None, str | None]:
    """Return what is seen of a way, or why it is too little."""
    length = series.values["mean_length"][way.frames]
    share = series.values["spanning_share"][way.frames]
    use, past = np.isfinite(length), np.flatnonzero(share >= SPANNING)
    spanning = bool(len(past)) and float(share[past[0] :].mean()) >= SPANNING
    if spanning:
        use[past[0] :] = False
    frames = way.frames[use]
    times, length = np.maximum(run.times[frames] - way.start, 0.0), length[use]
    begin = 0
    if way.falls and len(times):
        held = READJUSTED * as_float(run.derived.get("diffusion_time_s"))
        begin = min(int(np.searchsorted(times, held)), len(times) - 1) if held > 0.0 else 0
    late = times[begin:] - times[begin] if len(times) else times
    if time_bins(late[late > 0.0]) < FEWEST_BINS:
        more = f" before {100 * SPANNING:.0f} % of the particles are in endless ones"
        return None, f"too few frames show chains{more if spanning else ''}"
    steps = np.diff(length[begin:])
    flicker = 1.4826 * float(np.median(np.abs(steps))) / math.sqrt(2.0)
    change = float(length[-max(1, len(steps) // 4) :].mean() - length[0])
    if not abs(change) > max(SEEN * flicker, LEAST_CHANGE):
        return None, "no growth or decay stands out of the scatter from frame to frame"
    near = np.abs(times - times[begin]) <= POOLED * times[begin]
    first = np.concatenate([series.lengths[int(frame)] for frame in frames[near]])
    before = (times[: begin + 1], length[: begin + 1]) if begin else (None, None)
    singles = not way.falls and float(first.mean()) < STARTED
    chains = None if singles else first
    return Watched(late, length[begin:], run.held, chains, _meetings(run), *before), None


def _meetings(run: Run) -> Meetings:
    """Return how often particles meet, by what the file records."""
    time, fraction = (as_float(run.derived.get(k)) for k in ("diffusion_time_s", "volume_fraction"))
    known = time > 0.0 and fraction > 0.0
    return Meetings(time, fraction) if known else STEADY_RATE


def _numbers(way: Continuation | None, watched: Watched | None) -> dict[str, Any]:
    """Return the measured entries of one way."""
    samples = 1 if watched is None else max(1, time_bins(watched.times[watched.times > 0.0]))
    names = {
        "rest_length": "rest", "half_time_s": "halfway", "rest_time_s": "mostly",
        "joining_rate_per_s": "pace", "joining_fall": "fall",
    }  # fmt: skip
    if way is None:
        return {key: NOTHING.as_dict() for key in names}
    return {key: _entry(getattr(way, name), samples) for key, name in names.items()}


def _entry(levels: Floats, samples: int) -> dict[str, Any]:
    """Return the median with half the band of one standard error, that band, and that of 95 %."""
    low, below, middle, above, high = (float(level) for level in levels)
    entry = Estimate(middle, 0.5 * (above - below), samples).as_dict()
    return {**entry, "interval_68": [below, above], "interval_95": [low, high]}


def _curve(found: dict[str, Continuation]) -> WayToRest:
    """Return the continued ways one below the other."""
    if not found:
        return WayToRest.empty()
    names = [name.replace("_", "-") for name, way in found.items() for _ in way.times]
    lengths = np.hstack([way.lengths[list(LEVEL_ROWS)] for way in found.values()])
    times = np.concatenate([way.times for way in found.values()])
    return WayToRest(np.array(names), times, *lengths)
