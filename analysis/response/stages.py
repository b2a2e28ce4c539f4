"""The section ``stages``: averages of every steady stage of the field."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np

from analysis.chains.measured_run import Section
from analysis.chains.series import ChainSeries
from analysis.chains.turning import MAGNETISATION, moment_structures
from analysis.common.arrays import Floats
from analysis.trajectory.run import Run
from analysis.trajectory.stages import STEADY, Stage, is_field_known

FEWEST_FRAMES = 4
"""A shorter stage has no second half to average."""
AVERAGED = ("mean_length", "weight_mean_length", "singles_fraction", "order", "magnetisation")
"""Series that are averaged, by which a stage names them."""


class StagesSection(Section):
    """Averages of the stages, from the series over all frames."""

    name = "stages"
    averages = False

    def numbers(self, warnings: list[str]) -> list[dict[str, Any]]:  # noqa: ARG002 - none to give
        """Return the section ``stages``; a field that is not recorded is None."""
        seen = self.seen
        found = stage_numbers(seen.run, seen.field, seen.series, seen.stage, seen.structures)
        unknown = {} if is_field_known(seen.run) else {"field_t": None}
        return [one | unknown for one in found]


def stage_numbers(
    run: Run,
    field: Floats,
    series: ChainSeries,
    last: Stage | None = None,
    structures: float | None = 1.0,
) -> list[dict[str, Any]]:
    """Return the averages of each steady stage, over its second half.

    Parameters
    ----------
    run : Run
        The trajectory.
    field : (frames, 3) array
        Field at every frame in T.
    series : ChainSeries
        Chain numbers of every frame.
    last : Stage, optional
        The stage that all other numbers are of.
    structures : float, optional
        How many independent structures its averaged frames hold, None where unknown.

    Returns
    -------
    list of dict
        ``start_s``, ``end_s``, ``from_time_s``, ``field_t`` and the keys of `AVERAGED`, each with
        value, error, samples and interval. The scatter between chains counts as that of one
        structure, but in the frames of ``last``, whose errors are those of the other sections.
    """
    found = []
    for first, end_frame in _stretches(field):
        start, end = float(run.times[first]), float(run.times[end_frame])
        middle = 0.5 * (start + end)
        frames = np.arange(first, end_frame + 1)
        frames = frames[run.times[frames] >= middle - 1e-9 * abs(end)]
        size = float(np.linalg.norm(field[end_frame]))
        known = last is not None and np.array_equal(frames, last.frames)
        own: dict[str, float | None] = dict.fromkeys(AVERAGED, structures if known else 1.0)
        own[MAGNETISATION] = moment_structures(run, MAGNETISATION, frames, size)
        averages = {name: series.average(name, frames, own[name]).as_dict() for name in AVERAGED}
        found.append(
            {"start_s": start, "end_s": end, "from_time_s": middle, "field_t": size, **averages}
        )
    return found


def _stretches(field: Floats) -> list[tuple[int, int]]:
    """Return first and last frame of each stretch of one field."""
    largest = float(np.linalg.norm(field, axis=1).max())
    changes = np.linalg.norm(np.diff(field, axis=0), axis=1) > STEADY * largest
    edges = [0, *(np.flatnonzero(changes) + 1).tolist(), len(field)]
    return [
        (first, end - 1) for first, end in itertools.pairwise(edges) if end - first >= FEWEST_FRAMES
    ]
