"""What comes before both packages: systems that are refused, strangers, their names as one."""

from __future__ import annotations

import sys
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Any

MARK = "common/seal.py"
"""A file in `analysis` by which it is known."""
SYSTEMS = ("linux", "darwin")


def refusal() -> str:
    """Say in one sentence why nothing can work here.

    Returns
    -------
    str
        That the system is not one of those that locks and signals are made for, or which file or
        folder has been found in place of `analysis`; "" where all is well.
    """
    if not sys.platform.startswith(SYSTEMS):
        return (
            f"chainfilm runs on Linux and macOS, not on {sys.platform}; on Windows install it in "
            "WSL, the Linux that comes with it"
        )
    spec = find_spec("analysis")
    places = [] if spec is None else list(spec.submodule_search_locations or ())
    if any(Path(place, MARK).is_file() for place in places):
        return ""
    found = "nothing" if spec is None else places[0] if places else spec.origin
    return (
        f"{found} is found in place of chainfilm's own package analysis; rename it, or work in a "
        "folder without it"
    )


def main() -> int:
    """Run the command `chainfilm` and return its exit code; 2 where nothing can work here."""
    if told := refusal():
        sys.stderr.write(f"chainfilm: {told}\n")
        return 2
    return int(import_module("sim.command_line").main())


def names() -> dict[str, str]:
    """Return the public names and the package of each; `Run` means two things, and is left out.

    Raises
    ------
    ImportError
        With one sentence where nothing can work here.
    """
    if told := refusal():
        raise ImportError(told)
    packages = ("sim", "analysis")
    found = {name: package for package in packages for name in import_module(package).__all__}
    found.pop("Run")
    return found


def public(name: str) -> Any:
    """Return what a public name stands for.

    Raises
    ------
    AttributeError
        If neither package has it.
    ImportError
        With one sentence where nothing can work here.
    """
    if name not in (known := names()):
        raise AttributeError(f"module 'chainfilm' has no attribute {name!r}")
    return getattr(import_module(known[name]), name)
