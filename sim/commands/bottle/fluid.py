"""The command `fluid`: from the sheet of a bottle to the fluids that fit it."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.common import file_names
from sim.commands.bottle.drawn import bottle_of
from sim.commands.errors import DONE
from sim.commands.progress import Waiting
from sim.commands.results import signed, told_failures
from sim.commands.terminal import say
from sim.commands.text import folder_of, paragraphs, table
from sim.files.folder import is_empty, make_writable, refuse_to_replace
from sim.fluid.findings import Findings, find
from sim.fluid.record import content
from sim.fluid.sheet import read_sheet
from sim.fluid.tables import ensemble_text, film_text, members

if TYPE_CHECKING:
    from analysis.common.arrays import Floats

SEED = 1


def find_fluid(args: argparse.Namespace) -> int:
    """Find the fluids that fit a sheet, write them into a folder, and return the exit code.

    Raises
    ------
    sim.parameters.toml.ParameterError
        If the sheet holds mistakes or contradicts itself.
    sim.files.lock.FolderError
        If the folder may not be used.
    """
    sheet = read_sheet(args.file)
    directory = folder_of(args)
    if not is_empty(directory):
        found = (directory / file_names.FLUID).exists()
        refuse_to_replace(directory, found, "bottle", args.overwrite)
    seed = SEED if args.seed is None else args.seed
    with Waiting("looking for the fluids that fit"):
        findings = find(sheet, args.file, seed)
    chosen = members(findings, args.fluids, np.random.default_rng([seed, args.fluids]))
    record = content(findings) | {"members": args.fluids, "seed": seed, "sheet": sheet.text}
    file_names.clear(directory, file_names.OF_FLUID, file_names.FIGURES_OF_FLUID)
    make_writable(directory)
    with signed(file_names.FLUID, seed=seed) as facts, told_failures():
        record["made_by"] = facts
        _write(findings, chosen, record, Path(args.file).name, directory)
    if args.json:
        say(json.dumps(record, indent=2, ensure_ascii=False))
    else:
        say(_text(record, directory))
    return DONE


def _write(
    findings: Findings, chosen: Floats, record: dict[str, Any], sheet: str, directory: Path
) -> None:
    """Write tables, ensemble, numbers, figures and page."""
    from analysis.files.csv_text import write_csv
    from analysis.files.writing import write_text
    from analysis.fluid.figures import FIGURES
    from analysis.fluid.page import write_page
    from analysis.pictures.style import save_all

    write_text(directory / file_names.FILM_TABLES, film_text(findings))
    write_text(directory / file_names.ENSEMBLE, ensemble_text(findings, chosen, sheet))
    text = json.dumps(record, indent=1, ensure_ascii=False) + "\n"
    write_text(directory / file_names.FLUID, text)
    columns = findings.model.fluids(findings.places)
    names = [one.name for one in findings.model.unknowns]
    rows = zip(*(columns[name].tolist() for name in names), strict=True)
    heads = [
        f"{one.name}_m" if one.dimension == "length" else one.name
        for one in findings.model.unknowns
    ]
    write_csv(directory / file_names.FLUID_SAMPLES, heads, rows, digits=6)
    bottle = bottle_of(findings, chosen, record)
    figures = {name: _drawn(one, bottle) for name, one in FIGURES.items() if one.wanted(bottle)}
    save_all(figures, directory / file_names.FIGURES, "png")
    write_page(bottle, directory)


def _drawn(figure: Any, bottle: Any) -> Any:
    return lambda: figure(bottle)


def _text(record: dict[str, Any], directory: Path) -> str:
    """Return what the command prints."""
    from analysis.fluid.page import MEANINGS, interval_text, value_text

    rows = [
        (one["name"], f"{value_text(key, one)}  (95 %: {interval_text(key, one)})")
        for key, one in record["numbers"].items()
        if key in MEANINGS
    ]
    parts = [f"{record['title'] or 'Bottle'}\n{table(rows)}"]
    for heading, key in (
        ("Possible before the sheet was read", "priors"), ("Assumed", "assumptions"),
        ("What the sheet cannot tell", "untold"), ("Cautions", "cautions"),
    ):  # fmt: skip
        if record[key]:
            parts.append(f"{heading}\n{paragraphs(record[key])}")
    page = directory / file_names.FLUID_REPORT
    parts.append(
        f"{record['members']} fluids that fit are in {directory / file_names.ENSEMBLE}; read {page}"
    )
    return "\n\n".join(parts)
