"""The drift that `map` adds: its time, and what to print."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from sim.commands.text import UsageError, paragraphs, table
from sim.outlook.cell.drift import LIMITS, LONGEST, SHORTEST, CellDrift, diffusion_coefficient
from sim.outlook.cell.map import NO_CHAINS
from sim.outlook.text.film import duration_text
from sim.physics.units import UnitError, format_quantity, parse

if TYPE_CHECKING:
    from sim.parameters.types import Parameters

__all__ = ["drift_text", "drift_time"]

COARSE_KT = 1.0
"""Step of the energy between grid cells in kT from which on layers at the edge are unresolved."""


def drift_time(text: str | None) -> float | None:
    """Read the time of the option --drift in s; None where it is not given.

    Raises
    ------
    UsageError
        If it is no time, or out of range.
    """
    if text is None:
        return None
    try:
        duration = parse(text, "time")
    except UnitError as error:
        raise UsageError(f"--drift: {error}") from error
    if not SHORTEST <= duration <= LONGEST * (1.0 + 1e-9):
        raise UsageError(
            f'--drift must be a time from 1 s to 100 years such as "1 week"; received "{text}"'
        )
    return duration


def drift_text(parameters: Parameters, found: CellDrift, when: str) -> str:
    """Return what to print of a drift.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters with magnets, SI.
    found : CellDrift
        The drift.
    when : str
        The time that it was followed for, as the user wrote it.
    """
    rows = table(_rows(parameters, found, when))
    return f"Drift over {when}\n{rows}\n\nLimits\n{paragraphs(_limits(found))}"


def _rows(parameters: Parameters, found: CellDrift, when: str) -> list[tuple[str, str]]:
    """Return the numbers of a drift, as label and text."""
    drift = found.drift
    fractions, spacing, share = found.fractions, found.spacing, found.share_with_chains
    half = drift.half_time_s
    speed = diffusion_coefficient(parameters)

    def percent(frame: int) -> str:
        low, high = 100.0 * fractions[frame].min(), 100.0 * fractions[frame].max()
        return f"{low:.3g} %" if high - low < 1e-9 * high else f"{low:.3g} to {high:.3g} %"

    def distance(frame: int) -> str:
        known = spacing[frame][found.state[frame] != NO_CHAINS]
        if not known.size:
            return "no chains"
        low, high = (
            format_quantity(float(f"{end:.3g}"), "length") for end in (known.min(), known.max())
        )
        return low if low == high else f"{low} to {high}"

    def at_all_times(label: str, say: Any) -> list[tuple[str, str]]:
        moments = (("at the start", 0), (f"after {when}", -2), ("in equilibrium", -1))
        return [(f"{label} {word}", say(frame)) for word, frame in moments]

    return [
        ("diffusion coefficient of a particle", f"{speed:.3g} m2/s"),
        ("depth of the energy over the cell", f"{np.ptp(drift.energy_kt):.3g} kT"),
        (f"change done after {when}", f"{drift.change[-1]:.0%}"),
        (
            "half of the change done",
            f"after {duration_text(half)}" if half is not None else f"not within {when}",
        ),
        *at_all_times("volume fraction", percent),
        *at_all_times("spacing of chains (line density)", distance),
        *at_all_times("cell with chains", lambda frame: f"{share[frame]:.0%}"),
    ]


def _limits(found: CellDrift) -> list[str]:
    """Return what the numbers leave out, in sentences."""
    if found.drift.steepest_kt <= COARSE_KT:
        return [*LIMITS]
    return [
        *LIMITS,
        f"The energy changes by up to {found.drift.steepest_kt:.2g} kT from one grid cell to the "
        f"next: layers thinner than a grid cell hold the right amount of particles, but are drawn "
        f"too wide.",
    ]
