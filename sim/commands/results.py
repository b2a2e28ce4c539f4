"""What the commands ask of `analysis`: measuring, drawing and gathering what a run has left.

Beside `sim.command_line` the one module that knows both packages; it prints nothing.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

from analysis.common import file_names
from sim.commands.terminal import notice_lines
from sim.commands.text import UsageError, paragraphs, table

if TYPE_CHECKING:
    from analysis.chains.measured_run import MeasuredRun
    from analysis.measures.measure import Measurement
    from analysis.sweeps.gather import SweepTable
    from analysis.trajectory.run import Run as Trajectory
    from sim.outlook.expectations import Expectations

OnFrame: TypeAlias = Callable[[int, int], None]


@contextlib.contextmanager
def signed(parameters: str, **about: Any) -> Iterator[dict[str, Any]]:
    """Let the files that are written meanwhile say which program made them, on which machine.

    Parameters
    ----------
    parameters : str
        The file that holds the parameters.
    about
        What else is known: ``seed``, ``run_id``.

    Yields
    ------
    dict
        What they say.
    """
    from analysis.files import provenance
    from sim.files.provenance import made_by

    facts = {**made_by(), **about, "parameters": parameters}
    with provenance.signed(facts):
        yield facts


@contextlib.contextmanager
def _measured(
    source: Path, directory: Path, criteria: dict[str, Any], holder: str
) -> Iterator[tuple[Trajectory, Measurement]]:
    """Open and measure a run, without light; what is written meanwhile is signed with it."""
    from analysis.measures.measure import measure
    from analysis.trajectory.run import open_run
    from sim.files.folder import make_writable

    run = open_run(source)
    first, last = criteria.get("from_time"), float(run.times[-1])
    if first is not None and run.is_sampled:
        raise UsageError(
            f"--from-time must be left out: {source} is a sampled run, and no time belongs to its "
            f"sweeps; received {first:.4g} s"
        )
    if first is not None and not first <= last:
        raise UsageError(
            f"--from-time must be at most {last:.4g} s, the last frame of {source}; "
            f"received {first:.4g} s"
        )
    make_writable(directory)  # measuring takes its time: a folder that is no use is told before
    with signed(holder, seed=run.seed, run_id=run.origin.get("run_id")) as facts:
        began = time.perf_counter()
        measurement = measure(run, **criteria)
        measurement.numbers["timing"]["measuring_s"] = time.perf_counter() - began
        measurement.numbers["measured_by"] = facts
        yield run, measurement


def measure_into(
    source: Path,
    directory: Path,
    *,
    plots: bool,
    criteria: dict[str, Any] | None = None,
    on_progress: Callable[[int, int], None] | None = None,
) -> Measurement:
    """Measure a run file and write numbers, tables and, if wanted, figures and report.

    `on_progress` is called with (frames measured, frames).
    """
    from analysis.measures.measure import write
    from analysis.measures.tables import write_tables
    from analysis.optics.optional import add_light_or_tell

    asked = {**(criteria or {}), "on_progress": on_progress}
    optics = asked.pop("optics", None)
    with _measured(source, directory, asked, file_names.MEASURES) as (run, measurement):
        write(measurement, directory)  # before all that the numbers do not need
        write_tables(measurement, directory)
        add_light_or_tell(measurement, run, optics, directory)
        write(measurement, directory)  # with what light rests on
        if plots:
            _draw_after_numbers(measurement, run, directory)
    return measurement


def _draw_after_numbers(measurement: Measurement, run: Trajectory, directory: Path) -> None:
    """Draw figures and report; what cannot be drawn becomes a warning beside the numbers."""
    from analysis.files.failures import failures
    from analysis.measures.measure import write
    from analysis.pictures.all import draw_all
    from analysis.reports.optics import write_optics_report
    from analysis.reports.run import write_report

    with failures() as said:
        drawn = draw_all(measurement, run, directory / file_names.FIGURES, format="png")
        if said:
            measurement.numbers.setdefault("warnings", []).extend(said)
            write(measurement, directory)
        write_report(measurement, run, directory, drawn)
        write_optics_report(measurement, run, directory, drawn)


@contextlib.contextmanager
def told_failures() -> Iterator[None]:
    """Tell on the terminal which figures cannot be drawn meanwhile."""
    from analysis.files.failures import failures

    with failures() as said:
        yield
    notice_lines(said)


def draw(source: Path, directory: Path, criteria: dict[str, Any], kind: str) -> None:
    """Draw the figures of a run file again."""
    from analysis.optics.optional import add_light_or_tell
    from analysis.pictures.all import draw_all

    asked = dict(criteria)
    optics = asked.pop("optics", None)
    with told_failures(), _measured(source, directory, asked, source.name) as held:
        run, measurement = held
        notice_lines(add_light_or_tell(measurement, run, optics))
        draw_all(measurement, run, directory / file_names.FIGURES, format=kind)


def _seen(source: Path, criteria: dict[str, Any]) -> MeasuredRun:
    """Open a run with its bond rule, unmeasured."""
    from analysis.chains.bonds import rule_of
    from analysis.chains.measured_run import MeasuredRun, temperature_of
    from analysis.trajectory.run import open_run

    run = open_run(source)
    rule = [criteria[f"bond_{name}"] for name in ("distance", "alignment", "energy")]
    return MeasuredRun.of(run, rule_of(run.bonds, temperature_of(run), *rule))


def draw_motion(
    source: Path, directory: Path, criteria: dict[str, Any], most: int, on_progress: OnFrame
) -> list[Path]:
    """Draw the film of a run file in motion."""
    from analysis.pictures.motion import draw_motion as draw

    seen = _seen(source, criteria)
    with told_failures():
        return draw(seen, directory / file_names.FIGURES, most, on_progress)


def write_for_viewers(
    source: Path, directory: Path, criteria: dict[str, Any], most: int, on_progress: OnFrame
) -> list[Path]:
    """Write frames of a run file for viewers."""
    from analysis.measures.viewers import write_for_viewers as write
    from sim.files.folder import make_writable

    seen = _seen(source, criteria)
    make_writable(directory)
    with signed(source.name, seed=seen.run.seed, run_id=seen.run.origin.get("run_id")):
        return write(seen, directory, most, on_progress)


def draw_pair(expectations: Expectations, path: Path, parameters: str) -> None:
    """Draw the pair potential that a parameter file leads to."""
    from analysis.pictures.pair_potential import save_pair_potential

    try:
        with signed(Path(parameters).name):
            save_pair_potential(expectations.pair_potential, path)
    except OSError as error:
        raise UsageError(f"the figure {path} cannot be written: {error.strerror}") from error


def draw_pair_of_run(expectations: Expectations, directory: Path, parameters: str) -> None:
    """Draw the pair potential of a finished run into its folder, if it can be drawn."""
    from analysis.pictures.pair_potential import pair_potential
    from analysis.pictures.style import save_all

    figures = {"pair_potential": lambda: pair_potential(expectations.pair_potential)}
    with signed(Path(parameters).name), told_failures():
        save_all(figures, directory / file_names.FIGURES, "png")


def summarise(directory: Path, *, plots: bool, kind: str = "png") -> SweepTable:
    """Gather the runs of a sweep, finished or not, into tables, figures and a page."""
    from analysis.sweeps.gather import collect, write_tables
    from analysis.sweeps.optics import collect_optics, write_optics_summary

    gathered = collect(directory)
    write_tables(gathered, directory)
    optics = collect_optics(gathered)
    write_optics_summary(optics, directory)
    if plots:
        from analysis.sweeps.optics_report import draw_optics, write_optics_report
        from analysis.sweeps.report import write_sweep_report
        from analysis.sweeps.trends import draw_trends

        with signed(file_names.SWEEP), told_failures():
            figures = directory / file_names.FIGURES
            trends = draw_trends(gathered, figures, format=kind)
            light = draw_optics(optics, figures, format=kind)
            if kind != "png":  # pages hold PNG pictures alone
                trends, light = [], []
            write_optics_report(optics, gathered, directory, light)
            write_sweep_report(gathered, directory, trends)
    return gathered


def measure_sweep(directory: Path, criteria: dict[str, Any]) -> SweepTable:
    """Measure all runs of a sweep again, finished or not, and gather them."""
    from analysis.sweeps.gather import collect

    for row in collect(directory).rows:
        if row["status"] == "done":
            folder = directory / row["folder"]
            redraw = (folder / file_names.REPORT).exists()
            measure_into(folder / file_names.RUN, folder, plots=redraw, criteria=criteria)
    return summarise(directory, plots=(directory / file_names.SWEEP_REPORT).exists())


def headline_rows(measurement: Measurement) -> list[tuple[str, str]]:
    """Return the numbers that a run prints, as label and text."""
    from analysis.measures.stages import averaged_over
    from analysis.quantities.all import shown
    from analysis.response.decay_text import decay_rows

    numbers = measurement.numbers
    rows = [(one.label, one.text(numbers)) for one in shown("screen")]
    rows += decay_rows(numbers)
    if over := averaged_over(numbers):
        rows.insert(0, ("averaged over", over))
    rest = numbers.get("equilibration", {})
    if rest.get("condensed"):
        rows.append(
            ("instead of chain lengths", rest["condensed"].partition(": ")[2].partition(";")[0])
        )
    reached = rest.get("reached")
    rows.append(("equilibrium", "reached" if reached else "not reached: values at this time"))
    structures = rest.get("independent_structures")
    if structures is not None:
        rows.append(("independent structures", f"{structures:.3g}"))
    return rows


def headline_text(measurement: Measurement) -> str:
    """Return the numbers and warnings that a run prints."""
    text = table(headline_rows(measurement))
    if measurement.numbers.get("warnings"):
        text += f"\n\nWarnings\n{paragraphs(measurement.numbers['warnings'])}"
    return text


def short_settings(gathered: SweepTable, row: dict[str, Any]) -> str:
    """Return the settings of a row of a table in words."""
    return ", ".join(axis.shown(row[axis.column]) for axis in gathered.axes.values())
