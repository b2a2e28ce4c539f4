"""Measures chains, spacing, alignment, magnetisation and relaxation in trajectories of a film.

Reads run files and plain arrays and never needs the engine. Names are loaded on use, so that
importing the package stays light.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_HOME = {
    "Run": "trajectory.run",
    "TrajectoryError": "trajectory.run",
    "open_run": "trajectory.run",
    "Chains": "chains.groups",
    "find_chains": "chains.groups",
    "Measurement": "measures.measure",
    "measure": "measures.measure",
    "write": "measures.measure",
    "write_tables": "measures.tables",
    "Estimate": "uncertainty.estimate",
    "combine_replicas": "uncertainty.replicas",
    "estimate": "uncertainty.estimate",
    "plot": "plotting",
    "draw_all": "pictures.all",
    "write_report": "reports.run",
    "SweepTable": "sweeps.gather",
    "collect": "sweeps.gather",
    "write_sweep_report": "sweeps.report",
}

__all__ = [
    "Chains",
    "Estimate",
    "Measurement",
    "Run",
    "SweepTable",
    "TrajectoryError",
    "collect",
    "combine_replicas",
    "draw_all",
    "estimate",
    "find_chains",
    "measure",
    "open_run",
    "plot",
    "write",
    "write_report",
    "write_sweep_report",
    "write_tables",
]


def __getattr__(name: str) -> Any:
    """Load a public name from its module (PEP 562)."""
    if name not in _HOME:
        raise AttributeError(f"module 'analysis' has no attribute {name!r}")
    return getattr(import_module(f"analysis.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    """Show the public names only."""
    return list(__all__)
