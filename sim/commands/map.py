"""The command `map`: the field of the magnets over the cell, and what the film does there."""

from __future__ import annotations

import argparse
import dataclasses
import json
import time
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.common import file_names
from analysis.common.arrays import Floats
from analysis.common.conventions import IN_PLANE, NO_CHAINS, STANDING
from sim.commands.drift import draw_drift, drift_text, drift_time
from sim.commands.errors import DONE
from sim.commands.json_output import json_text, map_content
from sim.commands.progress import Waiting
from sim.commands.results import signed, told_failures
from sim.commands.terminal import notice_lines, say
from sim.commands.text import UsageError, folder_of, loaded, paragraphs, quantity_of, table
from sim.files.folder import is_empty, make_writable, refuse_to_replace
from sim.files.record import resolved
from sim.magnets.outlines import outlines
from sim.magnets.poses import at_time, end_of_steps
from sim.magnets.safety import magnet_cautions
from sim.magnets.shapes import field_and_gradient
from sim.outlook.cell.drift import drift_cell
from sim.outlook.cell.map import CellMap, grid, map_cell
from sim.outlook.look_ahead import length_band
from sim.outlook.text.cautions import bench_cautions
from sim.physics.units import format_quantity

if TYPE_CHECKING:
    from analysis.sweeps.grid import SweepGrid
    from sim.parameters.types import Parameters

POINTS = 81
"""Points of the map along the longer side of the cell."""


def map_cell_into(args: argparse.Namespace) -> int:
    """Map a cell into a folder, and return the exit code.

    Raises
    ------
    UsageError
        If the file has no magnets, the time of a drift is none, or the magnets do not move then.
    sim.files.lock.FolderError
        If the folder may not be used.
    sim.magnets.shapes.MagnetError
        If the film reaches into a magnet, or the library of their fields is missing.
    """
    from analysis.files.writing import write_text
    from analysis.sweeps.grid import read_sweep_grid

    parameters = loaded(args.file, None)
    directory = _folder(parameters, args)
    duration = drift_time(args.drift)
    minded = paragraphs([*magnet_cautions(parameters), *bench_cautions(parameters)])
    parameters, moment = _at_rest(parameters, args)
    sweep = read_sweep_grid(Path(args.sweep)) if args.sweep else None
    began = time.perf_counter()
    x, y, places = grid(parameters.cell.width, POINTS)
    film = map_cell(parameters, x, y, *field_and_gradient(parameters.magnets, places))
    mapped = time.perf_counter()
    drift = None
    if duration is not None:
        with Waiting(f"following the drift for {args.drift}"):
            drift = drift_cell(parameters, duration)
    file_names.clear(directory, file_names.OF_MAP, file_names.FIGURES_OF_MAP)
    make_writable(directory)
    shadows = outlines(parameters.magnets)
    parts = [parameters.title or parameters.name, table(_rows(film))]
    swept = drifted = None
    if sweep is not None:
        lay = partial(_swept, sweep, Path(args.sweep), resolved(parameters))
        swept, rows, sentences = lay(_places(parameters, film.strength, film.tilt))
        parts.append(f"Sweep in {args.sweep}\n{table(rows)}\n\n{paragraphs(sentences)}")
        if drift is not None:
            drifted = lay(_places(parameters, drift.strength, drift.tilt, drift.fractions))[0]
    computed = time.perf_counter()
    with signed(file_names.MAP, seed=parameters.run.seed) as facts:
        _draw(film, shadows, directory, swept, place=parameters.cell.place, moment=moment)
        if drift is not None:
            draw_drift(drift, shadows, directory, drifted, moment=moment)
            parts.append(drift_text(parameters, drift, args.drift))
    timing = {
        "field_s": mapped - began, "drift_s": computed - mapped,
        "writing_s": time.perf_counter() - computed,
    }  # fmt: skip
    record: dict[str, Any] = {
        "made_by": facts, "title": parameters.title, "time_s": moment, "drift": args.drift,
        "sweep": args.sweep,
    }  # fmt: skip
    record |= {"parameters": resolved(parameters), "timing": timing}
    content = json.dumps(record, indent=1, ensure_ascii=False)
    write_text(directory / file_names.MAP, content + "\n")
    if args.json:
        say(json_text(map_content(film, parameters, directory, drift)))
    else:
        say("\n\n".join([*parts, f"Cautions\n{minded}", f"results are in {directory}"]))
    return DONE


def _folder(parameters: Parameters, args: argparse.Namespace) -> Path:
    """Give the folder of the map, if it may be used and there is something to map."""
    directory = folder_of(args, "_map")
    if not is_empty(directory):
        found = (directory / file_names.MAP_TABLE).exists()
        refuse_to_replace(directory, found, "map", args.overwrite)
    if not parameters.magnets:
        raise UsageError(
            f'[[magnets]] must be one table or more such as kind = "sphere" for a map; '
            f"{args.file} has none"
        )
    return directory


