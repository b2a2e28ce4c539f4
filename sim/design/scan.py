"""Theory over the box: films of all parts of it are foretold, what lies between is interpolated."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from analysis.common.arrays import Floats
from sim.design.box import Box
from sim.design.quantities import Scaled
from sim.parameters.toml import ParameterError
from sim.sweeps.reading import Settings

PLACES_PER_KEY = 24
"""Films that are foretold, for each free key and once more."""
HOPELESS = 1e-3
"""Where theory, with its bands, gives the wishes smaller odds, no first film is run."""

Foretold = Callable[[Settings], Floats]
"""Takes settings, returns what theory says of the film in SI; ParameterError where it is none."""


@dataclass(frozen=True)
class Scan:
    """What theory says over the box; a `sim.design.task.Theory`.

    Attributes
    ----------
    quantities : tuple of Scaled
        What was foretold.
    points : (places, keys) array
        Places of the box that are films.
    found : (places, quantities) array
        On the scales of the quantities; NaN where theory says nothing.
    fluids : (fluids, places, quantities) array
        What each fluid of an ensemble changes of that; one without changes where there is none.
    refused : int
        Places that are no film.
    reason : str
        Why the first of these is none.
    """

    quantities: tuple[Scaled, ...]
    points: Floats
    found: Floats
    fluids: Floats
    refused: int = 0
    reason: str = ""

    @cached_property
    def _between(self) -> Any:
        return _interpolated(self.points, self.found)

    @cached_property
    def _between_fluids(self) -> Any:
        count, places, quantities = self.fluids.shape
        flat = np.moveaxis(self.fluids, 0, 1).reshape(places, count * quantities)
        return _interpolated(self.points, flat)

    def values(self, points: Floats) -> Floats:
        """Return (n, quantities) values at (n, keys) points."""
        return np.asarray(self._between(points)) if len(points) else self.found[:0]

    def shifts(self, points: Floats) -> Floats:
        """Return what each fluid of the ensemble changes, (fluids, n, quantities)."""
        count, _, quantities = self.fluids.shape
        if count == 1 or not len(points):
            return np.zeros((count, len(points), quantities))
        flat = np.asarray(self._between_fluids(points)).reshape(len(points), count, quantities)
        return np.moveaxis(flat, 1, 0)


def _interpolated(points: Floats, values: Floats) -> Any:
    """Return a smooth function through values at points, where unknown through their median.

    Notes
    -----
    Thin plates: J. Duchon, Lecture Notes in Mathematics 571, 85 (1977) (from memory).
    """
    from scipy.interpolate import RBFInterpolator

    known = np.isfinite(values)
    middle = np.zeros(values.shape[1])
    some = known.any(axis=0)
    middle[some] = np.nanmedian(np.where(known, values, np.nan)[:, some], axis=0)
    filled = np.where(known, values, middle)
    if len(points) <= points.shape[1] + 1:
        return RBFInterpolator(points, filled, kernel="linear", degree=0)
    return RBFInterpolator(points, filled, neighbors=min(len(points), 80))


def scan(
    box: Box,
    quantities: Sequence[Scaled],
    foretold: Sequence[Foretold],
    places: int | None = None,
    tell: Callable[[int, int], None] = lambda _done, _all: None,
) -> Scan:
    """Foretell films of all parts of the box.

    Parameters
    ----------
    box : Box
        The box.
    quantities : sequence of Scaled
        What to foretell.
    foretold : sequence of callable
        What theory says of a film with given settings: of the file's own fluid first, then of each
        fluid of an ensemble.
    places : int, optional
        Films to foretell.
    tell : callable
        Takes films done and all of them.

    Returns
    -------
    Scan
        What theory says.

    Raises
    ------
    ParameterError
        If no place of the box is a film, with the mistakes of the first one.
    """
    places = places or PLACES_PER_KEY * (box.size + 1)
    kept, found, fluids, refused, first = [], [], [], 0, None
    for number, point in enumerate(box.spread(places, 0)):
        tell(number, places)
        settings = box.settings(point)
        try:
            row = _scaled(quantities, foretold[0](settings))
            others = [_scaled(quantities, law(settings)) - row for law in foretold[1:]]
        except ParameterError as error:
            refused, first = refused + 1, first or error
            continue
        kept.append(box.point(settings))
        found.append(row)
        fluids.append(others or [np.zeros(len(quantities))])
    tell(places, places)
    if not kept:
        raise _no_film(first)
    changes = np.nan_to_num(np.moveaxis(np.array(fluids), 1, 0))
    reason = first.problems[0] if first else ""
    return Scan(tuple(quantities), np.array(kept), np.array(found), changes, refused, reason)


def _no_film(first: ParameterError | None) -> ParameterError:
    """Say that all of the ranges is refused, and why the first place is."""
    must = "[free] of the wish must have ranges with some film"
    if first is None:
        return ParameterError("film", [f"{must}; there is none."])
    return ParameterError(first.name, [f"{must}; of the first place there: {first.problems[0]}"])


def _scaled(quantities: Sequence[Scaled], values: Floats) -> Floats:
    return np.array([float(one.scaled(v)) for one, v in zip(quantities, values, strict=True)])
