"""Simulates magnetic nanoparticles in a thin liquid film.

Names are loaded on use, so that importing the package stays light.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sim.parameters import Parameters, load
    from sim.run.simulate import Run, simulate
    from sim.sweeps.sweep import sweep

__all__ = ["Parameters", "Run", "load", "simulate", "sweep"]

_HOME = {
    "Parameters": "parameters",
    "Run": "run.simulate",
    "load": "parameters",
    "simulate": "run.simulate",
    "sweep": "sweeps.sweep",
}


def __getattr__(name: str) -> Any:
    """Load a public name from its module (PEP 562)."""
    if name not in _HOME:
        raise AttributeError(f"module 'sim' has no attribute {name!r}")
    from sim.front import refusal

    if told := refusal():  # such as a script of the user's own that is called analysis.py
        raise ImportError(told)
    return getattr(import_module(f"sim.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    """Show the public names only."""
    return list(__all__)
