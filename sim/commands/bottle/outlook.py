"""The command `check` with an ensemble: a film ahead of its run, with each likely fluid."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import tomli_w

from sim.commands.progress import Waiting
from sim.commands.terminal import notice_lines, say
from sim.commands.text import paragraphs, table
from sim.fluid.ensemble import Ensemble, read_ensemble, with_fluid
from sim.outlook.fluids import FluidsOutlook
from sim.outlook.look_ahead import look_ahead
from sim.parameters.load import from_text
from sim.parameters.toml import ParameterError, name_of, parse_toml, read_text
from sim.parameters.types import Parameters

_UNITS = {"length": "m", "time": "s", "number": ""}
"""SI unit by dimension."""


def check_fluids(args: argparse.Namespace) -> None:
    """Print what theory says of a film with each fluid of an ensemble.

    Raises
    ------
    sim.parameters.toml.ParameterError
        If the film, the ensemble, or the film with one of the fluids holds mistakes.
    """
    ensemble = read_ensemble(args.ensemble)
    films = films_with(args.file, ensemble, args.seed)
    notice_lines(dict.fromkeys(notice for film in films for notice in film.notices))
    with Waiting(f"looking ahead with {len(films)} fluids"):
        found = FluidsOutlook.of([look_ahead(film) for film in films])
    if args.json:
        say(json.dumps(_content(found, ensemble), indent=2))
        return
    title = films[0].title or films[0].name
    parts = [f"{title}, with {len(films)} fluids that are equally likely", table(_rows(found))]
    parts.append(f"Mean chain length\n{paragraphs(_sentences(found))}")
    say("\n\n".join(parts))


def films_with(path: str, ensemble: Ensemble, seed: int | None) -> list[Parameters]:
    """Read a film with each fluid of an ensemble.

    Parameters
    ----------
    path : str
        Parameter file of the film.
    ensemble : Ensemble
        The fluids.
    seed : int or None
        Takes the place of `run.seed`.

    Raises
    ------
    sim.parameters.toml.ParameterError
        If one of the films holds mistakes; it lists all of them.
    """
    name = name_of(path)
    tables = parse_toml(read_text(Path(path)), name)
    films: list[Parameters] = []
    faults: dict[str, list[int]] = {}
    for number, fluid in enumerate(ensemble.fluids, 1):
        try:
            film = from_text(tomli_w.dumps(with_fluid(tables, fluid)), name)
            films.append(film.with_seed(seed))
        except ParameterError as error:
            for problem in error.problems:
                faults.setdefault(problem, []).append(number)
    if faults:
        told = [f"with {_which(found, ensemble)}: {one}" for one, found in faults.items()]
        raise ParameterError(name, told)
    return films


def _which(numbers: list[int], ensemble: Ensemble) -> str:
    if len(numbers) == len(ensemble.fluids):
        return "every fluid"
    return f"fluid {numbers[0]}" + (f" and {len(numbers) - 1} more" if len(numbers) > 1 else "")


def _rows(found: FluidsOutlook) -> list[tuple[str, str]]:
    from analysis.uncertainty.number_text import with_error, with_unit

    rows = []
    for one in found.numbers.values():
        unit = _UNITS[one.dimension]
        low, high = (with_unit(float(end), unit) for end in (one.values.min(), one.values.max()))
        told = with_error(one.mean, one.bottle, unit)
        rows.append((one.words, f"{told} (bottle), {low} to {high}"))
    return rows


def _sentences(found: FluidsOutlook) -> list[str]:
    """Say what law and bottle leave open, apart and together."""
    bands = {name: f"{low:.3g} to {high:.3g}" for name, (low, high) in found.length_bands().items()}
    mean = found.numbers["predicted_mean_length"].mean
    weight = "the bottle" if _is_bottles(found) else "the law"
    return [
        f"{mean:.3g} particles; the law leaves open {bands['law']}, the bottle {bands['bottle']}, "
        f"both together {bands['together']}. More of it comes from {weight}."
    ]


def _is_bottles(found: FluidsOutlook) -> bool:
    bands = found.length_bands()
    return bands["bottle"][1] > bands["law"][1]


def _content(found: FluidsOutlook, ensemble: Ensemble) -> dict[str, Any]:
    """Give what `check --ensemble --json` prints."""
    numbers = {
        name: {
            "value": one.mean, "bottle": one.bottle, "fluids": one.values.tolist()
        }
        for name, one in found.numbers.items()
    }  # fmt: skip
    bands = {name: list(band) for name, band in found.length_bands().items()}
    return {
        "title": ensemble.title,
        "fluids": len(ensemble.fluids),
        "numbers": numbers,
        "predicted_mean_length_bands": bands,
    }
