"""chainfilm under one name: its command, and what people use of `sim` and `analysis`.

An installation has this file as the module `chainfilm`, beside both packages and not in one of
them, so that it can tell what has taken the place of `sim`.
"""

from __future__ import annotations

import sys
from importlib import import_module
from importlib.util import find_spec
from typing import Any


def _front() -> Any:
    """Return the module that knows both packages.

    Raises
    ------
    ImportError
        With one sentence where something else is called `sim`.
    """
    try:
        return import_module("sim.front")
    except ModuleNotFoundError as error:
        spec = find_spec("sim")
        found = (spec.origin if spec else None) or "a folder called sim, or nothing,"
        raise ImportError(
            f"{found} is found in place of chainfilm's own package sim; rename it, or work in a "
            "folder without it"
        ) from error


def main() -> int:
    """Run the command `chainfilm` and return its exit code; 2 where nothing can work here."""
    try:
        front = _front()
    except ImportError as error:
        sys.stderr.write(f"chainfilm: {error}\n")
        return 2
    return int(front.main())


def __getattr__(name: str) -> Any:
    """Load a public name of either package (PEP 562)."""
    if name.startswith("__"):
        raise AttributeError(f"module 'chainfilm' has no attribute {name!r}")
    return _front().public(name)


def __dir__() -> list[str]:
    """Show the public names."""
    return sorted(_front().names())


if __name__ == "__main__":
    sys.exit(main())
