"""The file that `chainfilm new` writes: the commented template, or the JSON schema."""

from __future__ import annotations

import json
from pathlib import Path

from sim.commands.text import UsageError

__all__ = ["new_text", "write_new"]


def new_text(schema: bool) -> str:
    """Return the text of the file."""
    if schema:
        from sim.parameters.load import json_schema

        return json.dumps(json_schema(), indent=2) + "\n"
    from sim.commands.template import TEMPLATE

    return TEMPLATE


def write_new(path: Path, text: str) -> None:
    """Write a file that is not there yet.

    Raises
    ------
    UsageError
        If it exists or cannot be written.
    """
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError as error:
        raise UsageError(f"{path} exists already; name another file") from error
    except OSError as error:
        raise UsageError(f"{path} cannot be written: {error.strerror}") from error
