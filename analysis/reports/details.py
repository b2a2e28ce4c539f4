"""What the page says of shape and order, of stages of the field, and of other bond rules."""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.measures.stages import field_words
from analysis.quantities.all import MEASURED, quantity
from analysis.reports.page import table
from analysis.spacing.columns import stands
from analysis.uncertainty.number_text import NOT_MEASURED, as_float, with_unit

_RULED = tuple(
    map(quantity, ("chains.mean_length", "chains.weight_mean_length", "chains.singles_fraction"))
)
_STAGED = {one.key: one for one in _RULED} | {
    "order": quantity("alignment.order"),
    "magnetisation": quantity("magnetisation.relative"),
}
"""What a stage holds, by the key that it has there."""


def shape(numbers: dict[str, Any]) -> str:
    """Return the table of bending, bundles, bond lives, slits and columns, as HTML.

    Parameters
    ----------
    numbers : dict
        Content of measures.json; what is missing or was not measured is left out.
    """
    rows = []
    for one in MEASURED:
        text = one.text(numbers) if one.page == "shape" else NOT_MEASURED
        if text != NOT_MEASURED:
            name, meaning = one.name, one.explained(numbers)
            if ".columns." in one.path:
                name, meaning = _of_chains(name, numbers), _of_chains(meaning, numbers)
            rows.append((name, text, meaning))
    if not rows:
        return ""
    head = ("Quantity", "Value", "What it means")
    return f"<h3>Shape, bundles and order</h3>{table(head, rows)}"


def _of_chains(words: str, numbers: dict[str, Any]) -> str:
    """Call columns what they are where they lie in the film: chains."""
    axis = (numbers.get("spacing") or {}).get("chain_direction")
    if axis is None or stands(np.asarray(axis)):
        return words
    return words.replace("column", "chain").replace("Column", "Chain")


def rule_words(rule: dict[str, Any]) -> str:
    """Say a bond rule in words, such as "nearer than 1.3 d, cosines above 0.5"."""
    if rule.get("bond_kind") == "energy":
        limit = rule.get("bond_energy_kt")
        if limit in (None, "auto"):
            return "energy below half that at contact"
        return f"energy below {with_unit(as_float(limit))} kT"
    distance, alignment = (as_float(rule.get(f"bond_{key}")) for key in ("distance", "alignment"))
    return f"nearer than {distance:g} d, cosines above {alignment:g}"


def rules(numbers: dict[str, Any]) -> str:
    """Return the table of what other bond rules would give, as HTML."""
    chains = numbers.get("chains")
    given = chains.get("sensitivity") if isinstance(chains, dict) else None
    if not given:
        return ""
    rows = [
        (
            rule_words(rule) + ("" if place else " (this run)"),
            *(one.told(rule.get(one.key)) for one in _RULED),
        )
        for place, rule in enumerate(given)
    ]
    return (
        "<h3>What counts as a bond</h3><p>Some of the averaged frames by other rules (d: mean "
        "diameter of the two). Where the lengths differ much, quote the rule with the number.</p>"
        + table(("Bonded when", *(one.name for one in _RULED)), rows)
    )


def stages(numbers: dict[str, Any]) -> str:
    """Return the table of the stages of the field as HTML, "" where there is only one."""
    found = numbers.get("stages")
    if not isinstance(found, list) or len(found) < 2:
        return ""
    rows = [
        (
            f"{with_unit(stage['from_time_s'], 's')} to {with_unit(stage['end_s'], 's')}",
            field_words(stage["field_t"]),
            *(one.told(stage[key]) for key, one in _STAGED.items()),
        )
        for stage in found
    ]
    head = ("Averaged over", "Field", *(one.name for one in _STAGED.values()))
    return f"<h3>Stages of the field</h3>{table(head, rows, 'points')}"
