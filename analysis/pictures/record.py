"""What a figure is beside its drawing: name of its file, title, caption, and when it is wanted."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Generic, ParamSpec

from analysis.pictures.lent import lent

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["FigureRecord", "always", "figure"]

P = ParamSpec("P")


def always(*_: object) -> bool:
    """Want a figure of every run."""
    return True


@dataclass(frozen=True)
class FigureRecord(Generic[P]):
    """A figure; called like the function that draws it, or with axes to draw into, ``ax``.

    With ``ax`` a figure of one panel is drawn into these axes, one of several takes their place in
    their grid; see ``analysis.pictures.lent``.

    Attributes
    ----------
    name : str
        Name of its file without ending.
    draw : callable
        Draws it.
    title, caption : str
        What stands above and below it on the page; without a caption it is not there.
    wide : bool
        Whether it takes the whole width of the page.
    wanted : callable
        Tells by the measurement whether there is anything to draw.
    """

    name: str
    draw: Callable[P, Figure]
    title: str = ""
    caption: str = ""
    wide: bool = False
    wanted: Callable[..., bool] = always

    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> Figure:
        """Draw it, into axes of the caller's where ``ax`` gives some, and return the figure."""
        axes: Any = kwargs.pop("ax", None)
        if axes is None:
            return self.draw(*args, **kwargs)
        figure: Figure = axes.figure
        with lent(axes):
            self.draw(*args, **kwargs)
        return figure


def figure(
    title: str = "",
    caption: str = "",
    *,
    wide: bool = False,
    wanted: Callable[..., bool] = always,
) -> Callable[[Callable[P, Figure]], FigureRecord[P]]:
    """Make a figure of the function that draws it and gives its file the name."""

    def recorded(draw: Callable[P, Figure]) -> FigureRecord[P]:
        return FigureRecord(draw.__name__, draw, title, caption, wide, wanted)

    return recorded
