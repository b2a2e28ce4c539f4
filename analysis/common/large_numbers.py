"""Numbers too large for any use: cut where they are derived, and where older files hold them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

LARGEST_NUMBER = 1e100
"""Numbers of a run are at most so large; what is computed from them then stays finite."""


def within_reach(derived: dict[str, Any], why: Callable[[str, Any], str]) -> dict[str, Any]:
    """Cap numbers from `LARGEST_NUMBER` on, and say why each is so large.

    Those that are capped already stay so, with their reasons.

    Parameters
    ----------
    derived : dict
        Numbers by name; what is none stays as it is.
    why : callable
        Called with name and number; gives what follows "where it is cut: ".

    Returns
    -------
    dict
        The same with the reasons under "capped", by name; where nothing is capped, as given.
    """
    known = derived.get("capped") or ()
    beyond = {
        name: value
        for name, value in derived.items()
        if isinstance(value, int | float)
        and not isinstance(value, bool)
        and (value >= LARGEST_NUMBER or value <= -LARGEST_NUMBER)
        and not (isinstance(known, dict | list) and name in known and abs(value) <= LARGEST_NUMBER)
    }
    if not beyond:
        return derived
    reasons = {
        name: f"beyond {LARGEST_NUMBER:g}, where it is cut: {why(name, value)}"
        for name, value in beyond.items()
    }
    cut = {name: LARGEST_NUMBER if value > 0 else -LARGEST_NUMBER for name, value in beyond.items()}
    return {**derived, **cut, "capped": {**(known if isinstance(known, dict) else {}), **reasons}}
