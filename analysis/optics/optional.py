"""What light makes of a run, after the numbers: it may fail, and then costs itself alone."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from analysis.common import file_names
from analysis.files.failures import named_error
from analysis.measures.measure import Measurement
from analysis.measures.vtk import write_vtk
from analysis.optics.curves import FarField, Light, OpticalThickness, add_light
from analysis.optics.handoff import LIGHT_FILES, write_light_files
from analysis.trajectory.run import Run

__all__ = ["add_light_or_tell"]

VTK_FILES = (file_names.PARTICLES, file_names.CHAINS)


def add_light_or_tell(
    measurement: Measurement,
    run: Run,
    optics: dict[str, Any] | None = None,
    directory: Path | None = None,
) -> list[str]:
    """Add the curves of light to a measurement and write the hand-off; say what fails.

    Parameters
    ----------
    measurement : Measurement
        What was measured; what fails joins its ``warnings``.
    run : Run
        The run that was measured.
    optics : dict, optional
        See ``light_curves.add_light``.
    directory : Path, optional
        An existing folder for the hand-off; none is written without. Of what fails, no file of an
        earlier measurement stays there.

    Returns
    -------
    list of str
        The warnings of what failed.

    Raises
    ------
    OSError
        If the folder cannot be written, as on a full disk.
    """

    def light() -> None:
        add_light(measurement, run, optics)
        if directory is not None:
            write_light_files(measurement, run, directory)

    said = _failure("light", light)
    if said:
        for kind in (Light, OpticalThickness, FarField):  # half of them would be drawn
            measurement.curves.pop(kind.NAME, None)
        _remove(directory, LIGHT_FILES)
    if directory is not None and (
        failed := _failure("vtk", lambda: write_vtk(measurement, directory))
    ):
        _remove(directory, VTK_FILES)
        said += failed
    measurement.numbers.setdefault("warnings", []).extend(said)
    return said


def _failure(what: str, do: Callable[[], object]) -> list[str]:
    """Do something that the numbers do not need, and say what went wrong."""
    try:
        do()
    except OSError:
        raise
    except Exception as error:  # whatever it is, the numbers are worth more; the warning names it
        return [f"{what}: failed ({named_error(error)}) and is left out; no other number needs it"]
    return []


def _remove(directory: Path | None, names: tuple[str, ...]) -> None:
    if directory is not None:
        for name in names:
            (directory / name).unlink(missing_ok=True)
