"""How a key of the parameter file is declared: once, as the field that holds its value.

A table of the file is a frozen dataclass. A field made by `key` is a key of the table: what its
value must be, what it means, the default, as a user would write it, and which kinds use it. The
field holds the value in SI, energies in kT, and `keys_of` gives the declarations to all who need
them: reading, checks, JSON schema, template and sweeps. A field of the class (`ClassVar`) is a key
from which other values are computed; a field without `key` is such a value.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, TypeAlias, TypeVar

from sim.parameters.values import Expectation

T = TypeVar("T")

REQUIRED: Any = dataclasses.MISSING
"""Default of a key without which the file is refused, or of a field that must be given."""

ABSENT: Any = dataclasses.MISSING
"""Value of a field of the class: there is none, others are computed from the key."""

_SAME: Any = object()

NEEDED: Any = object()
"""Default of a key that the kinds that use it cannot be without."""

IfNeeded: TypeAlias = Any
"""Type of a value that some kinds need, and None for others."""


@dataclass(frozen=True)
class Key:
    """One key of a table.

    Attributes
    ----------
    must : Expectation
        What its value must be.
    about : str
        What it means.
    default : object
        As the file would write it; None where nothing stands in for a key that is left out.
    only : tuple of str
        Where some kinds alone use it, the key that chooses the kind, and those kinds.
    is_needed : bool
        Whether those kinds cannot be without it.
    """

    must: Expectation
    about: str
    default: Any = REQUIRED
    only: tuple[str, ...] = ()
    is_needed: bool = False

    @property
    def is_required(self) -> bool:
        """Whether the file must give it."""
        return self.default is REQUIRED

    @property
    def text(self) -> str:
        """What it means, and which kinds use it."""
        if not self.only:
            return self.about
        choice, *kinds = self.only
        return f"{self.about} For {choice} = {', '.join(kinds)}."

    @property
    def example(self) -> Any:
        """A good value, as the file would write it."""
        shape = self.must.shape
        return [*shape.get("examples", ()), *shape.get("enum", ())][0]

    def left_out(self) -> Any:
        """Give the value inside where the file leaves it out; ValueError where it must not."""
        if self.is_required:
            raise ValueError(f"is missing; it must be {self.must.must}")
        return None if self.default is None else self.must.read(self.default)


@dataclass(frozen=True)
class Tables(Expectation):
    """A list of tables below one another, such as the steps of a programme.

    Attributes
    ----------
    table : type
        What each of them is.
    heading : str
        Its heading in the file.
    most : int
        Largest number of them.
    """

    table: type
    heading: str
    most: int

    def _must(self) -> str:
        return f"a list of at most {self.most} tables, each headed {self.heading}"

    def _shape(self) -> dict[str, Any]:
        items = {"$ref": f"#/$defs/{self.heading.strip('[]')}"}
        return {"type": "array", "items": items, "maxItems": self.most}

    def read(self, value: object) -> Any:
        """Give the tables as written: `sim.parameters.reading` reads their keys."""
        return value


def key(
    must: Expectation,
    about: str,
    default: Any = REQUIRED,
    *,
    only: tuple[str, ...] = (),
    name: str = "",
    inside: Any = _SAME,
) -> Any:
    """Declare a key of a table.

    Parameters
    ----------
    must : Expectation
        What its value must be.
    about : str
        What it means.
    default : object, optional
        What the file would write; None for a key that may be left out without one, `NEEDED` where
        the kinds that use it cannot be without it.
    only : tuple of str
        Where some kinds alone use it, the key that chooses the kind, and those kinds.
    name : str
        Name in the file, where the field has another one.
    inside : object, optional
        Default of the field, where it is not that of the file.

    Returns
    -------
    dataclasses.Field
        For the body of a dataclass.
    """
    found = Key(must, about, None if default is NEEDED else default, only, default is NEEDED)
    if inside is _SAME:
        inside = REQUIRED if found.is_required else found.left_out()
    return dataclasses.field(default=inside, metadata={"key": found, "name": name})


@cache
def keys_of(table: type) -> dict[str, Key]:
    """Give the keys of a table by the names that they have in the file."""
    # `dataclasses.fields` leaves the fields of a class out.
    fields = vars(table)["__dataclass_fields__"]
    return {
        field.metadata["name"] or name: field.metadata["key"]
        for name, field in fields.items()
        if "key" in field.metadata
    }


def filled(table: type[T], values: Mapping[str, Any]) -> T:
    """Make a table from the values of its keys, by the names that they have in the file.

    A field whose key the chosen kind does not need, and the file leaves out, keeps its default.
    """
    fields = [one for one in dataclasses.fields(table) if one.metadata]  # type: ignore[arg-type]
    found = {one: values[one.metadata["name"] or one.name] for one in fields}
    return table(
        **{
            one.name: value
            for one, value in found.items()
            if value is not None or not one.metadata["key"].is_needed
        }
    )
