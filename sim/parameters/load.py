"""From a parameter file to `Parameters`.

A file passes `sim.parameters.toml` (bytes to tables), `sim.parameters.reading` (each key against
`sim.parameters.tables`), `sim.parameters.checks` (keys against each other) and
`sim.parameters.build`. They are imported on use, for numpy is slow to import.
"""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeAlias

from sim.parameters.toml import ParameterError
from sim.parameters.types import Parameters

Film: TypeAlias = Parameters | str | os.PathLike[str] | Mapping[str, Any]
"""Parameters, or what `load` makes them from."""


def load(path: str | os.PathLike[str] | Mapping[str, Any]) -> Parameters:
    """Read a parameter file, or tables that hold the same.

    Parameters
    ----------
    path : str, path-like or mapping
        The file; "-" is standard input, whose paths start from the working folder. Or its tables,
        such as ``{"particles": {"core_diameter": "20 nm"}, ...}``, checked as a file is.

    Returns
    -------
    parameters : Parameters
        Its content, checked, in SI.

    Raises
    ------
    ParameterError
        If the file cannot be read or holds mistakes; it lists all of them.
    """
    from sim.parameters.toml import name_of, read_text, text_of

    if isinstance(path, Mapping):
        return from_text(text_of(path))
    path = os.fspath(path)
    return from_text(read_text(Path(path)), name_of(path))


def as_parameters(what: Film) -> Parameters:
    """Return parameters as they are, or `load` them."""
    return what if isinstance(what, Parameters) else load(what)


def from_text(text: str, name: str = "parameters") -> Parameters:
    """Read the text of a parameter file.

    Parameters
    ----------
    text : str
        TOML text.
    name : str
        The file, as messages call it; its last part becomes `Parameters.name`. Files that the
        text names are looked for in its folder, `Parameters.folder`.

    Returns
    -------
    parameters : Parameters
        Its content, checked, in SI.

    Raises
    ------
    ParameterError
        If the text holds mistakes; it lists all of them.
    """
    from sim.magnets.field_table import with_field_files
    from sim.parameters.build import build
    from sim.parameters.checks import contradictions
    from sim.parameters.named_files import with_size_file
    from sim.parameters.reading import read_tables
    from sim.parameters.toml import parse_toml

    folder = Path(name).parent
    raw, missing = with_size_file(parse_toml(text, name), folder)
    raw, unread = with_field_files(raw, folder)
    if missing or unread:
        raise ParameterError(name, [*missing, *unread])
    reading = read_tables(raw)
    problems = [*reading.problems, *contradictions(reading)]
    if problems:
        raise ParameterError(name, problems)
    found = build(reading, text, Path(name).name)
    # What a file names stands beside it, wherever the program was started.
    path = None if found.start.path is None else str((folder / found.start.path).absolute())
    start = dataclasses.replace(found.start, path=path)
    return dataclasses.replace(found, start=start, folder=str(folder.absolute()))


def json_schema() -> dict[str, Any]:
    """Describe the parameter file for editors.

    Returns
    -------
    dict
        A JSON schema (draft 2020-12) with descriptions, units and examples of every key.
    """
    from sim.parameters.tables import file_schema

    return file_schema()
