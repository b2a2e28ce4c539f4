"""The answer of a search in a sentence or two: trade words, and no digit that its band denies."""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.common.odds import odds_of, percent
from analysis.design.record import key_of, shown_of, words_of

LEAST_DIGITS, MOST_DIGITS = 3, 4
"""Digits of a setting; the file of a film has as many as the last."""
MOVED = 0.5
"""A setting is rounded as long as that moves what is wished for by less than so many standard
deviations of what is expected."""


def answer(told: dict[str, Any]) -> str:
    """Return the answer.

    Parameters
    ----------
    told : dict
        Content of design.json but for the answer itself.

    Returns
    -------
    str
        One sentence or two.
    """
    shown = shown_of(told)
    expected = "; ".join(
        f"{words_of(shown[one['label']].name)} {shown[one['label']].band(one['expected'])}"
        for one in told["quantities"]
        if shown[one["label"]].is_wished
    )
    film, runs = film_text(told), told["runs"]
    if told["verdict"] == "met":
        count = sum(one["settings"] == told["settings"] for one in runs)
        return (
            f"Yes: with {film} all wishes hold with odds {odds_of(told['odds'])}, confirmed by "
            f"{count} runs of this film with seeds of their own: {expected}."
        )
    if told["verdict"] == "out of reach":
        return (
            "No: the odds that any film of these ranges meets the wish are "
            f"{percent(told['odds_of_any_film'])}. {told['reason']} Nearest is {film}: {expected}."
        )
    spent = "runs of the budget are" if told["spent"] == "runs" else "time of the budget is"
    films = "1 film" if len(runs) == 1 else f"{len(runs)} films"
    return (
        f"Not decided: the {spent} spent after {films}. The best film known "
        f"is {film}, with odds {odds_of(told['odds'])}: {expected}."
    )


def film_text(told: dict[str, Any]) -> str:
    """Return the settings of the film, such as "applied field 14 mT, core diameter 17.35 nm"."""
    parts = []
    for free, row in zip(told["free"], told["tradeoffs"], strict=True):
        key = key_of(free)
        digits = _digits(told, row)
        parts.append(f"{words_of(key.words)} {key.shown(row['here'], digits=digits)}")
    return ", ".join(parts)


def _digits(told: dict[str, Any], row: dict[str, Any]) -> int:
    """Return how many digits of a setting what is wished for tells apart."""
    for digits in range(LEAST_DIGITS, MOST_DIGITS):
        near = float(f"{row['here']:.{digits}g}")
        if row["values"][0] <= near <= row["values"][-1] and _is_alike(told, row, near):
            return digits
    return MOST_DIGITS


def _is_alike(told: dict[str, Any], row: dict[str, Any], near: float) -> bool:
    """Say whether a setting near that of the film does as well, as far as is known."""
    shown, places = shown_of(told), row["values"]
    for one in told["quantities"]:
        quantity, curve = shown[one["label"]], row["quantities"][one["label"]]
        if not quantity.is_wished:
            continue
        before, after = np.interp([row["here"], near], places, curve["value"])
        low, high = (np.interp(row["here"], places, curve[end]) for end in ("low", "high"))
        if quantity.is_known:
            if quantity.least <= before <= quantity.most and not (
                quantity.least <= after <= quantity.most
            ):
                return False
        elif abs(after - before) >= 0.5 * MOVED * (high - low):
            return False
    return True
