"""From a path to the raw tables of a parameter file, with one clear sentence for each obstacle."""

from __future__ import annotations

import os
import re
import sys
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from analysis.common.errors import InputError

MOST_TOLD = 100
"""So many mistakes of a file are told; of the others their number is."""


class ParameterError(InputError):
    """A parameter file that cannot be used.

    Parameters
    ----------
    name : str
        The file, as messages call it.
    problems : sequence of str
        One sentence a mistake, each naming key, value and allowed range.
    """

    def __init__(self, name: str, problems: Sequence[str]) -> None:
        super().__init__(name, list(problems))
        self.name = name
        self.problems = list(problems)

    def __str__(self) -> str:
        count = len(self.problems)
        head = f"{self.name}: {count} mistake{'' if count == 1 else 's'}"
        told = self.problems[:MOST_TOLD]
        if count > MOST_TOLD:
            told = [*told, f"and {count - MOST_TOLD} more."]
        return "\n  ".join([head, *told])


STANDARD_INPUT = "-"
"""The path that stands for standard input; `./-` is a file of that name."""

PARAMETER_FILE = "a parameter file"
"""What a file is unless its reader says otherwise, as sentences on it say."""

LARGEST_FILE = 1_000_000
"""No parameter file is longer than this many bytes; a longer one is something else."""

_PLACE = re.compile(r"^(.*) \(at (?:line (\d+), column (\d+)|end of document)\)$", re.DOTALL)

MOST_PARTS = 100
"""No key has as many parts between dots."""
_PART = r"""(?:[A-Za-z0-9_-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+"""
_ENDLESS_KEY = re.compile(
    rf"(?<![A-Za-z0-9_.-]){_PART}(?:\.[ \t]*+{_PART}){{{MOST_PARTS},}}", re.ASCII
)

# A value such as 0.4 um without quotes is the mistake that newcomers make most.
_BARE_QUANTITY = re.compile(r"=\s*\[?\s*[-+]?[0-9][0-9.eE+-]*\s*[A-Za-z\u00b5\u03bc\u00b0%]")


# Standard input can be read once, and what reads a file may do so several times: (stream, bytes).
_taken: list[tuple[Any, bytes]] = []


def name_of(path: str | Path) -> str:
    """Return what messages call a parameter file."""
    return "standard input" if str(path) == STANDARD_INPUT else str(path)


def _must_be(what: str) -> str:
    """Return the end of a sentence on a file that is missing or empty."""
    if what == PARAMETER_FILE:
        return "`chainfilm new FILE` writes one to start from."
    return f"it must be {what}."


def read_text(path: Path, what: str = PARAMETER_FILE) -> str:
    """Read a parameter file as text.

    Parameters
    ----------
    path : Path
        The file; "-" is standard input.
    what : str
        What it is to be, with its article.

    Returns
    -------
    str
        Its text, without a byte order mark.

    Raises
    ------
    ParameterError
        If the file is missing, a folder, unreadable, too long, binary or not in UTF-8.
    """
    data = _read_input() if str(path) == STANDARD_INPUT else _read_bytes(path, what)
    return _decode(data, name_of(path), what)


def _read_input() -> bytes:
    if not _taken or _taken[-1][0] is not sys.stdin:
        try:
            data = sys.stdin.buffer.read(LARGEST_FILE + 1)
        except (OSError, ValueError, AttributeError) as error:  # closed, or none at all
            sentence = "nothing can be read from it."
            raise ParameterError(name_of(STANDARD_INPUT), [sentence]) from error
        _taken[:] = [(sys.stdin, data)]
    data = _taken[-1][1]
    if len(data) > LARGEST_FILE:
        raise ParameterError(name_of(STANDARD_INPUT), [_too_long()])
    return data


def _too_long() -> str:
    return f"the file is longer than {LARGEST_FILE // 1000} kB: no parameter file is."


