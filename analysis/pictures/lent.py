"""Axes of the caller's own that a figure is drawn into."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from contextvars import ContextVar
from functools import cached_property
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LENT: ContextVar[Axes | None] = ContextVar("axes to draw into", default=None)


@contextlib.contextmanager
def lent(axes: Axes | None) -> Iterator[None]:
    """Let the next figure be drawn into these axes; None lets it be one of its own."""
    token = _LENT.set(axes)
    try:
        yield
    finally:
        _LENT.reset(token)


def lent_axes() -> Axes | None:
    """Return the axes that are lent at present."""
    return _LENT.get()


class LentFigure:
    """What stands for a new figure where axes are lent.

    A figure of one panel is drawn into the axes themselves. One of several panels takes their
    place in the grid that they belong to, and they are removed. Size and layout stay the caller's.

    Parameters
    ----------
    axes : Axes
        Of a grid, as ``pyplot.subplots`` makes them, where the figure has several panels.
    """

    def __init__(self, axes: Axes) -> None:
        self._axes = axes
        self._whole: Any = axes.figure

    @cached_property
    def _part(self) -> Any:
        """The place of the axes as a figure in the figure."""
        cell = self._axes.get_subplotspec()
        if cell is None:
            raise ValueError(
                "ax must be one of a grid, as pyplot.subplots makes it, for a figure of several "
                "panels; received axes without a grid."
            )
        self._axes.remove()
        return self._whole.add_subfigure(cell)

    def add_subplot(self, *cell: Any, **shape: Any) -> Any:
        """Return the axes, or those of a cell of the grid."""
        return self._part.add_subplot(*cell, **shape) if cell else self._axes

    def set_layout_engine(self, *_: Any) -> None:
        """Leave the layout as the caller has it."""

    def get_figheight(self) -> float:
        """Return the height in inches."""
        return float(self._part.bbox.height / self._part.dpi)

    def get_size_inches(self) -> Any:
        """Return the size of the whole figure, which `set_size_inches` leaves as it is."""
        return self._whole.get_figure(root=True).get_size_inches()

    def set_size_inches(self, *_: Any) -> None:
        """Leave the size as the caller has it."""

    def suptitle(self, text: str, **look: Any) -> Any:
        """Write a mark above all panels."""
        if "_part" in self.__dict__:
            return self._part.suptitle(text, **look)
        place = {"x": 1.0, "y": 1.01, "transform": self._axes.transAxes, "va": "bottom"}
        return self._axes.text(s=text, **{**look, **place})

    def __getattr__(self, name: str) -> Any:
        """Leave all else to the part of the figure, to the whole of it for a single panel."""
        single = name in ("colorbar", "legend") and "_part" not in self.__dict__
        return getattr(self._whole if single else self._part, name)
