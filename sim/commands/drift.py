"""The drift that `map` adds: its time, its files and figures, and what to print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.common import file_names
from analysis.common.conventions import NO_CHAINS
from sim.commands.results import told_failures
from sim.commands.text import UsageError, paragraphs, quantity_of, table
from sim.outlook.cell.drift import LIMITS, LONGEST, SHORTEST, CellDrift, diffusion_coefficient
from sim.physics.units import duration_text, format_quantity

if TYPE_CHECKING:
    from sim.parameters.types import Parameters

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
    duration = quantity_of("--drift", text, "time")
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
        low, high = (format_quantity(end, "length", 3) for end in (known.min(), known.max()))
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


def draw_drift(
    found: CellDrift,
    shadows: list[dict[str, Any]],
    directory: Path,
    swept: dict[str, Any] | None = None,
    *,
    moment: float | None = None,
) -> None:
    """Write a drift over a cell as tables and a grid, and draw it with the magnets.

    What a sweep measured at the amount of particles that is left (``swept``) adds columns. The
    ``moment`` in s stands on the figures of magnets that move.
    """
    from analysis.cell import drift_files as write
    from analysis.cell.axes import time_note
    from analysis.cell.drift import drift_maps
    from analysis.cell.drift_chains import chains_left
    from analysis.pictures.style import save_all

    drift, sides, note = found.drift, found.sides, time_note(moment)
    chains: dict[str, Any] = {
        "spacing_m": found.spacing, "mean_length": found.mean_length, "state": found.state,
        **(swept or {}),
    }  # fmt: skip
    columns = {"volume_fraction": found.fractions, **chains}
    frames = (drift.time_s, drift.volume_fraction, drift.equilibrium)
    steps = (drift.change_time_s, drift.change)
    left = (found.times, found.change, found.fractions, found.spacing)
    write.write_drift_map(
        directory / file_names.DRIFT, found.x, found.y, found.strength, drift.energy_kt, *frames,
        chains,
    )  # fmt: skip
    write.write_drift_change(directory / file_names.DRIFT_CHANGE, *steps)
    write.write_drift_frames(directory / file_names.DRIFT_FRAMES, *left, found.share_with_chains)
    write.write_drift_grid(
        directory / file_names.DRIFT_GRID, found.x, found.y, found.times, columns
    )
    figures = {
        "drift_maps": lambda: drift_maps(
            sides, *frames, *steps, drift.half_time_s, shadows, note=note
        ),
        "drift_chains": lambda: chains_left(sides, *left, found.state, shadows, note=note),
    }
    with told_failures():
        save_all(figures, directory / file_names.FIGURES, "png")


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
