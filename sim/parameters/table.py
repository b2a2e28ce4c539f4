"""What all tables of a parameter file have in common."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, Field

__all__ = ["Table", "default"]


class Table(BaseModel):
    """Base of all tables: no conversion of types, no unknown keys."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)


def default(written: object) -> Any:
    """Give a key the default that a user would write so."""
    return Field(default=written, validate_default=True)
