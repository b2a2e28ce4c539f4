"""All quantities, and those that are shown in one place, in its order."""

from __future__ import annotations

from operator import attrgetter
from typing import Literal

from analysis.quantities.chains import ALIGNMENT, CHAINS
from analysis.quantities.quantity import Quantity
from analysis.quantities.response import (
    GROWTH_TIME,
    MAGNETISATION,
    RELAXATION,
    WAY_TO_REST,
    WITH_FLOW,
)
from analysis.quantities.simulated import SIMULATED
from analysis.quantities.spacing import SPACING

__all__ = ["MEASURED", "SIMULATED", "quantity", "shown"]

MEASURED = (*CHAINS, *SPACING, *ALIGNMENT, *MAGNETISATION, *RELAXATION, *WAY_TO_REST, *WITH_FLOW)
"""Every measured number of measures.json, and computed ones that are shown beside them."""

_BY_PATH = {one.path: one for one in (*MEASURED, GROWTH_TIME, *SIMULATED)}


def quantity(path: str) -> Quantity:
    """Return the quantity of a path in measures.json, such as "chains.mean_length".

    Raises
    ------
    KeyError
        Where none is declared.
    """
    return _BY_PATH[path]


def shown(place: Literal["screen", "sweep", "spacing_table", "handoff"]) -> tuple[Quantity, ...]:
    """Return what one place shows, in its order."""
    found = [one for one in _BY_PATH.values() if getattr(one, place)]
    return tuple(sorted(found, key=attrgetter(place)))
