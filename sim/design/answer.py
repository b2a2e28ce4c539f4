"""The answer of a search: its numbers, its reason, and all that `design.json` holds."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import tomli_w

from analysis.common.odds import BAND_SIGMAS
from sim.design.films import tables_of
from sim.design.quantities import Scaled
from sim.design.scan import HOPELESS, Scan
from sim.design.search import MET, OPEN, OUT_OF_REACH, Found
from sim.design.task import Trial, Wish
from sim.design.tradeoffs import tradeoffs
from sim.design.wish import WishFile
from sim.parameters.named_files import with_whole_paths
from sim.sweeps.reading import Settings

FORMAT = 1
"""Version of design.json."""


def content(
    wish: WishFile, found: Found, scan: Scan, answer: Callable[[dict[str, Any]], str]
) -> dict[str, Any]:
    """Return what `design.json` holds, as plain JSON types.

    Parameters
    ----------
    wish : WishFile
        The wish.
    found : Found
        How its search ended.
    scan : Scan
        What theory said.
    answer : callable
        Puts all of it in a sentence.
    """
    model = found.model
    numbers = _numbers(found)
    told = {
        "format": FORMAT,
        "title": wish.title,
        "film": wish.base.name,
        "verdict": found.verdict,
        "answer": "",
        "reason": reason(found),
        "odds_wanted": wish.odds,
        "odds": found.odds,
        "odds_of_any_film": found.reach,
        "spent": "runs" if len(model.trials) >= model.task.most_runs else "time",
        "settings": found.settings,
        "wishes": [_wish(one, numbers[k]) for k, one in enumerate(model.task.wishes)],
        "quantities": numbers,
        "conflict": [model.task.wishes[k].text for k in found.conflict],
        "free": [
            {"path": key.key.path, "unit": key.unit, "least": key.low, "most": key.high}
            for key in wish.box.keys
        ],
        "theory": {
            "places": len(scan.points) + scan.refused,
            "no_films": scan.refused,
            "reason": scan.reason,
            "hopeful": int((_by_theory(found, scan) >= HOPELESS).sum()),
            "fluids": len(scan.fluids),
        },
        "runs": [_run(trial, model.task.quantities, wish) for trial in model.trials],
        "tradeoffs": tradeoffs(model, found.settings),
    }
    return told | {"answer": answer(told)}


def _by_theory(found: Found, scan: Scan) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Return the odds that theory alone gave the places of the scan."""
    from sim.design.model import Model

    return Model(found.model.task, []).odds(scan.points)


def _numbers(found: Found) -> list[dict[str, Any]]:
    """Return what is known of each quantity of the film: expected with its band, and measured."""
    model = found.model
    place = model.task.box.point(found.settings)[None]
    mean, sigma = (one[0] for one in model.told(place))
    each = model.odds(place, each=True)[0]
    out = []
    for k, of in enumerate(model.task.quantities):
        low, high = sorted(
            float(of.in_si(mean[k] + s * BAND_SIGMAS * sigma[k])) for s in (-1.0, 1.0)
        )
        wanted = of.wanted
        out.append(
            {
                "label": of.label,
                "word": wanted.word,
                "name": wanted.name,
                "meaning": wanted.meaning,
                "unit": wanted.unit,
                "wavelength_m": of.wavelength,
                "is_known": wanted.is_known,
                "expected": {"value": float(of.in_si(mean[k])), "low": low, "high": high},
                "measured": _measured(model.trials, found.settings, k),
                "odds": float(each[k]) if k < len(each) else None,
            }
        )
    return out


def _measured(trials: Sequence[Trial], settings: Settings, k: int) -> dict[str, Any] | None:
    """Return the mean over the runs of a film with its error; None where nothing was measured."""
    found = [
        (float(one.values[k]), float(one.errors[k]))
        for one in trials
        if one.settings == settings and math.isfinite(one.values[k])
    ]
    if not found:
        return None
    values, errors = np.array(found).T
    known = np.isfinite(errors).all()
    error = float(np.sqrt((errors**2).sum()) / len(errors)) if known else None
    if error is not None and len(values) > 1:
        error = max(error, float(values.std(ddof=1)) / math.sqrt(len(values)))
    return {"value": float(values.mean()), "error": error, "runs": len(values)}


def _wish(wish: Wish, number: dict[str, Any]) -> dict[str, Any]:
    return {
        "text": wish.text,
        "label": wish.of.label,
        "least": None if math.isinf(wish.least) else wish.least,
        "most": None if math.isinf(wish.most) else wish.most,
        "odds": number["odds"],
    }


def _run(trial: Trial, quantities: Sequence[Scaled], wish: WishFile) -> dict[str, Any]:
    def plain(value: float) -> float | None:
        return float(value) if math.isfinite(value) else None

    return {
        "folder": trial.folder,
        "seed": trial.seed,
        "state": trial.state,
        "reason": trial.reason,
        "settings": trial.settings,
        "columns": {
            key.key.path: key.number(trial.settings[key.key.path]) for key in wish.box.keys
        },
        "values": {
            of.label: {"value": plain(value), "error": plain(error)}
            for of, value, error in zip(quantities, trial.values, trial.errors, strict=True)
        },
    }


def reason(found: Found) -> str:
    """Return why a wish is out of reach, in a sentence; "" where it is not."""
    if found.verdict != OUT_OF_REACH:
        return ""
    texts = [found.model.task.wishes[k].text for k in found.conflict]
    if len(texts) == 1:
        return f"Nothing in these ranges gives {texts[0]}, whatever else is wanted."
    return (
        f"What is wanted excludes itself here: {', '.join(texts[:-1])} and {texts[-1]} do not go "
        "together."
    )


def film_text(wish: WishFile, found: Found) -> str:
    """Return the text of the film: that of the wish with the settings found."""
    tables = with_whole_paths(tables_of(wish), Path(wish.base.folder))
    for key in wish.box.keys:
        tables = key.key.set(tables, found.settings[key.key.path])
    how = {MET: "found", OUT_OF_REACH: "nearest to what was wished", OPEN: "best so far"}
    name = wish.title or wish.base.title or wish.base.name
    tables["title"] = f"{name}: {how[found.verdict]}"[:200]
    return tomli_w.dumps(tables)
