"""What the commands ask of `analysis`: measuring, drawing and gathering what a run has left.

Beside `sim.command_line` the one module that knows both packages; it prints nothing.
"""

from __future__ import annotations

import contextlib
import json
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sim.commands.terminal import notice_lines
from sim.commands.text import UsageError, paragraphs, table

if TYPE_CHECKING:
    from analysis.measures.measure import Measurement
    from analysis.sweeps.gather import SweepTable
    from analysis.sweeps.grid import SweepGrid
    from analysis.trajectory.run import Run as Trajectory
    from sim.outlook.cell.drift import CellDrift
    from sim.outlook.cell.map import CellMap
    from sim.outlook.expectations import Expectations

__all__ = [
    "clear_map",
    "draw",
    "draw_drift_into",
    "draw_map_into",
    "draw_pair",
    "draw_pair_of_run",
    "headline_rows",
    "headline_text",
    "measure_into",
    "measure_picture_into",
    "measure_sweep",
    "open_sweep_grid",
    "picture_rows",
    "short_settings",
    "signed",
    "summarise",
    "sweep_on_map",
    "unreadable",
    "write_map_record",
]


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

    run = open_run(source)
    first, last = criteria.get("from_time"), float(run.times[-1])
    if first is not None and not first <= last:
        raise UsageError(
            f"--from-time must be at most {last:.4g} s, the last frame of {source}; "
            f"received {first:.4g} s"
        )
    _make_folder(directory)  # measuring takes its time: a folder that is no use is told before
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
    with _measured(source, directory, asked, "measures.json") as (run, measurement):
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
    from analysis.reports.run import write_report

    with failures() as said:
        draw_all(measurement, run, directory / "figures", format="png")
        if said:
            measurement.numbers.setdefault("warnings", []).extend(said)
            write(measurement, directory)
        write_report(measurement, run, directory)


@contextlib.contextmanager
def _told_failures() -> Iterator[None]:
    """Tell on the terminal which figures cannot be drawn meanwhile."""
    from analysis.files.failures import failures

    with failures() as said:
        yield
    notice_lines(said)


def measure_picture_into(image: Path, pixel: float, directory: Path) -> dict[str, Any]:
    """Measure a microscope picture and write micrograph.json, micrograph.csv and a figure."""
    from analysis.micrograph.measure import measure_picture
    from analysis.micrograph.picture import PictureError, read_picture
    from analysis.micrograph.results import write_micrograph

    picture = read_picture(image, pixel)
    for name in ("micrograph.json", "micrograph.csv", "micrograph.png"):
        if (directory / name).resolve() == image.resolve():
            raise PictureError(f"-o must be another folder: {image} would be replaced by results.")
    _make_folder(directory)
    with signed("micrograph.json"), _told_failures():
        return write_micrograph(measure_picture(picture), directory)


def draw(source: Path, directory: Path, criteria: dict[str, Any], kind: str) -> None:
    """Draw the figures of a run file again."""
    from analysis.optics.optional import add_light_or_tell
    from analysis.pictures.all import draw_all

    asked = dict(criteria)
    optics = asked.pop("optics", None)
    with _told_failures(), _measured(source, directory, asked, source.name) as held:
        run, measurement = held
        notice_lines(add_light_or_tell(measurement, run, optics))
        draw_all(measurement, run, directory / "figures", format=kind)


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
    with signed(Path(parameters).name), _told_failures():
        save_all(figures, directory / "figures", "png")


def open_sweep_grid(directory: Path) -> SweepGrid:
    """Read a finished sweep as a table to look up."""
    from analysis.sweeps.grid import read_sweep_grid

    return read_sweep_grid(directory)


def sweep_on_map(
    grid: SweepGrid, directory: Path, film: dict[str, Any], places: dict[str, Any]
) -> tuple[dict[str, Any], list[tuple[str, str]], list[str]]:
    """Lay a sweep over a map: columns, rows of label and text, and sentences to mind.

    Parameters
    ----------
    grid : SweepGrid
        The sweep.
    directory : Path
        Its folder.
    film : dict
        Parameters of the mapped film in SI, as a run records them.
    places : dict of ndarray
        Field in T, tilt in degrees, thickness in m and volume fraction at the places.
    """
    from analysis.cell import sweep as sweep_map

    columns = sweep_map.sweep_columns(grid, places)
    sentences = sweep_map.sweep_sentences(grid, directory, film, columns)
    return columns, sweep_map.sweep_rows(columns), sentences


def draw_map_into(
    film: CellMap,
    outlines: list[dict[str, Any]],
    directory: Path,
    swept: dict[str, Any] | None = None,
    *,
    place: tuple[float, float] | None = None,
    moment: float | None = None,
) -> None:
    """Write the map of a cell as a table and a grid, and draw it with its magnets.

    What a sweep measured (``swept``) adds columns and figures. The ``place`` of the patch in m is
    marked, and the ``moment`` in s stands on the figures of magnets that move.
    """
    from analysis.cell.axes import time_note
    from analysis.cell.chains import draw_map
    from analysis.cell.files import write_map

    _make_folder(directory)
    note = time_note(moment)
    columns = film.columns() | (swept or {})
    write_map(film.x, film.y, columns, directory)
    with _told_failures():
        draw_map(film.x, film.y, columns, outlines, directory / "figures", place=place, note=note)
        if swept:
            from analysis.cell.sweep_pictures import draw_sweep_map

            draw_sweep_map(film.x, film.y, swept, outlines, directory / "figures", note=note)


