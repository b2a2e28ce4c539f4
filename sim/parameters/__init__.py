"""The parameters of one run, as read from a parameter file.

`load` and `from_text` give a frozen `Parameters` in SI or raise a `ParameterError` that lists every
mistake of the file.
"""

from __future__ import annotations

from sim.parameters.load import from_text, json_schema, load
from sim.parameters.toml import ParameterError
from sim.parameters.types import Parameters

__all__ = ["ParameterError", "Parameters", "from_text", "json_schema", "load"]
