"""What a run of a search measured of each quantity, from its measures and its hand-off."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.common import file_names
from sim.design.films import Measured
from sim.design.quantities import Scaled

if TYPE_CHECKING:
    from analysis.common.arrays import Floats

SAME = 1e-3
"""Wavelengths that differ by less than this share are the same."""


def measured_of(quantities: Sequence[Scaled]) -> Measured:
    """Return what reads values and errors of the quantities from the folder of a run."""

    def measured(folder: Path) -> tuple[Floats, Floats] | None:
        from analysis.sweeps.run import read_run

        run = read_run(folder)
        if run.status != "done":
            return None
        light = _handoff(folder)
        pairs = [_value(one, run.numbers, light) for one in quantities]
        values, errors = np.array(pairs, np.float64).T
        return values, errors

    return measured


def _handoff(folder: Path) -> dict[str, Any]:
    """Read the hand-off of a run; an empty one where there is none."""
    try:
        found = json.loads((folder / file_names.HANDOFF).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def _value(of: Scaled, numbers: dict[str, Any], handoff: dict[str, Any]) -> tuple[float, float]:
    """Return value and error; NaN where nothing was measured."""
    from analysis.uncertainty.number_text import value_and_error

    section, _, key = of.wanted.path.partition(".")
    if not section:
        return math.nan, math.nan
    if section == "light":
        entry = _at(handoff, of.wavelength or 0.0).get(key)
    elif section == "response":
        entry = handoff.get("response", {}).get(key)
    else:
        entry = numbers.get(section, {}).get(key)
    return value_and_error(entry)


def _at(handoff: dict[str, Any], wavelength: float) -> dict[str, Any]:
    """Return what light of a wavelength met; nothing where the run had another."""
    for light in handoff.get("light", []):
        if abs(light["wavelength_m"]["value"] - wavelength) < SAME * wavelength:
            return dict(light)
    return {}
