"""The search: first films by theory, then where a run gains most, until the wish is decided."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.common.arrays import Floats
from sim.design.model import PLACES, Model
from sim.design.task import CONFIRMED, FilmRunner, Task
from sim.sweeps.reading import Settings

FRESH = 512
"""Places that are looked at for the next film."""
AROUND, CENTRES = 32, 6
"""Places around each of the best of them, and how many these are."""

MET, OUT_OF_REACH, OPEN = "met", "out of reach", "open"


@dataclass(frozen=True)
class Found:
    """How a search stands.

    Attributes
    ----------
    verdict : str
        "met", "out of reach", or "open" while neither is known.
    settings : dict
        The film found, or the nearest one.
    odds : float
        Odds that all wishes hold for it.
    reach : float
        Odds that the box holds any film for which all do.
    conflict : tuple of int
        Numbers of the wishes that exclude each other, or of the one that nothing meets.
    model : Model
        What is known of the box.
    """

    verdict: str
    settings: Settings
    odds: float
    reach: float
    conflict: tuple[int, ...]
    model: Model


def search(task: Task, runner: FilmRunner, tell: Callable[[str], None] = lambda _: None) -> Found:
    """Search the box until the wish is met, out of reach, or runs or time are spent.

    Parameters
    ----------
    task : Task
        What is searched.
    runner : FilmRunner
        Who runs films; those that it has kept count first, so that a search that was stopped goes
        on where it stood.
    tell : callable
        Takes a sentence on each step.

    Returns
    -------
    Found
        How it ended.
    """
    trials = runner.kept()
    while True:
        step = len(trials)
        model = Model(task, trials)
        places = _places(model, step)
        found = judge(model, places)
        left = task.most_runs - len(trials)
        if found.verdict != OPEN or left < 1 or not runner.may_go_on():
            return found
        wanted, replicas = _next(model, places, found, left)
        if not wanted:
            return found
        tell(_told(task, found, len(trials), wanted, replicas))
        new = runner.run(wanted, replicas)
        if not new:
            return found
        trials = [*trials, *new]


def judge(model: Model, places: Floats) -> Found:
    """Say how a search stands by what is known.

    Parameters
    ----------
    model : Model
        What is known.
    places : (n, keys) array
        Places of the box, those of films that were run first.

    Returns
    -------
    Found
        Met where a film that was run at least twice has the odds; out of reach where the odds that
        any place of the box has them are small, and the first films have been run.
    """
    task, ran = model.task, _ran(model)
    odds = model.odds(places)
    sure = [
        i for i, one in enumerate(ran) if odds[i] >= task.odds and _count(model, one) >= CONFIRMED
    ]
    if sure:
        best = max(sure, key=lambda i: float(odds[i]))
        return Found(MET, ran[best], float(odds[best]), 1.0, (), model)
    best = int(np.argmax(odds))
    reach = 1.0
    if float(odds[best]) < 0.5:
        few = _few(odds, model, places)
        reach = max(model.reach(few), float(odds[best]))
        if reach < task.small_odds:
            apart = conflict(model, few)
            if len(model.trials) < len(task.seeds) and not _known(task, apart):
                return Found(
                    OPEN, _settings(model, ran, places, best), float(odds[best]), reach, (), model
                )
            near = int(np.argmax(model.margins(model.told_wishes(places)[0])))
            settings = _settings(model, ran, places, near)
            return Found(OUT_OF_REACH, settings, float(odds[near]), reach, apart, model)
    return Found(OPEN, _settings(model, ran, places, best), float(odds[best]), reach, (), model)


def conflict(model: Model, places: Floats) -> tuple[int, ...]:
    """Return the fewest wishes that cannot hold together at any of the places."""
    from itertools import combinations

    count = len(model.task.wishes)
    for size in range(1, count):
        hopeless = [
            (model.reach(places, [k for k in range(count) if k not in kept]), kept)
            for kept in combinations(range(count), size)
        ]
        worst = min(hopeless)
        if worst[0] < model.task.small_odds:
            return worst[1]
    return tuple(range(count))


def _known(task: Task, wishes: Sequence[int]) -> bool:
    """Say whether what decides wishes follows from films alone, so that no run can change it."""
    return all(task.wishes[k].of.wanted.is_known for k in wishes)


def _ran(model: Model) -> list[Settings]:
    """Return the settings of all films that were run to their end, each once."""
    out: list[Settings] = []
    for trial in model.trials:
        if trial.is_finished and trial.settings not in out:
            out.append(trial.settings)
    return out


def _count(model: Model, settings: Settings) -> int:
    """Count the runs of a film that measured all that is wished for."""
    wished = len(model.task.wishes)
    return sum(
        one.settings == settings and bool(np.isfinite(one.values[:wished]).all())
        for one in model.trials
    )


def _settings(model: Model, ran: list[Settings], places: Floats, row: int) -> Settings:
    return ran[row] if row < len(ran) else model.task.box.settings(places[row])


def _places(model: Model, seed: int) -> Floats:
    """Return places to look at: those run, fresh ones, and some around the best of all."""
    box = model.task.box
    ran = np.array([box.point(one) for one in _ran(model)]).reshape(-1, box.size)
    all_of_them = np.concatenate([ran, model.task.seeds, box.spread(FRESH, seed)])
    score = model.odds(all_of_them) + 1e-6 * model.margins(model.told_wishes(all_of_them)[0])
    best = all_of_them[np.argsort(-score, kind="stable")[:CENTRES]]
    rng = np.random.default_rng(seed)
    widths = np.geomspace(0.02, 0.2, AROUND)[None, :, None]
    around = best[:, None, :] + widths * rng.standard_normal((len(best), AROUND, box.size))
    return np.concatenate([all_of_them, np.clip(around, 0.0, 1.0).reshape(-1, box.size)])


def _few(odds: Floats, model: Model, places: Floats) -> Floats:
    """Choose the places that are most likely to hold what is wished, and some of all parts."""
    scores = [odds, model.margins(model.told_wishes(places)[0]), *model.odds(places, each=True).T]
    share = PLACES // (len(scores) + 1)
    rows = {int(row) for score in scores for row in np.argsort(-score)[:share]}
    rows |= set(range(0, len(places), max(1, len(places) // share)))
    return places[sorted(rows)]


def _next(model: Model, places: Floats, found: Found, left: int) -> tuple[list[Settings], int]:
    """Choose what to run next: first films, one to confirm, or where most is gained."""
    task = model.task
    begun = len(model.trials)
    if begun < len(task.seeds):
        first = [task.box.settings(point) for point in task.seeds[begun:]]
        return _films(task, model, first, min(left, max(task.workers, 1))), 1
    if found.odds >= task.odds:
        missing = max(1, CONFIRMED - _count(model, found.settings))
        if task.is_film(found.settings):
            return [found.settings], min(left, missing)
    gain = model.gain(places)
    chosen: list[Settings] = []
    ran = _ran(model)
    for _ in range(min(left, max(task.workers, 1))):
        for row in np.argsort(-gain, kind="stable")[:FRESH]:
            settings = _settings(model, ran, places, int(row))
            if settings not in chosen and task.is_film(settings):
                break
        else:
            break
        chosen.append(settings)
        apart = ((places - task.box.point(settings)) ** 2).sum(axis=1)
        gain = gain * -np.expm1(-0.5 * apart / 0.15**2)  # the next one elsewhere
    return chosen, 1


def _films(task: Task, model: Model, wanted: Sequence[Settings], most: int) -> list[Settings]:
    """Return those of the settings that are films and were not run, at most so many."""
    known = [trial.settings for trial in model.trials]
    out: list[Settings] = []
    for settings in wanted:
        if settings not in known and settings not in out and task.is_film(settings):
            out.append(settings)
        if len(out) == most:
            break
    return out


def _told(task: Task, found: Found, runs: int, wanted: Sequence[Settings], replicas: int) -> str:
    """Say in a sentence what is known and what is run next."""
    count = len(wanted) * replicas
    if runs < len(task.seeds):
        which = f"film {runs + 1}" if count == 1 else f"films {runs + 1} to {runs + count}"
        return f"{which} of the first {len(task.seeds)}, by theory ..."
    odds = "below 1 %" if found.odds < 0.01 else f"{math.floor(100 * found.odds)} %"
    aim = "to confirm it" if found.odds >= task.odds else "where most is gained"
    return (
        f"{runs} {'film' if runs == 1 else 'films'} run; best odds {odds}; {count} more {aim} ..."
    )
