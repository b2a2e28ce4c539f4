"""Gathers the runs of a sweep into two tables: one row per run, one row per point with errors.

Everything is read from the folders of the runs, so that a sweep that was stopped, or is still
running, gives the same tables for what is done.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from analysis.common import file_names
from analysis.common.errors import InputError
from analysis.files.csv_text import write_csv
from analysis.sweeps.fluids import BOTTLE, FLUID, TOGETHER, over_fluids
from analysis.sweeps.keys import SweptKey
from analysis.sweeps.run import MEASURES, SweptRun, read_run
from analysis.uncertainty.estimate import Estimate
from analysis.uncertainty.number_text import as_float, scale_for
from analysis.uncertainty.replicas import combine_replicas, replica_interval

FEWEST_PAIRS = 6
"""So many replicas beyond the first of each point are wanted to judge the errors of the runs."""

EXTRA = ("predicted_mean_length", "predicted_mean_length_low", "predicted_mean_length_high")


class SweepFolderError(InputError):
    """A folder holds no sweep, or its record cannot be read."""


@dataclass(frozen=True)
class SweepTable:
    """A sweep as far as it is done.

    Attributes
    ----------
    title, directory
        Heading and folder of the sweep.
    axes : dict of SweptKey
        Swept keys with their units, by path.
    rows, summary : list of dict
        Rows of sweep.csv and summary.csv: numbers, texts, or None where unmeasured.
    scatter : dict of float
        By column: root of the mean square difference of replicas over that expected from the
        errors of the runs; only where enough replicas are done.
    provisional : str
        Words that mark runs with cut-off dipole forces, "" for others.
    example : Path or None
        Folder of a run that is done, to read sizes from.
    begun_by : dict
        What the sweep was begun by, as it recorded that.
    timing : dict of float
        Seconds by phase, all runs together that are done.
    small_patches : dict of tuple of int
        Points whose patch is too small, under "narrow" for their spacings and "short" for their
        chains.
    fluids : int
        Likely fluids with each of which every point is run; 0 without an ensemble.
    """

    title: str
    directory: Path
    axes: dict[str, SweptKey]
    rows: list[dict[str, Any]]
    summary: list[dict[str, Any]]
    scatter: dict[str, float] = field(default_factory=dict)
    provisional: str = ""
    example: Path | None = None
    begun_by: dict[str, Any] = field(default_factory=dict)
    timing: dict[str, float] = field(default_factory=dict)
    small_patches: dict[str, tuple[int, ...]] = field(default_factory=dict)
    fluids: int = 0

    @property
    def keys(self) -> list[str]:
        """Paths of the swept keys, in order."""
        return list(self.axes)

    def count(self, status: str) -> int:
        """Return the number of runs that are "done", "failed" or "unfinished"."""
        return sum(row["status"] == status for row in self.rows)

    @property
    def complete(self) -> bool:
        """Whether every run is done or has failed."""
        return self.count("unfinished") == 0

    @property
    def label(self) -> str:
        """Words for a table or figure of a sweep that is not whole, "" for one that is."""
        done, failed, total = self.count("done"), self.count("failed"), len(self.rows)
        parts = [] if self.complete else [f"unfinished: {done} of {total} runs are done"]
        if failed:
            parts.append(f"{failed} of {total} runs failed")
        return "; ".join(parts)


# How the warnings on a small patch begin in measures.json.
SMALL_PATCH = {"narrow": "spacing: the patch holds", "short": "chains: the patch is"}


def collect(directory: str | Path) -> SweepTable:
    """Read a sweep, finished or not.

    Parameters
    ----------
    directory : str or Path
        Folder of the sweep, with its sweep.json.

    Returns
    -------
    SweepTable
        All that is there.

    Raises
    ------
    SweepFolderError
        If the folder holds no readable sweep.json.
    """
    folder = Path(directory)
    record = _record(folder / file_names.SWEEP)
    axes = {key["path"]: SweptKey(key["path"], str(key.get("unit", ""))) for key in record["keys"]}
    rows, runs = [], []
    for point in record["points"]:
        for planned in point["runs"]:
            run = read_run(folder / planned["folder"])
            runs.append(run)
            rows.append(_row(point, planned, axes, run))
    scatter = _scatter(rows, runs)
    return SweepTable(
        title=str(record.get("title") or "Sweep"),
        directory=folder,
        axes=axes,
        rows=rows,
        summary=_summary(rows, runs, axes, scatter),
        scatter=scatter,
        provisional=next((_provisional(run) for run in runs if _provisional(run)), ""),
        example=next(
            (folder / row["folder"] for row in rows if row["status"] == "done"),
            None,
        ),
        begun_by=_begun_by(record),
        timing=_seconds(runs),
        fluids=len({row[FLUID] for row in rows if FLUID in row}),
        small_patches={
            name: tuple(
                dict.fromkeys(
                    row["point"]
                    for row, run in zip(rows, runs, strict=True)
                    if any(sentence.startswith(start) for sentence in run.warnings)
                )
            )
            for name, start in SMALL_PATCH.items()
        },
    )


def _begun_by(record: dict[str, Any]) -> dict[str, Any]:
    """Return what a sweep was begun by; sweeps of an earlier version say less."""
    found = record.get("made_by")
    if isinstance(found, dict):
        return found
    return {"program": "chainfilm", "version": record.get("version")}


def _seconds(runs: list[SweptRun]) -> dict[str, float]:
    """Return the seconds of all runs by phase."""
    total: dict[str, float] = {}
    for run in runs:
        timing = run.numbers.get("timing")
        for key, value in timing.items() if isinstance(timing, dict) else ():
            if key.endswith("_s") and isinstance(value, int | float):
                total[key] = total.get(key, 0.0) + value
    return total


def _record(path: Path) -> dict[str, Any]:
    """Content of sweep.json, checked for what is needed of it."""
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise SweepFolderError(
            f"{path.parent} holds no sweep: sweep.json cannot be read ({error.strerror})."
        ) from error
    except ValueError as error:
        raise SweepFolderError(f"{path} is no JSON: {error}.") from error
    try:
        for key in record["keys"]:
            key["path"].partition(".")
        for point in record["points"]:
            _ = point["point"], {**point["columns"]}
            for run in point["runs"]:
                inside, _ = Path(run["folder"]), run["replica"]
                if inside.is_absolute() or ".." in inside.parts:
                    raise SweepFolderError(
                        f"{path} must name folders of runs inside its own; it names {inside}."
                    )
    except (KeyError, TypeError, AttributeError) as error:
        raise SweepFolderError(
            f"{path} must hold the lists keys and points, each point with columns and runs."
        ) from error
    return dict(record)


def _row(
    point: dict[str, Any], planned: dict[str, Any], axes: dict[str, SweptKey], run: SweptRun
) -> dict[str, Any]:
    """Row of sweep.csv."""
    row: dict[str, Any] = {
        "point": point["point"],
        "replica": planned["replica"],
        "seed": planned.get("seed"),
        "status": run.status,
        "reason": run.reason,
        "folder": planned["folder"],
    }
    if FLUID in planned:
        row[FLUID] = planned[FLUID]
    row |= {axis.column: point["columns"].get(axis.column) for axis in axes.values()}
    done = run.status == "done"
    row["equilibrated"] = ("yes" if run.equilibrated else "no") if done else None
    for measure in MEASURES:
        estimate = run.estimates.get(measure.column)
        row[measure.column] = estimate.value if estimate else None
        row[f"{measure.column}_error"] = estimate.error if estimate else None
    section = run.numbers.get("magnetisation")
    law = section.get("langevin_relative") if isinstance(section, dict) else None
    row["magnetisation_langevin"] = _or_none(law)
    derived = run.numbers.get("derived")
    for name in EXTRA:
        row[name] = _or_none(derived.get(name) if isinstance(derived, dict) else None)
    return row


def _or_none(value: Any) -> float | None:
    number = as_float(value)
    return number if math.isfinite(number) else None


def _provisional(run: SweptRun) -> str:
    """Words for cut-off dipole forces, as figures of single runs have them."""
    record, derived = (run.numbers.get(key) for key in ("parameters", "derived"))
    if not (isinstance(record, dict) and isinstance(derived, dict) and record.get("provisional")):
        return ""
    reach = as_float(derived.get("cutoff_m"))
    if not reach > 0:
        return "provisional: dipoles cut off"
    scale = scale_for(reach, "m")
    return f"provisional: dipoles cut off at {reach * scale.factor:.3g} {scale.unit}"


def _by_point(
    rows: list[dict[str, Any]], *keys: str, among: Iterable[int] | None = None
) -> Iterable[list[int]]:
    """Numbers of the rows of each point, or of all that agree in more keys, in order."""
    groups: dict[Any, list[int]] = {}
    for number in range(len(rows)) if among is None else among:
        row = rows[number]
        groups.setdefault((row["point"], *map(row.get, keys)), []).append(number)
    return groups.values()


def _scatter(rows: list[dict[str, Any]], runs: list[SweptRun]) -> dict[str, float]:
    """How far replicas of one point differ beyond the errors of the runs, over all points.

    Two replicas say next to nothing about their own scatter, twenty pairs say a lot: the sum of
    squared deviations from the weighted mean of each point, over the number of replicas beyond the
    first of each, is one where the errors of the runs are right.
    """
    out = {}
    for measure in MEASURES:
        squares, freedom = 0.0, 0
        for group in _by_point(rows, FLUID):
            found = [runs[k].estimates.get(measure.column) for k in group]
            good = [(e.value, e.error) for e in found if e and e.value is not None and e.error]
            if len(good) < 2:
                continue
            weights = [1.0 / error**2 for _, error in good]
            mean = sum(w * v for w, (v, _) in zip(weights, good, strict=True)) / sum(weights)
            squares += sum(w * (v - mean) ** 2 for w, (v, _) in zip(weights, good, strict=True))
            freedom += len(good) - 1
        if freedom >= FEWEST_PAIRS:
            out[measure.column] = math.sqrt(squares / freedom)
    return out


def _summary(
    rows: list[dict[str, Any]],
    runs: list[SweptRun],
    axes: dict[str, SweptKey],
    scatter: dict[str, float],
) -> list[dict[str, Any]]:
    """Rows of summary.csv."""
    out = []
    for group in _by_point(rows):
        done = [k for k in group if rows[k]["status"] == "done"]
        head = rows[group[0]]
        row: dict[str, Any] = {
            "point": head["point"],
            "replicas_done": len(done),
            "replicas_failed": sum(rows[k]["status"] == "failed" for k in group),
            "complete": "yes" if len(done) == len(group) else "no",
        }
        row |= {axis.column: head[axis.column] for axis in axes.values()}
        at_rest = sum(runs[k].equilibrated for k in done)
        row["equilibrated_share"] = at_rest / len(done) if done else None
        ends: dict[str, float | None] = {}
        for measure in MEASURES:
            found = [runs[k].estimates[measure.column] for k in done]
            if FLUID in head:
                ends |= _over_fluids(row, rows, runs, done, measure.column, scatter)
                continue
            estimate = _combined(found, scatter.get(measure.column))
            row[measure.column] = estimate.value
            row[f"{measure.column}_error"] = estimate.error
            row[f"{measure.column}_replicas"] = estimate.samples
            values = [e.value for e in found if e.value is not None]
            low, high = replica_interval(values, estimate) or (None, None)
            ends |= {f"{measure.column}_low_95": low, f"{measure.column}_high_95": high}
        for name in ("magnetisation_langevin", *EXTRA):
            values = [rows[k][name] for k in done if rows[k][name] is not None]
            row[name] = math.fsum(values) / len(values) if values else None
        out.append(row | ends)
    return out


def _over_fluids(
    row: dict[str, Any],
    rows: list[dict[str, Any]],
    runs: list[SweptRun],
    done: list[int],
    column: str,
    scatter: dict[str, float],
) -> dict[str, float | None]:
    """Put the mean over all fluids into a row of the summary, and give what stands at its end."""
    groups = _by_point(rows, FLUID, among=done)
    each = [
        _combined([runs[k].estimates[column] for k in group], scatter.get(column))
        for group in groups
    ]
    found = over_fluids(each)
    row[column], row[f"{column}_error"] = found.mean, found.run
    row[f"{column}_replicas"] = found.fluids
    low, high = found.interval() or (None, None)
    return {
        f"{column}{BOTTLE}": found.bottle,
        f"{column}{TOGETHER}": found.together,
        f"{column}_low_95": low,
        f"{column}_high_95": high,
    }


def _combined(estimates: list[Estimate], scatter: float | None) -> Estimate:
    """Mean over replicas; with fewer than three its error is widened by the scatter of all."""
    mean = combine_replicas(estimates)
    if mean.error is None or scatter is None or mean.samples > 2:
        return mean
    return replace(mean, error=mean.error * max(1.0, scatter))


def write_tables(table: SweepTable, directory: str | Path) -> list[Path]:
    """Write sweep.csv and summary.csv, each atomically.

    Parameters
    ----------
    table : SweepTable
        The sweep.
    directory : str or Path
        An existing folder.

    Returns
    -------
    list of Path
        The two files. Numbers read back to the same bits; a cell is empty where nothing was
        measured; a text that a spreadsheet would take for a formula begins with an apostrophe.
    """
    names = (file_names.SWEEP_TABLE, file_names.SUMMARY)
    return [
        write_csv(Path(directory) / name, rows[0] if rows else (), (row.values() for row in rows))
        for name, rows in zip(names, (table.rows, table.summary), strict=True)
    ]
