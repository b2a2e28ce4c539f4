"""By how much the flow that particles stir up changes times: factors measured once, with errors.

A factor is the time without that flow over the time with it, so that times of a run without it are
divided by it. It is below 1 where the flow slows: particles that approach each other must squeeze
the liquid out between them, and windows hold them back, so that growth from single particles takes
longer (as coagulation does: L. A. Spielman, J. Colloid Interface Sci. 33, 562 (1970), from memory).
Long chains carry each other along and turn sooner.

Source: `python -m tests.benchmarks.flow_factors`, films of equal particles with soft cores with and
without the flow, from the same starts: growth at coupling 5 in a field of Langevin parameter 12,
2 films of 256 to 400 particles an entry; decay at coupling 3.5, half times, 4 and 2 films; turning
at coupling 8 after a turn of the field by 45 degrees, 5 films. Errors are standard errors by the
scatter of all entries of a kind. Turning holds besides what the flow of spheres that turn adds,
which the simulated flow leaves out (`tests/published/test_flow.py`).
"""

from __future__ import annotations

import math
from typing import NamedTuple

METHOD = 0.05
"""Relative error of the simulated flow itself: touching pairs move 3 to 5 % faster than real ones.
"""

Row = tuple[tuple[float, float, float], ...]
Rows = dict[float, Row]

GROWTH: dict[tuple[float, float], Row] = {
    (0.01, 12.0): ((1.5, 0.621, 0.065), (2.0, 0.709, 0.074), (3.0, 0.895, 0.094)),
    (0.01, 30.0): ((1.5, 0.793, 0.083), (2.0, 0.791, 0.083), (3.0, 0.685, 0.072)),
    (0.03, 12.0): (
        (1.5, 0.598, 0.063), (2.0, 0.627, 0.066), (3.0, 0.523, 0.055), (4.0, 0.557, 0.058),
        (6.0, 0.689, 0.072),
    ),
    (0.03, 30.0): (
        (1.5, 0.658, 0.069), (2.0, 0.710, 0.074), (3.0, 0.706, 0.074), (4.0, 0.895, 0.094),
        (6.0, 0.807, 0.084),
    ),
    (0.1, 12.0): (
        (1.5, 0.625, 0.065), (2.0, 0.629, 0.066), (3.0, 0.623, 0.065), (4.0, 0.558, 0.058),
        (6.0, 0.560, 0.059),
    ),
    (0.1, 30.0): (
        (1.5, 0.692, 0.072), (2.0, 0.691, 0.072), (3.0, 0.605, 0.063), (4.0, 0.595, 0.062),
        (6.0, 0.600, 0.063),
    ),
}  # fmt: skip
"""By volume fraction and thickness in diameters: (mean length, factor, error) of growth to it."""

DECAY: Rows = {12.0: ((0.01, 1.207, 0.201), (0.1, 1.134, 0.267))}
"""By thickness in diameters: (volume fraction, factor, error)."""

TURNING: Rows = {12.0: ((2.0, 0.82, 0.035), (5.0, 1.09, 0.047), (10.0, 1.175, 0.050))}
"""By thickness in diameters: (length, factor, error); measured 0.652, 1.014 and 1.150, times 1.26,
1.077 and 1.022 for the flow of spheres that turn."""


class Factor(NamedTuple):
    """A time without the flow that particles stir up over the time with it.

    Attributes
    ----------
    value : float
    error : float
        Standard error, that of the method included.
    inside : bool
        Whether the film lies within what was measured; else the nearest there stands for it.
    """

    value: float
    error: float
    inside: bool


def growth_factor(length: float, fraction: float, thickness: float) -> Factor:
    """Return the factor of the growth from single particles to a mean length.

    Parameters
    ----------
    length : float
        Mean number of particles in a chain, single ones included.
    fraction : float
        Volume fraction of the particles.
    thickness : float
        Thickness of the film in particle diameters.
    """
    rows = []
    for thick in sorted({mark for _, mark in GROWTH}):
        corners = [
            (one, *_on(row, length)) for (one, mark), row in sorted(GROWTH.items()) if mark == thick
        ]
        rows.append((thick, *_between(corners, fraction)))
    return _told(_between(rows, thickness))


def decay_factor(fraction: float, thickness: float) -> Factor:
    """Return the factor of how lengths fall after the field is switched off."""
    return _over_thickness(DECAY, fraction, thickness)


def turning_factor(length: float, thickness: float) -> Factor:
    """Return the factor of how chains of a length follow a field that has turned."""
    return _over_thickness(TURNING, length, thickness)


def factors_of(length: float, fraction: float, thickness: float) -> dict[str, Factor]:
    """Return the factors of growth, decay and turning; see `growth_factor` for the arguments."""
    known = max(1.0, length)
    return {
        "growth": growth_factor(known, fraction, thickness),
        "decay": decay_factor(fraction, thickness),
        "turning": turning_factor(known, thickness),
    }


def _over_thickness(rows: Rows, place: float, thickness: float) -> Factor:
    """Return the factor at a place on the rows of a film's thickness."""
    return _told(_between([(thick, *_on(row, place)) for thick, row in rows.items()], thickness))


def _on(row: Row, place: float) -> tuple[float, float, bool]:
    """Return (ln factor, its error, whether the place is within the row)."""
    return _between([(mark, math.log(v), error / v, True) for mark, v, error in row], place)


def _between(
    marks: list[tuple[float, float, float, bool]], place: float
) -> tuple[float, float, bool]:
    """Return (value, error, inside) at a place on straight lines over its logarithm."""
    slack = 1e-9
    inside = marks[0][0] * (1.0 - slack) <= place <= marks[-1][0] * (1.0 + slack)
    place = min(max(place, marks[0][0]), marks[-1][0])
    above = next(k for k, mark in enumerate(marks) if mark[0] >= place)
    one, other = marks[max(0, above - 1)], marks[above]
    step = math.log(other[0] / one[0])
    share = math.log(place / one[0]) / step if step else 1.0
    ends = [(1.0 - share, one), (share, other)]
    value = sum(weight * mark[1] for weight, mark in ends)
    error = math.hypot(*(weight * mark[2] for weight, mark in ends))
    return value, error, inside and all(mark[3] for weight, mark in ends if weight > 0.0)


def _told(found: tuple[float, float, bool]) -> Factor:
    value = math.exp(found[0])
    return Factor(value, value * math.hypot(found[1], METHOD), found[2])