def clear_map(directory: Path) -> None:
    """Remove what an earlier map has written into a folder, and nothing else."""
    tables = ("cell_map.csv", "drift.csv", "drift_change.csv", "drift_frames.csv")
    figures = (
        "chains_map", "numbers_map", "drift_maps", "drift_chains", "sweep_map", "sweep_errors_map",
    )  # fmt: skip
    others = ("map.json", "cell_map.vti", "drift.vti")
    for name in (*tables, *others, *(f"figures/{f}.png" for f in figures)):
        (directory / name).unlink(missing_ok=True)


def draw_drift_into(
    found: CellDrift,
    outlines: list[dict[str, Any]],
    directory: Path,
    swept: dict[str, Any] | None = None,
    *,
    moment: float | None = None,
) -> None:
    """Write a drift over a cell as tables and a grid, and draw it with the magnets.

    What a sweep measured at the amount of particles that is left (``swept``) adds columns. The
    ``moment`` in s stands on the figures of magnets that move.
    """
    from analysis.cell import drift_files
    from analysis.cell.axes import time_note
    from analysis.cell.drift import drift_maps
    from analysis.cell.drift_chains import chains_left
    from analysis.pictures.style import save_all

    drift, sides, note = found.drift, found.sides, time_note(moment)
    chains: dict[str, Any] = {
        "spacing_m": found.spacing, "mean_length": found.mean_length, "state": found.state,
        **(swept or {}),
    }  # fmt: skip
    frames = (drift.time_s, drift.volume_fraction, drift.equilibrium)
    steps = (drift.step_time_s, drift.change)
    drift_files.write_drift_map(
        directory / "drift.csv", found.x, found.y, found.strength, drift.energy_kt, *frames, chains
    )
    drift_files.write_drift_change(directory / "drift_change.csv", *steps)
    drift_files.write_drift_frames(
        directory / "drift_frames.csv", found.times, found.change, found.fractions, found.spacing,
        found.share_with_chains,
    )  # fmt: skip
    columns = {"volume_fraction": found.fractions, **chains}
    drift_files.write_drift_grid(directory / "drift.vti", found.x, found.y, found.times, columns)
    figures = {
        "drift_maps": lambda: drift_maps(
            sides, *frames, *steps, drift.half_time_s, outlines, note=note
        ),
        "drift_chains": lambda: chains_left(
            sides,
            found.times,
            found.change,
            found.fractions,
            found.spacing,
            found.state,
            outlines,
            note=note,
        ),
    }
    with _told_failures():
        save_all(figures, directory / "figures", "png")


def summarise(directory: Path, *, plots: bool, kind: str = "png") -> SweepTable:
    """Gather the runs of a sweep, finished or not, into tables, figures and a page."""
    from analysis.sweeps.gather import collect, write_tables

    gathered = collect(directory)
    write_tables(gathered, directory)
    if plots:
        from analysis.sweeps.report import write_sweep_report
        from analysis.sweeps.trends import draw_trends

        with signed("sweep.json"), _told_failures():
            draw_trends(gathered, directory / "figures", format=kind)
            write_sweep_report(gathered, directory)
    return gathered


def write_map_record(directory: Path, content: dict[str, Any]) -> None:
    """Write map.json: what a map was made of and by."""
    from analysis.files.writing import write_text

    write_text(directory / "map.json", json.dumps(content, indent=1, ensure_ascii=False) + "\n")


def measure_sweep(directory: Path, criteria: dict[str, Any]) -> SweepTable:
    """Measure all runs of a sweep again, finished or not, and gather them."""
    from analysis.sweeps.gather import collect

    for row in collect(directory).rows:
        if row["status"] == "done":
            folder = directory / row["folder"]
            redraw = (folder / "report.html").exists()
            measure_into(folder / "run.h5", folder, plots=redraw, criteria=criteria)
    return summarise(directory, plots=(directory / "sweep_report.html").exists())


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
    reached = numbers.get("equilibration", {}).get("reached")
    rows.append(("equilibrium", "reached" if reached else "not reached: values at this time"))
    structures = numbers.get("equilibration", {}).get("independent_structures")
    if structures is not None:
        rows.append(("independent structures", f"{structures:.3g}"))
    return rows


def headline_text(measurement: Measurement) -> str:
    """Return the numbers and warnings that a run prints."""
    text = table(headline_rows(measurement))
    if measurement.numbers.get("warnings"):
        text += f"\n\nWarnings\n{paragraphs(measurement.numbers['warnings'])}"
    return text


def picture_rows(numbers: dict[str, Any]) -> list[tuple[str, str]]:
    """Return the numbers that a measured picture prints, as label and text."""
    from analysis.quantities.micrograph import MICROGRAPH

    return [(one.label, one.text(numbers)) for one in MICROGRAPH]


def short_settings(gathered: SweepTable, row: dict[str, Any]) -> str:
    """Return the settings of a row of a table in words."""
    return ", ".join(axis.shown(row[axis.column]) for axis in gathered.axes.values())


def unreadable() -> tuple[type[Exception], ...]:
    """Return the errors of files that cannot be measured, which are bad input."""
    from analysis.micrograph.picture import PictureError
    from analysis.sweeps.gather import SweepFolderError
    from analysis.trajectory.run import TrajectoryError

    return TrajectoryError, SweepFolderError, PictureError


def _make_folder(directory: Path) -> None:
    from sim.files.folder import RunFolder, make_writable

    make_writable(RunFolder(directory))
