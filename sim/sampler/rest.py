"""Whether two films, one from single particles and one from long chains, have come to rest.

Both forget where they came from when all that is followed meets; films that differ by more than a
few errors have not met. Lengths alone are no proof: they may meet while energy and magnetisation
still differ.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.averages.memory import Memory, memory
from analysis.common.averages.student import ONE_SIGMA, student_factor
from analysis.common.averages.time_average import memory_error, time_error

__all__ = ["FOLLOWED", "Average", "Rest", "average_of", "judge", "times_needed"]

Floats = NDArray[np.float64]

FOLLOWED = ("energy", "mean_length", "weight_mean_length", "magnetisation", "spacing_m")
"""What is followed in each sweep, one column each: energy a particle in kT, lengths in particles
(bonds by distance and alignment), moment along the field over saturation, distance across the field
from a particle to the nearest level with it in another chain, in m and within the range alone."""

MEETING_ERRORS = 2.0
"""Averages of the two films may differ by so many errors of their difference.

Films that have met differ by more in one look of six; the run then goes on to the next look. With 3
errors a run would often end while the side of long chains is still on its way.
"""
CLEAR_ERRORS = 4.0
"""Beyond this many errors a difference is no chance, and whether it falls can be told."""
STILL = 1e-12
"""Values that scatter by no more than this share of the largest do not change."""
BLOCKS = 40
"""Averages over so many blocks of a series show what it remembers beneath its fast noise."""
FEWEST_TIMES = 8.0
"""An average over fewer correlation times is none: the time itself is then not known."""


@dataclass(frozen=True)
class Average:
    """The average of one series: its value, error, and the independent structures in it."""

    value: float
    error: float
    structures: float


@dataclass(frozen=True)
class Rest:
    """What two films say about rest.

    Attributes
    ----------
    reached : bool
        Whether all averages meet, each over enough structures.
    structures : float
        Independent structures of the film that is kept: the fewest of all that is followed.
    sweeps : int
        Sweeps averaged over, the last half of the run.
    reason : str
        One phrase.
    sides : dict
        By name of what is followed: values, errors and structures of both films, their difference
        in its errors, and that difference over the one in the quarter of the run before.
    more : float or None
        Times the sweeps so far after which films that differ would meet if they went on nearing
        each other as they have; None where they do not near, and 1 where they meet.
    """

    reached: bool
    structures: float
    sweeps: int
    reason: str
    sides: dict[str, dict[str, Any]]
    more: float | None


def in_blocks(values: Floats) -> Floats:
    """Return the averages over `BLOCKS` blocks of a series, or the series where it is too short."""
    length = max(1, len(values) // BLOCKS)
    blocks = len(values) // length
    kept = values[len(values) - blocks * length :]
    return np.asarray(kept.reshape(blocks, length).mean(axis=1))


def trend(blocks: Floats) -> Floats:
    """Return the straight line through a series, about its mean."""
    at = np.arange(len(blocks)) - 0.5 * (len(blocks) - 1)
    return np.asarray(at * (float(at @ blocks) / max(1.0, float(at @ at))))


def nearing(first: Floats, second: Floats) -> bool:
    """Return whether a gap between the blocks of two films falls by more than chance.

    By more than `MEETING_ERRORS` of its error, from what is left about its straight line: over the
    span of the blocks a line through values of an error e of their mean scatters by sqrt(12) e.
    """
    gap = second - first
    line = trend(gap)
    fall = float(line[-1] - line[0])
    left = gap - line
    error = math.sqrt(12.0) * memory_error(left, memory(left))
    return fall * float(gap.mean()) < 0.0 and abs(fall) > MEETING_ERRORS * error


def average_of(
    values: Floats, fast: Memory | None = None, wandering: float | None = None
) -> Average:
    """Return the average of a series with its error; by its own memory if none is given.

    The error is the largest that memory and blocks give, as that of a measured average is
    (`analysis.common.averages.time_average`), and ``wandering``, that of the memory of averages
    over `BLOCKS` blocks: numbers of chains change in a few sweeps, and their averages over hundreds
    of sweeps still wander with the ends that there are, which the autocorrelation of all notes does
    not see in the noise. A series that does not change holds no structures.
    """
    if not values.std() > STILL * max(1.0, float(np.abs(values).max())):
        return Average(float(values.mean()), 0.0, 0.0)
    error, freedom, structures = time_error(values, memory(values) if fast is None else fast)
    # not widened: who draws an interval does so by Student's law for the structures
    plain = (error or 0.0) / student_factor(ONE_SIGMA, freedom)
    if wandering is None:
        blocks = in_blocks(values)
        wandering = memory_error(blocks, memory(blocks))
    if wandering > plain:
        plain, structures = wandering, min(structures, float(values.var()) / wandering**2)
    return Average(float(values.mean()), plain, structures)


def judge(single: Floats, chained: Floats, every: int = 1) -> Rest:
    """Say whether two films have met.

    Parameters
    ----------
    single, chained : float64 (notes, len(FOLLOWED))
        What was followed of the film from single particles and of the one from chains.
    every : int
        Sweeps from one note to the next.

    Returns
    -------
    Rest
        Over the last half of both.
    """
    half = len(single) - len(single) // 2
    sweeps = half * every
    sides: dict[str, dict[str, Any]] = {}
    apart, fewest, more = [], math.inf, 1.0
    for column, name in enumerate(FOLLOWED):
        late = [film[-half:, column] for film in (single, chained)]
        before = [film[len(single) // 4 : len(single) - half, column] for film in (single, chained)]
        errors, side = compared(late, before)
        share = side["difference_over_before"]
        if errors > MEETING_ERRORS:
            words = f"{name.removesuffix('_m').replace('_', ' ')} by {errors:.2g} errors"
            if errors > CLEAR_ERRORS and share is not None:
                words += f" ({100.0 * share:.0f} % of the gap in the quarter of the run before)"
            apart.append(words)
            more = max(more, times_needed(errors, share))
        if math.hypot(side["from_singles_error"], side["from_chains_error"]) > 0.0:
            fewest = min(fewest, side["structures"])
        sides[name] = side
    structures = 0.0 if math.isinf(fewest) else fewest
    known = structures >= FEWEST_TIMES
    reason = (
        "the films from single particles and from long chains meet"
        if not apart
        else f"the films from single particles and from long chains differ in {', '.join(apart)}"
    )
    if not known:
        reason = (
            f"{sweeps} sweeps hold about {structures:.2g} independent structures, too few to tell "
            "whether the films from single particles and from long chains meet"
        )
    told = more if math.isfinite(more) else None
    return Rest(not apart and known, structures, sweeps, reason, sides, told)


def longest(series: list[Floats]) -> Memory:
    """Return the longest memory of some series."""
    return max((memory(values) for values in series), key=lambda one: one.time)


def compared(late: list[Floats], before: list[Floats]) -> tuple[float, dict[str, Any]]:
    """Compare one number of both films, over the last half of a run and the quarter before.

    Returns
    -------
    float
        Their difference in its errors.
    dict
        An entry of `Rest.sides`.
    """
    # both are films of one kind: the longer memory is that of both, and a short one is chance
    longer = longest(late)
    blocks = [in_blocks(values) for values in late]
    if nearing(*blocks):  # what is left of the start would count as noise and hide itself
        blocks = [one - trend(one) for one in blocks]
    slow = longest(blocks)
    first, second = (
        average_of(values, longer, memory_error(one, slow))
        for values, one in zip(late, blocks, strict=True)
    )
    error = math.hypot(first.error, second.error)
    difference = abs(first.value - second.value)
    errors = difference / error if error > 0.0 else (0.0 if difference == 0.0 else math.inf)
    gap = abs(float(before[0].mean() - before[1].mean())) if len(before[0]) else 0.0
    return errors, {
        "from_singles": first.value,
        "from_singles_error": first.error,
        "from_chains": second.value,
        "from_chains_error": second.error,
        "difference_in_errors": errors if math.isfinite(errors) else None,
        "difference_over_before": difference / gap if gap > 0.0 else None,
        "structures": min(first.structures, second.structures),
    }


def times_needed(errors: float, share: float | None) -> float:
    """Return after how many times the sweeps films that differ would meet; infinite if never.

    A difference that may be chance is given twice as many.

    Parameters
    ----------
    errors : float
        Difference of the last half in its errors.
    share : float or None
        That difference over the one in the quarter before.

    Notes
    -----
    A gap that falls as exp(-t/tau) by ``share`` between the middles of both, 3/8 and 3/4 of the run
    of T sweeps, has tau = 3 T/(8 ln(1/share)); the middle of the last half is then 3/4 T +
    tau ln(errors/2) where the gap is as wide as is allowed.
    """
    if errors <= CLEAR_ERRORS:
        return 2.0
    if share is None or share >= 1.0:
        return math.inf
    if share == 0.0:
        return 1.0
    return 1.0 + 0.5 * math.log(errors / MEETING_ERRORS) / math.log(1.0 / share)
