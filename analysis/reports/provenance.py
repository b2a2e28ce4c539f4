"""How a run or a sweep was made, as rows of a page: program, libraries, machine, time by phase."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analysis.files.provenance import facts, libraries_text, program_text
from analysis.uncertainty.number_text import NOT_MEASURED, as_float, with_unit

if TYPE_CHECKING:
    from analysis.sweeps.gather import SweepTable
    from analysis.trajectory.run import Run

__all__ = ["run_rows", "sweep_rows"]

PHASES = (
    ("setup_s", "Time to set up"),
    ("compile_s", "Time to compile"),
    ("stepping_s", "Time for the steps"),
    ("mesh_s", "of it for the mesh"),
    ("output_s", "Time for files"),
    ("measuring_s", "Time to measure"),
)


def run_rows(numbers: dict[str, Any], run: Run) -> list[tuple[str, str]]:
    """Return program, versions, seed, processor and cost: what it takes to repeat the run."""
    program = {"program": "chainfilm", "version": run.version, **run.origin}
    rows = [("Program", program_text(program) if run.version else "not recorded")]
    if run.versions:
        rows.append(("Libraries", libraries_text(run.versions)))
    rows.append(("Seed", "not recorded" if run.seed is None else str(run.seed)))
    if run.origin.get("run_id"):
        rows.append(("Run", str(run.origin["run_id"])))
    rows.append(("Processor", run.processor or "not recorded"))
    rows += [
        (
            f"Resumed at step {part.get('from_step')}",
            f"{program_text(part)}, {part.get('threads')} threads, {part.get('processor')}",
        )
        for part in run.origin.get("parts", [])[1:]
    ]
    if about := numbers.get("measured_by"):
        rows.append(("Measured by", f"{program_text(about)}, {about.get('processor')}"))
    rows.append(("End of the run", run.end_reason or "not recorded"))
    timing = numbers.get("timing")
    timing = timing if isinstance(timing, dict) else {}
    for key, name in PHASES:
        if key in timing and with_unit(as_float(timing[key])) != NOT_MEASURED:
            rows.append((name, with_unit(as_float(timing[key]), "s")))
    for key, name in (("steps", "Steps made"), ("threads", "Threads")):
        if with_unit(as_float(timing.get(key))) != NOT_MEASURED:
            rows.append((name, f"{as_float(timing[key]):.0f}"))
    return rows


def sweep_rows(table: SweepTable) -> list[tuple[str, str]]:
    """Return programs, machine and cost; seeds and all parameters stand in sweep.json."""
    begun, now = table.begun_by, facts()
    rows = [("Begun by", program_text(begun) or "not recorded")]
    if now:
        rows.append(("Gathered by", f"{program_text(now)}, {now.get('processor')}"))
    if isinstance(begun.get("versions"), dict):
        rows.append(("Libraries", libraries_text(begun["versions"])))
    if begun.get("processor"):
        rows.append(("Processor", str(begun["processor"])))
    rows.append(("Seeds and parameters", "of every run, as resolved: sweep.json"))
    rows.append(("Program and machine of each run", "its report, and measures.json in its folder"))
    rows += [
        (f"{name}, all runs", with_unit(table.timing[key], "s"))
        for key, name in PHASES
        if key in table.timing
    ]
    return rows
