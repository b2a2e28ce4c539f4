"""What becomes of figures that cannot be drawn: each costs itself and a sentence, nothing else."""

from __future__ import annotations

import contextlib
import warnings
from contextvars import ContextVar
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

_said: ContextVar[list[str] | None] = ContextVar("figures that could not be drawn", default=None)


@contextlib.contextmanager
def failures() -> Iterator[list[str]]:
    """Collect what is said of figures that cannot be drawn meanwhile.

    Yields
    ------
    list of str
        One sentence per figure, each once; it grows while figures are drawn.
    """
    said: list[str] = []
    token = _said.set(said)
    try:
        yield said
    finally:
        _said.reset(token)


def figure_or_nothing(name: str, draw: Callable[[], bytes]) -> bytes | None:
    """Draw a figure; what goes wrong is said, and the others are drawn all the same.

    Parameters
    ----------
    name : str
        Name of the figure, which is that of its file without ending.
    draw : callable
        Gives the content of the picture file; it must not write files, as full disks are an error.

    Returns
    -------
    bytes or None
        None where drawing failed. The reason is told to the innermost ``failures``, else as a
        ``RuntimeWarning``.
    """
    try:
        return draw()
    except Exception as error:  # whatever a drawing library may raise
        told = named_error(error)
        sentence = f"figures.{name}: could not be drawn ({told}); the numbers do not need it"
    said = _said.get()
    if said is None:
        warnings.warn(sentence, RuntimeWarning, stacklevel=2)
    elif sentence not in said:
        said.append(sentence)
    return None


def named_error(error: Exception) -> str:
    """Return the kind of an error and the first line of what it says, for a warning."""
    lines = str(error).splitlines()
    return f"{type(error).__name__}: {lines[0]:.200}" if lines else type(error).__name__
