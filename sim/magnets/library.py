"""Fields of many magnets in a few calls of the library, their data laid out once.

The closed forms are magpylib's (the extra `magnets`), imported on use. Its objects are prepared
anew by each call, which for a hundred magnets takes longer than their fields; its functions take
arrays, of magnets at rest at the origin, and turning and moving is done here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from types import ModuleType
from typing import Any, NamedTuple

import numpy as np

from analysis.common.arrays import Floats
from analysis.common.errors import InputError

_ROWS = 10_000
"""Places times magnets in one call of the library; more do not fit into the processor's cache."""


class MagnetError(InputError):
    """A field that cannot be given: a place inside a magnet, or the library is missing."""


class Piece(NamedTuple):
    """One closed form.

    Attributes
    ----------
    form : str
        "sphere", "block", "cylinder" or "loop".
    position : tuple of float
        Centre in m.
    matrix : ndarray, shape (3, 3)
        By which it is turned.
    size : tuple of float
        In m: diameter; sides; diameter and height; diameter.
    strength : tuple of float
        Polarisation in T; of a loop its current in A.
    """

    form: str
    position: tuple[float, float, float]
    matrix: Floats
    size: tuple[float, ...]
    strength: tuple[float, ...]


@dataclass(frozen=True, eq=False)
class _Group:
    """Pieces of one form: arrays with a row each."""

    field_of: Callable[[Floats, Floats, Floats], Floats]
    positions: Floats
    matrices: Floats | None
    sizes: Floats
    strengths: Floats

    def add(self, points: Floats, total: Floats) -> None:
        """Add the field (T) at places (n, 3) in m to the total (n, 3)."""
        pieces = len(self.positions)
        for first in range(0, len(points), max(_ROWS // pieces, 1)):
            part = slice(first, first + max(_ROWS // pieces, 1))
            for start in range(0, pieces, _ROWS):
                these = slice(start, start + _ROWS)
                total[part] += self._sum(points[part], these)

    def _sum(self, points: Floats, these: slice) -> Floats:
        seen = points - self.positions[these, None]
        matrices = None if self.matrices is None else self.matrices[these]
        if matrices is not None:
            seen = seen @ matrices
        count = len(points)
        sizes, strengths = (
            np.repeat(given[these], count, axis=0) for given in (self.sizes, self.strengths)
        )
        field = self.field_of(seen.reshape(-1, 3), sizes, strengths).reshape(seen.shape)
        if matrices is not None:
            field = field @ matrices.transpose(0, 2, 1)
        return np.asarray(field.sum(axis=0))


def summed(pieces: Sequence[Piece]) -> Callable[[Floats], Floats]:
    """Lay out closed forms whose fields add.

    Parameters
    ----------
    pieces : sequence of Piece
        Any number of them.

    Returns
    -------
    callable
        Gives their field (n, 3) in T at places (n, 3) in m outside of them.

    Raises
    ------
    MagnetError
        If magpylib is not installed.
    """
    forms = sorted({piece.form for piece in pieces})
    groups = [_group(form, [piece for piece in pieces if piece.form == form]) for form in forms]

    def field(points: Floats) -> Floats:
        total = np.zeros((len(points), 3))
        for group in groups:
            group.add(points, total)
        return total

    return field


def _group(form: str, pieces: Sequence[Piece]) -> _Group:
    matrices = np.array([piece.matrix for piece in pieces])
    return _Group(
        _law(form),
        np.array([piece.position for piece in pieces]),
        None if np.array_equal(matrices, np.broadcast_to(np.eye(3), matrices.shape)) else matrices,
        np.array([piece.size for piece in pieces], dtype=np.float64),
        np.array([piece.strength for piece in pieces], dtype=np.float64),
    )


def _law(form: str) -> Callable[[Floats, Floats, Floats], Floats]:
    """Give the library's function of places, sizes and strengths (rows)."""
    library = _library()
    if form == "block":
        # Without the library's care for places on edges, which lie on a surface and are refused.
        law: Any = library.core.magnet_cuboid_Bfield
        return partial(_block, law)
    if form == "cylinder":
        return partial(_in_rows, library.func.cylinder_field)
    law = library.func.sphere_field if form == "sphere" else library.func.circle_field
    return partial(_of_numbers, law, is_loop=form == "loop")


def _block(law: Any, seen: Floats, sizes: Floats, strengths: Floats) -> Floats:
    return np.asarray(law(observers=seen, dimensions=sizes, polarizations=strengths))


def _in_rows(law: Any, seen: Floats, sizes: Floats, strengths: Floats) -> Floats:
    return np.asarray(law("B", seen, sizes, strengths, squeeze=False))


def _of_numbers(
    law: Any, seen: Floats, sizes: Floats, strengths: Floats, *, is_loop: bool
) -> Floats:
    strength = strengths[:, 0] if is_loop else strengths
    return np.asarray(law("B", seen, sizes[:, 0], strength, squeeze=False))


def _library() -> ModuleType:
    try:
        import magpylib
        import magpylib.func
    except ImportError as error:
        raise MagnetError(
            "magnets need the package magpylib, which the plain set-up leaves out; in the folder "
            "of chainfilm, this installs it: .venv/bin/pip install '.[magnets]'"
        ) from error
    library: ModuleType = magpylib
    return library
