"""By how much the flow that particles stir up changes times: factors measured once, with errors.

A factor is the time without that flow over the time with it, so that times of a run without it are
divided by it. It is below 1 where the flow slows: particles that approach each other must squeeze
the liquid out between them, and windows hold them back, so that growth from single particles takes
longer (as coagulation does: L. A. Spielman, J. Colloid Interface Sci. 33, 562 (1970), from memory).
Long chains carry each other along and turn sooner.

Source: `python -m tests.benchmarks.flow_factors`, films of equal particles with soft cores with and
without the flow, from the same starts: growth at coupling 5 in a field of Langevin parameter 12, 4
to 9 films of 256 to 400 particles an entry (40 at 5 diameters); decay at coupling 3.5, half times,
18 or 26 films; turning at coupling 8 after a turn of the field by 45 degrees, 7 to 12 films; rows
of 20 then bend, and follow in pieces. Errors are standard errors by the scatter of an entry, where
it has fewer than 12 films by that of all of a kind. Turning holds besides what the flow of spheres
that turn adds, which the simulated flow leaves out (`tests/published/test_flow_pairs.py` has what
else it lacks).
"""

from __future__ import annotations

import math
from typing import NamedTuple

METHOD = 0.05
"""Relative error of the simulated flow itself: touching pairs move 4 to 5 % faster than real ones,
and two dipoles that approach meet 3 % sooner."""

Row = tuple[tuple[float, float, float], ...]
Rows = dict[float, Row]

GROWTH: dict[tuple[float, float], Row] = {
    (0.01, 12.0): ((1.5, 0.652, 0.036), (2.0, 0.737, 0.041), (3.0, 0.899, 0.050)),
    (0.01, 30.0): ((1.5, 0.715, 0.036), (2.0, 0.773, 0.039), (3.0, 0.791, 0.040)),
    (0.03, 12.0): (
        (1.5, 0.620, 0.032), (2.0, 0.615, 0.031), (3.0, 0.620, 0.032), (4.0, 0.626, 0.032),
        (6.0, 0.669, 0.034),
    ),
    (0.03, 30.0): (
        (1.5, 0.657, 0.030), (2.0, 0.653, 0.029), (3.0, 0.709, 0.032), (4.0, 0.796, 0.036),
        (6.0, 0.868, 0.039),
    ),
    (0.1, 5.0): (
        (1.5, 0.620, 0.011), (2.0, 0.641, 0.009), (3.0, 0.585, 0.011), (4.0, 0.572, 0.011),
        (6.0, 0.559, 0.015),
    ),
    (0.1, 12.0): (
        (1.5, 0.654, 0.033), (2.0, 0.666, 0.034), (3.0, 0.643, 0.033), (4.0, 0.635, 0.032),
        (6.0, 0.597, 0.030),
    ),
    (0.1, 30.0): (
        (1.5, 0.700, 0.047), (2.0, 0.706, 0.048), (3.0, 0.613, 0.041), (4.0, 0.666, 0.045),
        (6.0, 0.605, 0.041),
    ),
}  # fmt: skip
"""By volume fraction and thickness in diameters: (mean length, factor, error) of growth to it."""

DECAY: Rows = {
    12.0: ((0.01, 0.949, 0.046), (0.1, 0.920, 0.099)),
    30.0: ((0.01, 0.947, 0.038), (0.1, 0.878, 0.082)),
}
"""By thickness in diameters: (volume fraction, factor, error)."""

TURNING: Rows = {
    12.0: ((2.0, 0.832, 0.023), (5.0, 1.109, 0.031), (10.0, 1.165, 0.033), (20.0, 0.880, 0.032)),
    30.0: ((2.0, 0.848, 0.024), (5.0, 1.151, 0.032), (10.0, 1.248, 0.035), (20.0, 0.923, 0.026)),
}
"""By thickness in diameters: (length, factor, error); measured 0.660, 1.030, 1.140 and 0.877, and
0.673, 1.069, 1.221 and 0.920, times 1.26, 1.077, 1.022 and 1.003 for the flow of spheres that turn.
"""


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
