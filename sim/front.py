"""chainfilm under one name: its command, and what people use of `sim` and `analysis`.

An installation has this file as `chainfilm.py`, too, beside the two packages: it needs neither, so
it can tell which stranger has taken the place of one of them.
"""

from __future__ import annotations

import sys
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Any

__all__ = ["main", "refusal"]

MARKS = {"sim": "front.py", "analysis": "common/seal.py"}
"""A file in each package by which it is known."""
SYSTEMS = ("linux", "darwin")


def refusal() -> str:
    """Say in one sentence why nothing can work here.

    Returns
    -------
    str
        That the system is not one of those that locks and signals are made for, or which file or
        folder has been found in place of a package of chainfilm; "" where all is well.
    """
    if not sys.platform.startswith(SYSTEMS):
        return (
            f"chainfilm runs on Linux and macOS, not on {sys.platform}; on Windows install it in "
            "WSL, the Linux that comes with it"
        )
    for name, mark in MARKS.items():
        spec = find_spec(name)
        places = [] if spec is None else list(spec.submodule_search_locations or ())
        if not any(Path(place, mark).is_file() for place in places):
            found = "nothing" if spec is None else places[0] if places else spec.origin
            return (
                f"{found} is found in place of chainfilm's own package {name}; rename it, or work "
                "in a folder without it"
            )
    return ""


def main() -> int:
    """Run the command `chainfilm` and return its exit code; 2 where nothing can work here."""
    if told := refusal():
        sys.stderr.write(f"chainfilm: {told}\n")
        return 2
    return int(import_module("sim.command_line").main())


def _names() -> dict[str, str]:
    """Return the public names and the package of each; `Run` means two things, and is left out."""
    if told := refusal():
        raise ImportError(told)
    packages = ("sim", "analysis")
    found = {name: package for package in packages for name in import_module(package).__all__}
    found.pop("Run")
    return found


def __getattr__(name: str) -> Any:
    """Load a public name of either package (PEP 562)."""
    if name.startswith("__") or name not in (names := _names()):
        raise AttributeError(f"module 'chainfilm' has no attribute {name!r}")
    return getattr(import_module(names[name]), name)


def __dir__() -> list[str]:
    """Show the public names."""
    return sorted([*__all__, *_names()])


if __name__ == "__main__":
    sys.exit(main())
