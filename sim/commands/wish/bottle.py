"""The fluids of a wish: which of an ensemble are reckoned with, and which one is run."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import tomli_w

from sim.design.box import Box, one_number
from sim.design.wish import WishFile
from sim.fluid.ensemble import Fluid, read_ensemble, with_fluid, without_amount
from sim.parameters.checks import FRACTIONS
from sim.parameters.load import from_text

MOST_FLUIDS = 12
"""Fluids of an ensemble that are reckoned with, evenly from all of them."""


def fluids_of(wish: WishFile) -> list[Fluid]:
    """Return the fluids that a wish reckons with; none without an ensemble.

    Raises
    ------
    ParameterError
        If the file of the ensemble cannot be read.
    """
    if wish.ensemble is None:
        return []
    fluids = read_ensemble(wish.ensemble).fluids
    chosen = np.unique(np.linspace(0, len(fluids) - 1, MOST_FLUIDS).round().astype(int))
    return [fluids[k] for k in chosen]


def tables_with(tables: Mapping[str, Any], box: Box, fluid: Fluid) -> dict[str, Any]:
    """Put a fluid into the film of a wish; an amount of particles that is free goes before its."""
    found = with_fluid(tables, fluid)
    for key in box.keys:
        if key.key.path in {f"particles.{name}" for name in FRACTIONS}:
            found["particles"] = without_amount(found["particles"])
            found = key.key.set(found, key.written(key.value(0.5)))
    return found


def with_bottle(wish: WishFile) -> WishFile:
    """Return a wish whose film has the middle fluid of its ensemble; the same without one.

    Raises
    ------
    ParameterError
        If the ensemble cannot be read, or its fluid and the film make no film.
    """
    fluids = fluids_of(wish)
    if not fluids:
        return wish
    tables = tables_with(wish.tables, wish.box, fluids[_middle(fluids)])
    name = str(Path(wish.base.folder) / wish.base.name)
    return replace(wish, tables=tables, base=from_text(tomli_w.dumps(tables), name))


def _middle(fluids: Sequence[Fluid]) -> int:
    """Return the number of the fluid that lies nearest the middle of all in its numbers."""
    rows = [
        {
            f"{part}.{key}": float(must.read(value))
            for part, keys in fluid.items()
            for key, value in keys.items()
            if (must := one_number(f"{part}.{key}")) is not None
        }
        for fluid in fluids
    ]
    shared = [path for path in rows[0] if all(path in row for row in rows)]
    numbers = np.array([[row[path] for path in shared] for row in rows]).reshape(len(rows), -1)
    spread = numbers.std(axis=0)
    apart = (numbers - np.median(numbers, axis=0)) / np.where(spread > 0.0, spread, 1.0)
    return int(np.argmin((apart**2).sum(axis=1)))
