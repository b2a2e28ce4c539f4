"""The [sweep] table of a parameter file: which points it asks for, each checked as a file.

Three forms, which may stand together and are then crossed:

    [sweep]
    "field.strength" = ["5 mT", "10 mT"]      # a list a key: every value with every other key's
    "film.thickness" = ["0.2 um", "0.4 um"]
    "run.duration" = ["0.1 ms", "0.2 ms"]
    together = [["film.thickness", "run.duration"]]    # these two run in step, value by value
    replicas = 4                              # runs a point, each with its own seed

    [[sweep.points]]                          # points listed one by one, all with the same keys
    "particles.core_diameter" = "17 nm"
    "particles.shell_thickness" = "2 nm"

With `ensemble = "bottle/ensemble.toml"` every point is run with each fluid of that file
(`sim.fluid.ensemble`), and swept keys win over those of the fluids.

Each run has its own seed, made from `run.seed`, the point's settings and the number of the replica:
runs are independent, and adding values to a list changes no seed of the others.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomli_w

from sim.files.record import resolved
from sim.fluid.ensemble import read_ensemble
from sim.parameters.load import from_text
from sim.parameters.named_files import with_whole_paths
from sim.parameters.toml import ParameterError, name_of, parse_toml, read_text
from sim.parameters.types import Parameters
from sim.sweeps.films import film_of, settings_text, with_fluids
from sim.sweeps.keys import SweepKey
from sim.sweeps.reading import MOST_RUNS, Settings, SweepReading

NAMED_POINTS = 6
"""So many invalid points are named in one sentence; of the others their number is told."""


@dataclass(frozen=True)
class SweepRun:
    """One run of a sweep.

    Attributes
    ----------
    point, replica : int
        Numbers, from 1.
    folder : str
        Its folder inside the folder of the sweep.
    parameters : Parameters
        What to simulate, with the run's own seed and text.
    fluid : int
        Number of its fluid in the ensemble, from 1; 0 without one.
    """

    point: int
    replica: int
    folder: str
    parameters: Parameters
    fluid: int = 0


@dataclass(frozen=True)
class SweepPoint:
    """One point of a sweep.

    Attributes
    ----------
    number : int
        From 1, in the order of the table.
    settings : dict
        Value of each swept key, as the file writes it.
    columns : dict
        The same for tables: SI numbers or texts by column.
    runs : tuple of SweepRun
        Its replicas, of an ensemble those of each fluid, the first replicas first.
    """

    number: int
    settings: Settings
    columns: dict[str, Any]
    runs: tuple[SweepRun, ...]

    @property
    def name(self) -> str:
        """The settings in words."""
        return settings_text(self.settings)


@dataclass(frozen=True)
class SweepPlan:
    """All points of a sweep.

    Attributes
    ----------
    title, name : str
        Heading and name of the file.
    keys : tuple of SweepKey
        The swept keys.
    replicas : int
        Runs a point, of an ensemble with each fluid.
    points : tuple of SweepPoint
        In the order of the table, the last key varying fastest; those of a part of the table where
        time was short.
    base : dict
        Tables of the file without [sweep].
    notices : tuple of str
        What the reader should know about the file.
    left_out : int
        Points that were not made, and so not checked, for want of time.
    fluids : int
        Fluids of the ensemble with which every point is run; 0 without one.
    """

    title: str
    name: str
    keys: tuple[SweepKey, ...]
    replicas: int
    points: tuple[SweepPoint, ...]
    base: dict[str, Any]
    notices: tuple[str, ...] = ()
    left_out: int = 0
    fluids: int = 0

    @property
    def runs_per_point(self) -> int:
        """Replicas of all fluids."""
        return self.replicas * max(self.fluids, 1)

    @property
    def point_count(self) -> int:
        """Points of the table, made or not."""
        return len(self.points) + self.left_out

    @property
    def run_count(self) -> int:
        """Runs of the table, made or not."""
        return self.point_count * self.runs_per_point

    @property
    def runs(self) -> list[SweepRun]:
        """All runs, the first replicas of all points first, so that trends show early."""
        return [point.runs[k] for k in range(self.runs_per_point) for point in self.points]


def is_sweep(path: str | Path) -> bool:
    """Return whether a file can be read and has a [sweep] table, mistaken or not.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    bool
        False too for a file that cannot be read; who loads it says why.
    """
    try:
        return bool(parse_toml(read_text(Path(path)), str(path)).get("sweep"))
    except ParameterError:
        return False


def load_sweep(
    path: str | Path,
    seed: int | None = None,
    *,
    seconds: float | None = None,
    ensemble: str | None = None,
) -> SweepPlan:
    """Read the parameter file of a sweep.

    Parameters
    ----------
    path : str or Path
        The file; it must be a faultless parameter file by itself and hold a [sweep] table.
    seed : int, optional
        Takes the place of `run.seed`.
    seconds, ensemble : optional
        See `plan_sweep`.

    Returns
    -------
    SweepPlan
        All points, checked.

    Raises
    ------
    ParameterError
        If the file, its [sweep] table or any of its points is mistaken; it lists everything.
    """
    text, name = read_text(Path(path)), name_of(path)
    tables = parse_toml(text, name)
    try:
        parameters = from_text(text, name)
    except ParameterError as error:
        found = SweepReading(tables, ensemble or "").problems
        raise ParameterError(name, [*error.problems, *found]) from error
    return plan_sweep(parameters.with_seed(seed), name, seconds=seconds, ensemble=ensemble)


def plan_sweep(
    parameters: Parameters,
    name: str | None = None,
    *,
    seconds: float | None = None,
    ensemble: str | None = None,
) -> SweepPlan:
    """Make and check every point of a sweep.

    Parameters
    ----------
    parameters : Parameters
        What `sim.load` returned for a file with a [sweep] table. Points are made from the text of
        that file; of what was changed since, only the seed counts.
    name : str, optional
        The file, as messages call it.
    seconds : float, optional
        Make points of all parts of the table until so much time is over, and leave out the others.
    ensemble : str, optional
        File of fluids with each of which every point is run, instead of that which [sweep] names;
        with it a file needs no [sweep] table.

    Returns
    -------
    SweepPlan
        All points, checked, or those that time was enough for, at least one.

    Raises
    ------
    ParameterError
        If the [sweep] table or any point is mistaken; it lists everything.
    """
    until = None if seconds is None else time.monotonic() + seconds
    name = name or parameters.name
    tables = parse_toml(parameters.text, name)
    reading = SweepReading(tables, ensemble or "")
    if reading.problems:
        raise ParameterError(name, reading.problems)
    base = {key: value for key, value in tables.items() if key != "sweep"}
    base = with_whole_paths(base, Path(parameters.folder))
    settings = reading.settings()
    folder = Path() if ensemble else Path(parameters.folder)
    fluids = read_ensemble(folder / reading.ensemble).fluids if reading.ensemble else ()
    if (count := reading.replicas * len(settings) * len(fluids)) > MOST_RUNS:
        raise ParameterError(
            name,
            [
                f"[sweep] must ask for at most {MOST_RUNS} runs; with "
                f"{len(fluids)} fluids it asks for {count}."
            ],
        )
    made, problems = _make(
        parameters, with_fluids(base, fluids, settings), reading, settings, until
    )
    if problems:
        raise ParameterError(name, problems)
    points = tuple(
        _point(number, settings[number - 1], one, reading, parameters.run.seed, len(settings))
        for number, one in made.items()
    )
    films = (film for films in made.values() for film in films)
    notices = dict.fromkeys(notice for film in films for notice in film.notices)
    return SweepPlan(
        title=parameters.title,
        name=name,
        keys=tuple(reading.keys.values()),
        replicas=reading.replicas,
        points=points,
        base=base,
        notices=tuple(notices),
        left_out=len(settings) - len(points),
        fluids=len(fluids),
    )


def spread_out(count: int) -> list[int]:
    """Return the numbers from 0 to count - 1 in an order whose beginning is of all parts of them.

    Notes
    -----
    Digits of two in reverse: J. G. van der Corput, Proc. Kon. Ned. Akad. v. Wetensch. 38, 813
    (1935) (from memory).
    """
    digits = max(1, (count - 1).bit_length())
    turned = (int(f"{k:0{digits}b}"[::-1], 2) for k in range(1 << digits))
    return [k for k in turned if k < count]


def _make(
    parameters: Parameters,
    bases: list[dict[str, Any]],
    reading: SweepReading,
    settings: list[Settings],
    until: float | None,
) -> tuple[dict[int, list[Parameters]], list[str]]:
    """Build the films of points by number, each as a file; tell what is wrong with any of them."""
    found: dict[int, list[Parameters]] = {}
    faults: dict[str, list[int]] = {}
    for number in range(1, len(settings) + 1) if until is None else _numbers(settings, until):
        for fluid, base in enumerate(bases, 1):
            which = f"with fluid {fluid}: " if len(bases) > 1 else ""
            try:
                film = film_of(parameters, base, reading, settings[number - 1])
                found.setdefault(number, []).append(film)
            except ParameterError as error:
                for problem in error.problems:
                    faults.setdefault(which + problem, []).append(number)
    made = dict(sorted(found.items()))
    problems = [_fault(problem, sorted(numbers), settings) for problem, numbers in faults.items()]
    if not problems:
        problems = list(_same_points(made, settings))
    return made, problems


def _numbers(settings: list[Settings], until: float) -> Iterator[int]:
    """Give numbers of points of all parts of the table until the time is over; at least one."""
    for place in spread_out(len(settings)):
        yield place + 1
        if time.monotonic() > until:
            return


def _fault(problem: str, numbers: list[int], settings: list[Settings]) -> str:
    """Say which points one mistake spoils."""
    named = ", ".join(str(number) for number in numbers[:NAMED_POINTS])
    if len(numbers) > NAMED_POINTS:
        named += f" and {len(numbers) - NAMED_POINTS} more"
    first = settings[numbers[0] - 1]
    shared = {
        path: value
        for path, value in first.items()
        if all(settings[number - 1][path] == value for number in numbers)
    }
    where = f" ({settings_text(shared)})" if shared else ""
    word = "point" if len(numbers) == 1 else "points"
    return f"[sweep] {word} {named} of {len(settings)}{where}: {problem}"


def _same_points(made: dict[int, list[Parameters]], settings: list[Settings]) -> Iterator[str]:
    """Find points that are the same film, such as "5 mT" and "50 G"."""
    seen: dict[str, int] = {}
    for number, films in made.items():
        film = json.dumps(resolved(dataclasses.replace(films[0], title="")), sort_keys=True)
        earlier = seen.setdefault(film, number)
        if earlier != number:
            yield (
                f"[sweep] points {earlier} ({settings_text(settings[earlier - 1])}) and {number} "
                f"({settings_text(settings[number - 1])}) must differ; they are the same film."
            )


def _point(
    number: int,
    setting: Settings,
    films: list[Parameters],
    reading: SweepReading,
    seed: int,
    count: int,
) -> SweepPoint:
    """Give a point its replicas, those of each fluid where there is an ensemble."""
    digits, wide = len(str(count)), len(str(len(films)))
    tables = [parse_toml(film.text, film.name) for film in films]
    runs = []
    for replica in range(1, reading.replicas + 1):
        for fluid, film in enumerate(films, 1 if reading.ensemble else 0):
            which = f"fluid_{fluid:0{wide}d}_" if fluid else ""
            folder = f"runs/point_{number:0{digits}d}_{which}replica_{replica}"
            own = _seed(seed, setting, replica, fluid)
            run = _with_seed(film, tables[max(fluid - 1, 0)], own)
            runs.append(SweepRun(number, replica, folder, run, fluid))
    columns = {key.column: key.number(setting[path]) for path, key in reading.keys.items()}
    return SweepPoint(number, setting, columns, tuple(runs))


def _seed(seed: int, setting: Settings, replica: int, fluid: int) -> int:
    """Make a seed from 0 to 2^63 - 1 that depends on all of these and on nothing else."""
    which = [fluid] if fluid else []
    words = json.dumps([seed, sorted(setting.items()), replica, *which])
    return int.from_bytes(hashlib.sha256(words.encode()).digest()[:8], "big") >> 1


def _with_seed(parameters: Parameters, tables: dict[str, Any], seed: int) -> Parameters:
    text = tomli_w.dumps({**tables, "run": {**tables.get("run", {}), "seed": seed}})
    return dataclasses.replace(parameters.with_seed(seed), text=text)
