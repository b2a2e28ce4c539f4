"""Frames of a run for viewers in three dimensions: VTK files in a series, and H5MD in nm and ps."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from analysis.chains.measured_run import MeasuredRun, spread_out
from analysis.common import file_names
from analysis.files.provenance import comment
from analysis.files.writing import write_text
from analysis.measures.h5md import write_h5md
from analysis.measures.measure import for_pictures
from analysis.measures.vtk import vtk_texts

MICROSECOND = 1e-6


def frames_shown(frames: int, most: int) -> list[int]:
    """Return at most so many of the frames, evenly spread, first and last included."""
    return sorted(spread_out(np.arange(frames), most))


def write_for_viewers(
    seen: MeasuredRun,
    directory: Path,
    most: int,
    on_progress: Callable[[int, int], None] | None = None,
) -> list[Path]:
    """Write frames for viewers, each file atomically.

    Parameters
    ----------
    seen : MeasuredRun
        The run with its bond rule.
    directory : Path
        An existing folder; those of an earlier call are replaced.
    most : int
        Frames at most, evenly spread over the run.
    on_progress : callable, optional
        Called with (frames read, frames) after each frame.

    Returns
    -------
    list of Path
        ``film_nm.h5`` (see ``write_h5md``), and ``particles.pvd`` and ``chains.pvd``, lists of
        ``frames/particles_0000.vtp`` and its like (see ``write_vtk``) with their times in
        microseconds, of a sampled run with their sweeps.
    """
    folder = directory / file_names.FRAMES
    folder.mkdir(exist_ok=True)
    file_names.clear_frames(directory)
    shown = []
    names: dict[str, list[str]] = {file_names.PARTICLES: [], file_names.CHAINS: []}
    chosen = frames_shown(seen.run.frames, most)
    for place, number in enumerate(chosen):
        shown.append(seen.frame(number))
        for name, text in vtk_texts(for_pictures(shown[-1])).items():
            path = folder / f"{Path(name).stem}_{place:04d}.vtp"
            write_text(path, text)
            names[name].append(f"{folder.name}/{path.name}")
        if on_progress is not None:
            on_progress(place + 1, len(chosen))
    run = seen.run
    times = run.steps if run.is_sampled else run.times / MICROSECOND
    return [
        write_h5md(run, shown, directory / file_names.VIEWER_FILM),
        *(
            write_text(
                (directory / name).with_suffix(".pvd"),
                _series([float(times[number]) for number in chosen], files),
            )
            for name, files in names.items()
        ),
    ]


def _series(times: list[float], files: list[str]) -> str:
    """Return a VTK collection (its XML from memory): which file belongs to which time."""
    rows = [
        f'<DataSet timestep="{time:.9g}" group="" part="0" file="{file}"/>'
        for time, file in zip(times, files, strict=True)
    ]
    head = '<VTKFile type="Collection" version="1.0" byte_order="LittleEndian">'
    ends = ["</Collection>", "</VTKFile>", ""]
    return "\n".join(['<?xml version="1.0"?>', *comment(), head, "<Collection>", *rows, *ends])
