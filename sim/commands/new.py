"""The command `new`: the commented template, or the JSON schema."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from sim.commands.errors import DONE
from sim.commands.terminal import say
from sim.commands.text import UsageError, shell_word


def new(args: argparse.Namespace) -> int:
    """Write a file to begin with, and return the exit code."""
    text = _text(args.schema)
    if args.file == "-":
        sys.stdout.write(text)
        return DONE
    path = Path(args.file or ("film.schema.json" if args.schema else "film.toml"))
    _write(path, text)
    say(f"wrote {path}" + ("" if args.schema else f"; next: chainfilm check {shell_word(path)}"))
    return DONE


def _text(schema: bool) -> str:
    """Return the text of the file."""
    if schema:
        from sim.parameters.load import json_schema

        return json.dumps(json_schema(), indent=2) + "\n"
    from sim.commands.template import TEMPLATE

    return TEMPLATE


def _write(path: Path, text: str) -> None:
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
