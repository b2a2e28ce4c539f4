"""The cell over the magnets, as read from a parameter file; part of `sim.parameters`."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["CellParameters"]


@dataclass(frozen=True)
class CellParameters:
    """The cell that holds the film, its centre at x = y = 0 and the film's mid-plane at z = 0.

    Attributes
    ----------
    width : tuple of float
        Sides (x, y) in m.
    place : tuple of float
        Where on the cell the patch lies: (x, y) of its centre in m.
    """

    width: tuple[float, float] = (20e-3, 20e-3)
    place: tuple[float, float] = (0.0, 0.0)