def _at_rest(parameters: Parameters, args: argparse.Namespace) -> tuple[Parameters, float | None]:
    """Give parameters whose magnets stand as they do at the time of the map, and that time in s."""
    moment = _map_time(args, end_of_steps(parameters.magnets))
    if moment is None:
        return parameters, None
    when = f"{format_quantity(moment, 'time')} after the start" if moment > 0.0 else "at the start"
    other = "" if args.time else "; --time chooses another time"
    notice_lines([f"the magnets move: the map takes them as they stand {when}{other}."])
    still = at_time(parameters.magnets, moment)
    return dataclasses.replace(parameters, magnets=still), moment


def _map_time(args: argparse.Namespace, end: float | None) -> float | None:
    """Read the option --time in s; None where no magnet moves.

    Raises
    ------
    UsageError
        If it is no time, lies before the start or after the last step, or nothing moves.
    """
    if args.time is None:
        return None if end is None else 0.0
    if end is None:
        raise UsageError(
            f"--time is for magnets that move by [[magnets.steps]]; "
            f"those in {args.file} stand still"
        )
    moment = quantity_of("--time", args.time, "time")
    if not 0.0 <= moment <= end * (1.0 + 1e-9):
        raise UsageError(
            f"--time must be a time from 0 s to {format_quantity(end, 'time')}, where the last "
            f'step of the magnets ends; received "{args.time}"'
        )
    return min(moment, end)


def _places(
    parameters: Parameters, strength: Floats, tilt: Floats, fraction: Floats | None = None
) -> dict[str, Floats]:
    """Return the coordinates of a sweep at places, arrays of one shape."""
    if fraction is None:
        fraction = np.asarray(parameters.particles.whole_volume_fraction)
    thickness = np.asarray(parameters.film.thickness)
    names = ("strength_t", "tilt_deg", "thickness_m", "volume_fraction")
    arrays = np.broadcast_arrays(strength, np.abs(tilt), thickness, fraction)
    return dict(zip(names, arrays, strict=True))


def _swept(
    grid: SweepGrid, directory: Path, film: dict[str, Any], places: dict[str, Any]
) -> tuple[dict[str, Any], list[tuple[str, str]], list[str]]:
    """Lay a sweep over a map: columns, rows of label and text, and sentences to mind."""
    from analysis.cell.sweep import sweep_columns, sweep_rows, sweep_sentences

    columns = sweep_columns(grid, places)
    return columns, sweep_rows(columns), sweep_sentences(grid, directory, film, columns)


def _draw(
    film: CellMap,
    shadows: list[dict[str, Any]],
    directory: Path,
    swept: dict[str, Any] | None,
    *,
    place: tuple[float, float] | None,
    moment: float | None,
) -> None:
    """Write the map of a cell as a table and a grid, and draw it with its magnets.

    What a sweep measured (``swept``) adds columns and figures. The ``place`` of the patch in m is
    marked, and the ``moment`` in s stands on the figures of magnets that move.
    """
    from analysis.cell.axes import time_note
    from analysis.cell.chains import draw_map
    from analysis.cell.files import write_map
    from analysis.cell.sweep_pictures import draw_sweep_map

    note, figures = time_note(moment), directory / file_names.FIGURES
    columns = film.columns() | (swept or {})
    write_map(film.x, film.y, columns, directory)
    with told_failures():
        draw_map(film.x, film.y, columns, shadows, figures, place=place, note=note)
        if swept:
            draw_sweep_map(film.x, film.y, swept, shadows, figures, note=note)


def _rows(film: CellMap) -> list[tuple[str, str]]:
    """Return the numbers that are printed, as label and text."""
    width, height = (1e3 * float(np.ptp(side)) for side in (film.x, film.y))
    share = np.bincount(film.state.ravel(), minlength=3) / film.state.size
    speed = 1e9 * np.linalg.norm(film.drift[..., :2], axis=-1)
    tilt, (low, high) = np.abs(film.tilt), length_band(film.mean_length)

    def span(values: np.ndarray[tuple[int, ...], np.dtype[np.float64]], unit: str) -> str:
        least, most = float(values.min()), float(values.max())
        # What rounding leaves of a zero is no number to show.
        least, most = (0.0 if end < 1e-9 else end for end in (least, most))
        return f"{least:.3g} to {most:.3g}{unit}"

    return [
        ("cell", f"{width:.3g} mm x {height:.3g} mm, {film.x.size} x {film.y.size} places"),
        ("field", span(1e3 * film.strength, " mT")),
        ("tilt out of the film", span(tilt, " deg")),
        ("Langevin parameter", span(film.langevin, "")),
        ("coupling of the mean moments", span(film.coupling, "")),
        ("predicted mean chain length", span(film.mean_length, "")),
        ("its band", f"{low.min():.3g} to {high.max():.3g}"),
        ("drift in the plane", span(speed, " nm/s")),
        ("chains in the plane", f"{share[IN_PLANE]:.0%} of the cell"),
        ("chains stand up", f"{share[STANDING]:.0%} of the cell"),
        ("no chains", f"{share[NO_CHAINS]:.0%} of the cell"),
    ]
