"""Measures a whole run: every number with its uncertainty, the curves behind, and the warnings."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from analysis.chains.bonds import rule_of
from analysis.chains.measured_run import Frame, MeasuredRun, Section, temperature_of
from analysis.common import file_names
from analysis.common.notebook import html_table
from analysis.files.curve import Curve
from analysis.files.writing import write_text
from analysis.measures.bounds import keep_possible
from analysis.measures.condensed import without_lengths
from analysis.measures.part import part_of
from analysis.measures.record import derived, recorded, recorded_warnings, timing
from analysis.measures.sampled import without_times
from analysis.measures.samples import short_run_warning, structures_warning
from analysis.measures.sections import SECTIONS
from analysis.quantities.all import MEASURED, shown
from analysis.response import with_flow
from analysis.trajectory.run import Run, as_run


@dataclass(frozen=True, repr=False)
class Measurement:
    """What was measured in one run.

    Attributes
    ----------
    numbers : dict
        The content of measures.json.
    curves : dict of Curve
        Named columns, from the sections.
    last_frame : dict
        ``positions`` (N, 3) m, ``moments`` (N, 3) A m2 or None, ``diameters`` (N,) m,
        ``chain_index`` (N,) with -1 for singles, ``chain_length`` (N,), ``bonds`` (B, 2) particles,
        ``sides`` (2,) m, ``thickness`` m, ``windows`` whether one stands below and above; of many
        particles a part, see ``analysis.measures.part``.
    run : Run or None
        What was measured.
    """

    numbers: dict[str, Any]
    curves: dict[str, Curve]
    last_frame: dict[str, Any]
    run: Run | None = None

    def __repr__(self) -> str:
        """Say in a line what it is."""
        rows = ", ".join(f"{name} {text}" for name, text in self._rows()[:4])
        return f"<{self._title()}: {rows}; {len(self.numbers.get('warnings', ()))} warnings>"

    def _repr_html_(self) -> str:
        """Show the headline numbers and the warnings in a notebook."""
        warnings = self.numbers.get("warnings", ())
        return html_table(self._title(), [*self._rows(), *(("warning", told) for told in warnings)])

    def _title(self) -> str:
        return "Measurement" + ("" if self.run is None else f" of {self.run.path}")

    def _rows(self) -> list[tuple[str, str]]:
        return [(one.label, one.text(self.numbers)) for one in shown("screen")]

    def table(self) -> dict[str, list[Any]]:
        """Return all measured numbers as columns of equal length, as tables of data take them.

        Returns
        -------
        dict of list
            ``key`` (path in measures.json), ``name``, ``value`` (SI), ``error``, ``samples``,
            ``low`` and ``high`` (of the 95 % interval), ``unit``; None where one is not known.
        """
        columns: dict[str, list[Any]] = {name: [] for name in TABLE_COLUMNS}
        for one in MEASURED:
            entry = one.entry(self.numbers)
            parts = {one.path: entry}
            if isinstance(entry, list):
                parts = {f"{one.path}.{number}": part for number, part in enumerate(entry)}
            for path, part in parts.items():
                held = part if isinstance(part, dict) else {"value": part}
                low, high = held.get("interval_95") or (None, None)
                known = (held.get(name) for name in ("value", "error", "samples"))
                row = (path, one.name, *known, low, high, one.si_unit)
                for name, value in zip(TABLE_COLUMNS, row, strict=True):
                    columns[name].append(value)
        return columns


TABLE_COLUMNS = ("key", "name", "value", "error", "samples", "low", "high", "unit")


def measure(
    run: Run | str | os.PathLike[str],
    *,
    bond_distance: float | None = None,
    bond_alignment: float | None = None,
    bond_energy: float | str | None = None,
    from_time: float | None = None,
    on_progress: Callable[[int, int], None] | None = None,
    sections: Sequence[Callable[[MeasuredRun], Section]] = SECTIONS,
) -> Measurement:
    """Measure a run.

    Parameters
    ----------
    run : Run, str or path-like
        An opened trajectory, or what ``open_run`` opens.
    bond_distance, bond_alignment : float, optional
        The bond rule; by default that of the run, else 1.3 mean diameters and 0.5.
    bond_energy : float or "auto", optional
        Bonds by dipolar energy instead, with this limit in kT; "auto" is half the contact energy.
    from_time : float, optional
        Average from this time in s on; by default over the second half of the last steady stage
        of the field.
    on_progress : callable, optional
        Called with (frames measured, frames) after each frame.
    sections : sequence of callables, optional
        Classes of the sections to measure, in the order of measures.json; by default all of
        ``analysis.measures.sections``.

    Returns
    -------
    Measurement
        Numbers that could not be measured have the value None and a reason in ``warnings``.

    Raises
    ------
    ValueError
        Where a bond rule or ``from_time`` is outside its range, or two sections, or two curves,
        have one name.
    TrajectoryError
        Where a frame cannot be read.
    """
    run = as_run(run)
    rule = rule_of(run.bonds, temperature_of(run), bond_distance, bond_alignment, bond_energy)
    seen = MeasuredRun.of(run, rule, from_time)
    measured = [section(seen) for section in sections]
    for frame in seen.frames():
        for one in measured:
            one.add(frame)
        if on_progress is not None:
            on_progress(frame.number + 1, run.frames)
    warnings = recorded_warnings(run)
    numbers: dict[str, Any] = {"parameters": recorded(run), "derived": derived(run)}
    curves: dict[str, Curve] = {}
    for one in measured:
        _join(numbers, {one.name: one.numbers(warnings)}, "section")
        _join(curves, {curve.NAME: curve for curve in one.curves()}, "curve")
    _join(numbers, {with_flow.NAME: with_flow.with_flow(run, numbers, warnings)}, "section")
    _join(numbers, {"timing": timing(run), "warnings": warnings}, "section")
    averages = [one.name for one in measured if one.averages]
    warnings += structures_warning(seen)
    if run.is_sampled:
        without_lengths(numbers, warnings, float(run.sides.max()))
    warnings += short_run_warning(numbers, averages)
    if run.is_sampled:
        without_times(numbers, warnings)
    return Measurement(keep_possible(_plain(numbers)), curves, for_pictures(frame), run)


def _join(whole: dict[str, Any], parts: Mapping[str, Any], what: str) -> None:
    """Add parts whose names are not taken."""
    for name, part in parts.items():
        if name in whole:
            raise ValueError(f"every {what} must have a name of its own; received {name} twice.")
        whole[name] = part


def for_pictures(frame: Frame) -> dict[str, Any]:
    """Return a frame as ``Measurement.last_frame`` holds it, of many particles a part."""
    cutout, thickness = frame.run.cutout, frame.run.thickness
    whole = {
        "positions": frame.positions,
        "moments": frame.moments,
        "diameters": frame.diameters,
        "chain_index": frame.chains.index,
        "chain_length": frame.chains.size[frame.chains.group],
        "bonds": frame.chains.bonds,
        "sides": frame.run.sides,
        "thickness": thickness,
        "windows": (True, True) if cutout is None else cutout.windows(thickness),
    }
    return part_of(whole)


def _plain(value: Any) -> Any:
    """Return nested values as JSON knows them; numbers that are not finite become None."""
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, np.bool_):
        return bool(value)
    if isinstance(value, np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    return value


def write(measurement: Measurement, directory: str | Path) -> Path:
    """Write measures.json into a folder, atomically, and return its path."""
    path = Path(directory) / file_names.MEASURES
    write_text(path, json.dumps(measurement.numbers, indent=2, ensure_ascii=False) + "\n")
    return path
