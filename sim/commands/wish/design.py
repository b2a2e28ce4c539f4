"""The command `design`: theory over the free keys, films run where they tell most, an answer."""

from __future__ import annotations

import argparse
import json
import math
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

from analysis.common import file_names
from analysis.common.odds import odds_of
from sim.commands import results, run
from sim.commands.errors import DONE, FAILED, INTERRUPTED
from sim.commands.progress import SweepBar
from sim.commands.terminal import error_line, notice_lines, say, say_on_terminal
from sim.commands.text import UsageError, again_text, folder_of, paragraphs, table
from sim.commands.wish.bottle import with_bottle
from sim.commands.wish.laws import foretold_films, index_known, known_of, light_law
from sim.commands.wish.measured import measured_of
from sim.design import films
from sim.design.answer import content, film_text
from sim.design.first import first_places
from sim.design.model import Model
from sim.design.quantities import WANTED, Scaled
from sim.design.scan import Scan, scan
from sim.design.search import MET, Found, search
from sim.design.task import Task
from sim.design.theory import foretell
from sim.design.wish import WishFile, first_films, read_wish

LEAST_SIZE = 1e-12
"""In m: films that turn light by less turn none."""
_BEGUN = {"format": 1, "verdict": "open", "answer": "The search has begun."}


def design(args: argparse.Namespace) -> int:
    """Look for a film that meets a wish, and return the exit code."""
    from analysis.design.answer import answer

    directory = folder_of(args)
    wish = with_sizes(with_bottle(read_wish(args.file)))
    _require_surrogate()
    films.require_folder(directory, args.resume, args.overwrite)
    quantities = quantities_of(wish)
    foretold = foretold_films(wish, quantities)
    say_on_terminal("theory over the free keys ...")
    found = scan(wish.box, quantities, foretold)
    notice_lines(_on_theory(found))
    task = task_of(wish, quantities, found, foretold[0], args.workers)
    films.claim(directory, args.overwrite)
    # what an earlier search found stays until films are run beyond it
    begun = partial(_write_record, directory, _BEGUN)
    with SweepBar() as bar:
        runner = films.SweptFilms(
            directory, wish.base, films.tables_of(wish),
            tuple(key.key.path for key in wish.box.keys),
            measured_of(quantities), known_of(foretold[0], quantities),
            partial(run.measure_point, plots=False),
            workers=args.workers,
            until=None if wish.seconds is None else time.monotonic() + wish.seconds,
            on_step=begun,
            on_progress=bar.show,
            on_notice=_once(),
        )  # fmt: skip
        if not (directory / file_names.DESIGN).exists():
            begun()
        try:
            ended = search(task, runner, say_on_terminal)
        except films.SearchStopped:
            again = again_text("design", args.file, directory)
            error_line(f"interrupted; the films so far are in {directory}; go on with: {again}")
            return INTERRUPTED
    told = content(wish, ended, found, answer)
    _write(wish, ended, told, directory, plots=not args.no_plots)
    if args.json:
        print(json.dumps(told, indent=2))
    else:
        _say(told, directory)
    return DONE if ended.verdict == MET else FAILED


def _once() -> Callable[[str], None]:
    """Return what tells a notice the first time that it comes: all steps may give the same."""
    told: set[str] = set()

    def tell(notice: str) -> None:
        if notice not in told:
            told.add(notice)
            notice_lines([notice])

    return tell


def _require_surrogate() -> None:
    """Refuse to begin without the package of the surrogate."""
    try:
        import sklearn.gaussian_process  # noqa: F401
    except ImportError as error:
        raise UsageError(
            "design needs scikit-learn; install the packages of '.[design]'"
        ) from error


