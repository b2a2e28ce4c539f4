"""The command `map`: the field of the magnets over the cell, and what the film does there."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from sim.cell_map import IN_PLANE, NO_CHAINS, STANDING, CellMap, grid, map_cell
from sim.command_results import draw_map_into
from sim.command_text import UsageError, table
from sim.magnet_outlines import outlines
from sim.magnets import field_and_gradient
from sim.run_folder import FolderError

if TYPE_CHECKING:
    from sim.parameters import Parameters

__all__ = ["map_into"]

POINTS = 81
"""Points of the map along the longer side of the cell."""


def map_into(parameters: Parameters, args: argparse.Namespace) -> str:
    """Map a cell into a folder, and return what to print.

    Raises
    ------
    UsageError
        If the file has no magnets.
    sim.run_folder.FolderError
        If the folder may not be used.
    sim.magnets.MagnetError
        If the film reaches into a magnet, or the library of their fields is missing.
    """
    directory = Path(args.output) if args.output else Path(f"{Path(args.file).stem}_map")
    _check_folder(directory, args.overwrite)
    if not parameters.magnets:
        raise UsageError(
            f'[[magnets]] must be one table or more such as kind = "sphere" for a map; '
            f"{args.file} has none"
        )
    x, y, places = grid(parameters.cell.width, POINTS)
    film = map_cell(parameters, x, y, *field_and_gradient(parameters.magnets, places))
    draw_map_into(film, outlines(parameters.magnets), directory)
    title = parameters.title or parameters.name
    return f"{title}\n\n{table(_rows(film))}\n\nresults are in {directory}"


def _check_folder(directory: Path, overwrite: bool) -> None:
    """Refuse a folder with anything in it but a map that may be replaced."""
    if directory.exists() and not directory.is_dir():
        raise FolderError(f"output folder {directory} is a file; name another folder with -o")
    if not directory.exists() or next(directory.iterdir(), None) is None:
        return
    if not (directory / "cell_map.csv").exists():
        raise FolderError(
            f"output folder {directory} is not empty and holds no map; name another folder with -o"
        )
    if not overwrite:
        raise FolderError(
            f"output folder {directory} holds a map already; use --overwrite to replace it, or "
            "another folder with -o"
        )


def _rows(film: CellMap) -> list[tuple[str, str]]:
    """Return the numbers that are printed, as label and text."""
    width, height = (1e3 * float(np.ptp(side)) for side in (film.x, film.y))
    share = np.bincount(film.state.ravel(), minlength=3) / film.state.size
    speed = 1e9 * np.linalg.norm(film.drift[..., :2], axis=-1)
    tilt = np.abs(film.tilt)

    def span(values: np.ndarray[tuple[int, ...], np.dtype[np.float64]], unit: str) -> str:
        return f"{values.min():.3g} to {values.max():.3g}{unit}"

    return [
        ("cell", f"{width:.3g} mm x {height:.3g} mm, {film.x.size} x {film.y.size} places"),
        ("field", span(1e3 * film.strength, " mT")),
        ("tilt out of the film", span(tilt, " deg")),
        ("Langevin parameter", span(film.langevin, "")),
        ("coupling of the mean moments", span(film.coupling, "")),
        ("predicted mean chain length", span(film.mean_length, "")),
        ("drift in the plane", span(speed, " nm/s")),
        ("chains in the plane", f"{share[IN_PLANE]:.0%} of the cell"),
        ("chains stand up", f"{share[STANDING]:.0%} of the cell"),
        ("no chains", f"{share[NO_CHAINS]:.0%} of the cell"),
    ]
