"""What all tables of a parameter file have in common, and what could be read from them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, ConfigDict, Field

if TYPE_CHECKING:
    from sim.magnets.shapes import Magnet

__all__ = ["Reading", "Table", "default"]


class Table(BaseModel):
    """Base of all tables: no conversion of types, no unknown keys."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)


def default(written: object) -> Any:
    """Give a key the default that a user would write so."""
    return Field(default=written, validate_default=True)


@dataclass
class Reading:
    """What could be read from a file.

    Attributes
    ----------
    raw : dict
        The tables as written.
    problems : list of str
        One sentence a mistake.
    values : dict
        Values inside by (table, key), defaults included, mistaken keys left out.
    steps : list of dict
        The field programme, each step by key.
    magnets : list of dict
        The magnets, each by key; empty where one of them is mistaken.
    sources : list of tuple or None
        Once asked for, the number of its table and each single magnet.
    """

    raw: dict[str, Any]
    problems: list[str]
    values: dict[tuple[str, str], Any] = field(default_factory=dict)
    steps: list[dict[str, Any]] = field(default_factory=list)
    magnets: list[dict[str, Any]] = field(default_factory=list)
    sources: list[tuple[int, Magnet]] | None = None

    def given(self, table: str, *keys: str) -> list[str]:
        """Which of some keys the file writes, mistaken or not."""
        written = self.raw.get(table)
        return [key for key in keys if isinstance(written, Mapping) and key in written]

    def has(self, table: str, *keys: str) -> bool:
        """Whether all of some keys could be read."""
        return all((table, key) in self.values for key in keys)

    def get(self, table: str, key: str) -> Any:
        """Value of a key that could be read; None where it is optional and absent."""
        return self.values[table, key]
