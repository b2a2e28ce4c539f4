"""What is drawn of a bottle: plain arrays in SI."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from analysis.common.arrays import Floats


@dataclass(frozen=True)
class Band:
    """A fitted curve among all that are likely.

    Attributes
    ----------
    x, best, low, high : float64 (points,)
        Places, the fluid that fits best, and the ends between which 95 % of the fluids lie.
    """

    x: Floats
    best: Floats
    low: Floats
    high: Floats


@dataclass(frozen=True)
class CurveFit:
    """A measured curve and its fit.

    Attributes
    ----------
    x, y, error : float64 (points,)
        Measured.
    fit : Band
        Of the fluids that fit.
    alone : float64 (points,)
        The best fluid at ``fit.x`` if its particles did not feel each other; empty where not known.
    """

    x: Floats
    y: Floats
    error: Floats
    fit: Band
    alone: Floats


@dataclass(frozen=True)
class Shown:
    """An unknown of the fluid.

    Attributes
    ----------
    words, unit : str
        What it is, and its SI unit.
    likely, members : float64 (fluids,)
        Its values in all fluids that fit, and in those of the ensemble.
    """

    words: str
    unit: str
    likely: Floats
    members: Floats


@dataclass(frozen=True)
class Bottle:
    """All that the page of a bottle shows.

    Attributes
    ----------
    content : dict
        Content of fluid.json.
    unknowns : tuple of Shown
        Those sought.
    curve : CurveFit or None
        H and M in A/m.
    real, loss : CurveFit or None
        chi' and chi'' over the frequency in Hz.
    by_number, by_volume : Band
        Densities of core diameters, 1/m, over diameters in m.
    film : str
        Tables that can be pasted into a film.
    ensemble : str
        Name of the file of the ensemble.
    """

    content: dict[str, Any]
    unknowns: tuple[Shown, ...]
    curve: CurveFit | None
    real: CurveFit | None
    loss: CurveFit | None
    by_number: Band
    by_volume: Band
    film: str
    ensemble: str
