"""Curves: columns that belong together, known by name, and the table that they are written to."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields
from typing import Any, ClassVar, Self

import numpy as np


@dataclass(frozen=True)
class Table:
    """How a curve is written as CSV.

    Attributes
    ----------
    file : str
        Name of the file.
    renamed : dict of str
        Headings, unit included, of the columns that do not stand under their own names.
    always : bool
        Whether it is written where it has no rows, too.
    """

    file: str
    renamed: dict[str, str] = field(default_factory=dict)
    always: bool = False


@dataclass(frozen=True)
class Curve:
    """Base of the curves: a subclass has a field for each column, an array or a number in SI.

    ``NAME`` is that of the curve among those of a measurement, ``TABLE`` how it is written as CSV.
    A column is an attribute, or is taken by its name as of a dictionary; a name that the curve
    does not have raises ``AttributeError`` or ``KeyError``.
    """

    NAME: ClassVar[str]
    TABLE: ClassVar[Table | None] = None

    @classmethod
    def empty(cls) -> Self:
        """Return the curve where nothing was measured: columns without rows, NaN for numbers."""
        return cls(**{one.name: _nothing(str(one.type)) for one in fields(cls)})

    @classmethod
    def among(cls, curves: Mapping[str, Curve]) -> Self:
        """Return the curve of this kind among those of a measurement, an empty one without.

        Raises
        ------
        TypeError
            Where what goes by its name is of another kind.
        """
        found = curves[cls.NAME] if cls.NAME in curves else cls.empty()
        if not isinstance(found, cls):
            raise TypeError(
                f"the curve {cls.NAME} must be of the kind {cls.__name__}; received "
                f"{type(found).__name__}."
            )
        return found

    @classmethod
    def keys(cls) -> tuple[str, ...]:
        """Return the names of the columns."""
        return tuple(one.name for one in fields(cls))

    def __getitem__(self, name: str) -> Any:
        """Return a column by its name."""
        if name not in self.keys():
            raise KeyError(
                f"{type(self).__name__} has the columns {', '.join(self.keys())}; received {name}"
            )
        return getattr(self, name)

    def __iter__(self) -> Iterator[str]:
        """Go through the names of the columns, so that ``dict(curve)`` holds them all."""
        return iter(self.keys())

    @classmethod
    def headings(cls) -> dict[str, str]:
        """Return the columns of the curve and what stands over each in its table."""
        renamed = {} if cls.TABLE is None else cls.TABLE.renamed
        return {one.name: renamed.get(one.name, one.name) for one in fields(cls)}

    def table(self) -> dict[str, Any]:
        """Return the columns under their headings, as tables of data take them.

        Single numbers are left out, and so are columns of another length than the first: grids.
        """
        held = {over: np.asarray(self[name]) for name, over in self.headings().items()}
        columns = {over: column for over, column in held.items() if column.ndim == 1}
        rows = {len(column) for column in list(columns.values())[:1]}
        return {over: column for over, column in columns.items() if len(column) in rows}

    def rows(self) -> list[list[Any]]:
        """Return the rows of the table, the first that of the headings."""
        columns = zip(*(self[name] for name in self), strict=True)
        return [[*self.headings().values()], *map(list, columns)]


def _nothing(kind: str) -> Any:
    """Return what stands for nothing in a column of this type, by the name of the type."""
    if kind in ("float", str(float)):
        return math.nan
    return [] if kind.startswith("list") else np.zeros(0)
