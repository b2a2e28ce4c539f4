"""The command `micrograph`: what it reads from its options and what it prints."""

from __future__ import annotations

import argparse
import json
import re
from pathlib import Path
from typing import Any

from analysis.common import file_names
from sim.commands.errors import DONE
from sim.commands.results import signed, told_failures
from sim.commands.terminal import say
from sim.commands.text import UsageError, paragraphs, table
from sim.files.folder import make_writable

SHORTEST, LONGEST = 1e-12, 1e-2
"""Range of the length of a pixel in m."""


def measure_micrograph(args: argparse.Namespace) -> int:
    """Measure a picture, write and print the results, and return the exit code.

    Raises
    ------
    UsageError
        If the scale is missing or no length a pixel.
    analysis.micrograph.picture.PictureError
        If the picture cannot be measured.
    """
    image = Path(args.image)
    pixel = pixel_of(args.scale)
    directory = Path(args.output) if args.output else image.with_suffix("")
    if directory == image:  # a picture without an ending
        directory = image.with_name(f"{image.name}_measured")
    numbers = _measured(image, pixel, directory)
    if args.json:
        say(json.dumps(numbers, indent=2, ensure_ascii=False))
        return DONE
    rows = _rows(numbers)
    told = f"\n\nWarnings\n{paragraphs(numbers['warnings'])}" if numbers["warnings"] else ""
    say(f"{image.name}\n{table(rows)}{told}\n\nresults are in {directory}")
    return DONE


def pixel_of(scale: str | None) -> float:
    """Return the length of a pixel in m from a text such as "0.1 um/px".

    Raises
    ------
    UsageError
        If it is missing or no length a pixel.
    """
    from sim.physics.units import UnitError, parse

    must = '--scale must be the length of a pixel from 1 pm/px to 1 cm/px such as "0.1 um/px"'
    if scale is None:
        raise UsageError(f"{must}; received none")
    match = re.fullmatch(r"\s*(.+?)\s*/\s*(?:px|pixel)\s*", scale)
    if match is None:
        raise UsageError(f"{must}; received {scale!r:.60}")
    try:
        length = parse(match[1], "length")
    except UnitError as error:
        raise UsageError(f"{must}; received {scale!r:.60}, {error.reason}") from error
    if not SHORTEST <= length <= LONGEST:
        raise UsageError(f"{must}; received {scale!r:.60}")
    return length


def _measured(image: Path, pixel: float, directory: Path) -> dict[str, Any]:
    """Measure a microscope picture and write micrograph.json, micrograph.csv and a figure."""
    from analysis.micrograph.measure import measure_picture
    from analysis.micrograph.picture import PictureError, read_picture
    from analysis.micrograph.results import write_micrograph

    picture = read_picture(image, pixel)
    for name in file_names.OF_MICROGRAPH:
        if (directory / name).resolve() == image.resolve():
            raise PictureError(f"-o must be another folder: {image} would be replaced by results.")
    make_writable(directory)
    with signed(file_names.MICROGRAPH), told_failures():
        return write_micrograph(measure_picture(picture), directory)


def _rows(numbers: dict[str, Any]) -> list[tuple[str, str]]:
    """Return the numbers that a measured picture prints, as label and text."""
    from analysis.uncertainty.number_text import as_float, with_error

    def shown(key: str, unit: str) -> str:
        return with_error(as_float(numbers[key]["value"]), as_float(numbers[key]["error"]), unit)

    turned = numbers["direction_deg"]["value"] is not None
    return [
        ("spacing", shown("spacing_m", "m")),
        ("spread of the spacing", shown("spread_m", "m")),
        ("width at half height", shown("width_m", "m")),
        # A prefix, as of a millidegree, is of no use to an angle.
        ("direction", shown("direction_deg", "") + (" deg" if turned else "")),
        ("order", shown("order", "")),
    ]
