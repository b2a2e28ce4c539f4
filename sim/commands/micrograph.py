"""The command `micrograph`: what it reads from its options and what it prints."""

from __future__ import annotations

import argparse
import json
import re
from pathlib import Path

from sim.commands.results import measure_picture_into, picture_rows
from sim.commands.text import UsageError, paragraphs, table

__all__ = ["measure_micrograph", "pixel_of"]

SHORTEST, LONGEST = 1e-12, 1e-2
"""Range of the length of a pixel in m."""


def measure_micrograph(args: argparse.Namespace) -> str:
    """Measure a picture, write the results, and return what to print.

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
    numbers = measure_picture_into(image, pixel, directory)
    if args.json:
        return json.dumps(numbers, indent=2, ensure_ascii=False)
    rows = picture_rows(numbers)
    told = f"\n\nWarnings\n{paragraphs(numbers['warnings'])}" if numbers["warnings"] else ""
    return f"{image.name}\n{table(rows)}{told}\n\nresults are in {directory}"


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