def quantities_of(wish: WishFile) -> tuple[Scaled, ...]:
    """Return all that is modelled: what is wished for, then what is drawn beside it."""
    wished = [one.of for one in wish.wishes]
    light = next((one.wavelength for one in wished if one.wavelength), None)
    light = light or wish.base.optics.wavelengths[0]
    out = list(wished)
    for one in WANTED:
        if one.needs_times and wish.base.run.is_sampled:
            continue
        if one.word == "off_time" and wish.base.field.steps[-1].strength > 0.0:
            continue
        if one.needs_light and math.isnan(index_known(wish, light)):
            continue
        if all(one is not other.wanted for other in wished):
            out.append(_sized(wish, Scaled(one, light if one.needs_light else None)))
    return tuple(out)


def with_sizes(wish: WishFile) -> WishFile:
    """Return the wish with a size for all that is wished for."""
    wishes = (replace(one, of=_sized(wish, one.of)) for one in wish.wishes)
    return replace(wish, wishes=tuple(wishes))


def _sized(wish: WishFile, of: Scaled) -> Scaled:
    """Return a quantity with a sign in the size that theory gives it where no bound tells one."""
    if not of.wanted.has_sign or of.unit_value > 0.0:
        return of
    size = abs(float(foretell(wish.base, [of], light_law)[0]))
    return of.of_size(max(size, LEAST_SIZE))


def task_of(
    wish: WishFile,
    quantities: tuple[Scaled, ...],
    found: Scan,
    is_film: Any,
    workers: int | None,
) -> Task:
    """Return the search that a wish asks for, its first films chosen by theory."""
    from sim.parameters.toml import ParameterError
    from sim.run.setup import usable_threads

    def can_be_made(settings: dict[str, Any]) -> bool:
        try:
            is_film(settings)
        except ParameterError:
            return False
        return True

    empty = Task(
        quantities, wish.wishes, wish.box, found, can_be_made, found.points[:0], wish.odds,
        wish.runs, workers or usable_threads(None)[0],
    )  # fmt: skip
    model = Model(empty, [])
    margins = model.margins(model.told_wishes(found.points)[0])
    seeds = first_places(
        found.points, model.odds(found.points), margins, first_films(wish.box.size)
    )
    return replace(empty, seeds=seeds)


def _on_theory(found: Scan) -> list[str]:
    """Tell of places of the box that are no film."""
    if not found.refused:
        return []
    count = len(found.points) + found.refused
    return [f"{found.refused} of {count} places of the ranges are no film: {found.reason}"]


def _write_record(directory: Path, told: dict[str, Any]) -> None:
    """Write `design.json` whole."""
    from analysis.files.writing import write_text

    write_text(directory / file_names.DESIGN, json.dumps(told, indent=1, allow_nan=False) + "\n")


def _write(
    wish: WishFile, ended: Found, told: dict[str, Any], directory: Path, *, plots: bool
) -> None:
    """Write record, film and page."""
    from analysis.files.writing import write_text

    with results.signed(file_names.DESIGN) as facts:
        told["made_by"] = facts
        _write_record(directory, told)
        write_text(directory / file_names.FOUND_FILM, film_text(wish, ended))
        if plots:
            from analysis.design.report import write_design_report

            with results.told_failures():
                write_design_report(told, directory)


def _say(told: dict[str, Any], directory: Path) -> None:
    """Print the answer and its numbers."""
    from analysis.design.record import shown_of, words_of

    say("\n".join(line.strip() for line in paragraphs([told["answer"]]).splitlines()))
    shown, rows = shown_of(told), []
    for one in told["quantities"]:
        odds = "" if one["odds"] is None else f"; wish holds with odds {odds_of(one['odds'])}"
        quantity = shown[one["label"]]
        rows.append((words_of(quantity.name), f"{quantity.band(one['expected'])}{odds}"))
    say(f"\nThe film\n{table(rows)}")
    count = len(told["runs"])
    say(
        f"\n{count} {'film' if count == 1 else 'films'} run; results are in {directory}; read "
        f"{directory / file_names.DESIGN_REPORT}, run {directory / file_names.FOUND_FILM}"
    )