def _read_bytes(path: Path, what: str) -> bytes:
    name = str(path)
    try:
        if path.is_dir():
            raise ParameterError(name, [f"the path is a folder, {what} is needed."])
        if not path.exists():
            raise ParameterError(name, [f"the file does not exist; {_must_be(what)}"])
        if not path.is_file():
            raise ParameterError(name, ["the path is no ordinary file, as it must be."])
        with path.open("rb") as stream:
            data = stream.read(LARGEST_FILE + 1)
    except (OSError, ValueError) as error:
        if isinstance(error, ParameterError):
            raise
        reason = (getattr(error, "strerror", None) or str(error)).lower()
        raise ParameterError(name, [f"the file cannot be read ({reason})."]) from error
    if len(data) > LARGEST_FILE:
        raise ParameterError(name, [_too_long()])
    return data


def _decode(data: bytes, name: str, what: str) -> str:
    if b"\0" in data or data.startswith(b"\x89HDF"):
        raise ParameterError(name, [f"the file is binary; {what} is a TOML text in UTF-8."])
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        sentence = f"the file must be a text in UTF-8; line {line} holds other bytes."
        raise ParameterError(name, [sentence]) from error


def parse_toml(text: str, name: str, what: str = PARAMETER_FILE) -> dict[str, Any]:
    """Read TOML text into nested dicts.

    Parameters
    ----------
    text : str
        The text of the file.
    name : str
        The file, as messages call it.
    what : str
        What it is to be, with its article.

    Returns
    -------
    dict
        The tables as written.

    Raises
    ------
    ParameterError
        If the text is empty or no valid TOML; the sentence names the line.
    """
    if _ENDLESS_KEY.search(text):  # its tables in each other would need gigabytes
        sentence = f"the file holds a key of more than {MOST_PARTS} parts: no parameter file does."
        raise ParameterError(name, [sentence])
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ParameterError(name, [_syntax_sentence(str(error), text)]) from error
    except RecursionError as error:
        sentence = "the file nests brackets too deeply to be a parameter file."
        raise ParameterError(name, [sentence]) from error
    except (ValueError, OverflowError) as error:  # an integer of thousands of digits, a bad date
        sentence = "the file holds a number or date that is out of every range."
        raise ParameterError(name, [sentence]) from error
    if not tables:
        raise ParameterError(name, [f"the file is empty; {_must_be(what)}"])
    return tables


def _syntax_sentence(message: str, text: str) -> str:
    """Turn the parser's message into a sentence with the line and, where we see it, the cure."""
    match = _PLACE.match(message)
    what = match[1] if match else message
    what = what[:1].lower() + what[1:]
    lines = text.split("\n")
    number = int(match[2]) if match and match[2] else len(lines)
    line = lines[number - 1] if number <= len(lines) else ""
    sentence = f"line {number} is not valid TOML: {what[:100]}"
    if line.strip():
        sentence += f", in `{line.strip()[:60]}`"
    if _BARE_QUANTITY.search(line):
        sentence += '; a value with a unit stands in quotes, such as "0.4 um"'
    return sentence + "."


def text_of(tables: Mapping[str, Any]) -> str:
    """Write tables as the text of a parameter file.

    Parameters
    ----------
    tables : mapping
        As `parse_toml` gives them; arrays and numbers of numpy and paths are taken, too.

    Returns
    -------
    str
        TOML text.

    Raises
    ------
    ParameterError
        If a value is of no kind that a file can hold.
    """
    import tomli_w

    problems: list[str] = []

    def plain(value: Any, place: str) -> Any:
        if isinstance(value, Mapping):
            return {str(key): plain(held, f"{place}.{key}") for key, held in value.items()}
        value = os.fspath(value) if isinstance(value, os.PathLike) else value
        value = value.tolist() if hasattr(value, "tolist") else value
        if isinstance(value, list | tuple):
            return [plain(held, f"{place}[{number}]") for number, held in enumerate(value)]
        if not isinstance(value, str | int | float):  # to which True and False belong
            problems.append(
                f"{place.lstrip('.')} must be a text, number, list or table, True or False; "
                f"received {value!r:.60}."
            )
        return value

    found = plain(tables, "")
    if problems:
        raise ParameterError("parameters", problems)
    return tomli_w.dumps(found)
