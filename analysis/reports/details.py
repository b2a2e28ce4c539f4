"""What the report says of bending, bundles, bond lives, bond rules, slits and columns."""

from __future__ import annotations

import math
from html import escape
from typing import Any

import numpy as np

from analysis.spacing.columns import stands
from analysis.uncertainty.number_text import NOT_MEASURED, as_float, with_error, with_unit

TOLD = frozenset(
    {
        ("chains", "persistence_length_m"),
        ("chains", "kink_share"),
        ("chains", "branch_point_share"),
        ("chains", "loops"),
        ("chains", "bond_life_s"),
        ("chains", "bond_life_standing_s"),
        ("chains", "bond_standing_share"),
        ("chains", "exchange_rate_per_s"),
        ("spacing", "nearest_neighbour_in_plane_m"),
    }
)
"""Numbers that this page part words, so that no other row lists them by their key."""

SLITS_CAPTION = (
    "How wide the clear slits are",
    "Widths of the clear stretches on lines across the chains, looked through the film. The broken "
    "line is the law for as many particles strewn at random. The band is one standard error.",
)
"""Title and caption of the figure of slit widths."""

PLAIN = frozenset({"chains.bond_life_theory_s"})
"""Rows that are not measured and have no error."""

ROWS = (
    ("chains.persistence_length_m", "m", "Persistence length",
     "over which a chain forgets its direction by bending; what a field straightens is left out."),
    ("chains.kink_share", "%", "Kinks",
     "share of the inner particles of open chains at which the chain turns by more than 45°."),
    ("chains.branch_point_share", "%", "Branch points",
     "share of all particles that have three bonds or more."),
    ("chains.bundles.share", "%", "Particles in bundles",
     "share in chains that run side by side with another, touching it or nearly so."),
    ("chains.bundles.strands", "", "Strands of a bundle",
     "chains side by side in a cut through a bundle of two or more, mean over its length."),
    ("chains.bundles.width_m", "m", "Width of a bundle",
     "the largest across it, a particle diameter included."),
    ("chains.bond_life_standing_s", "s", "Life of standing bonds",
     "in which the bonds that stand at an instant fall to 37 %; a pair that parts and rejoins "
     "still stands."),
    ("chains.bond_standing_share", "%", "Bonds that stand again", ""),
    ("chains.bond_life_theory_s", "s", "Life of standing bonds by theory",
     "of two middle particles until they have diffused apart for good, by detailed balance; holds "
     "within a factor of a few."),
    ("chains.bond_life_s", "s", "Life of a bond from birth",
     "mean time from the moment two particles bond until they part; bonds that flicker count as "
     "often as they form, so it can be far shorter than the life of standing bonds."),
    ("chains.exchange_rate_per_s", "1/s", "Exchange of particles",
     "share of the chained particles a second that find wholly new companions."),
    ("spacing.nearest_neighbour_in_plane_m", "m", "Nearest chain seen through the film",
     "the same distance with all heights laid on one another; never above that in space."),
    ("spacing.structure_factor_line.width_per_m", "1/m", "Width of the peak",
     "full width at half height of the line fitted to the structure factor."),
    ("spacing.structure_factor_line.height", "", "Height of the peak",
     "of that line above its background."),
    ("spacing.slits.mean_m", "m", "Clear slit",
     "mean width of the clear stretches between particles, on lines across the chains."),
    ("spacing.slits.median_m", "m", "Middle clear slit", "half of the slits are wider."),
    ("spacing.columns.neighbour_distance_m", "m", "Distance of neighbouring columns",
     "mean over the neighbours of each column, in the plane across them."),
    ("spacing.columns.hexagonal_order", "", "Hexagonal order",
     "of the whole patch: 1 for columns on one triangular lattice, near 0 without it."),
    ("spacing.columns.hexagonal_order_local", "", "Hexagonal order around a column",
     "the same for each column and its neighbours, however they are turned."),
    ("spacing.columns.six_neighbours_share", "%", "Columns with six neighbours",
     "the others are defects of the hexagonal order."),
)  # fmt: skip


def section(numbers: dict[str, Any]) -> str:
    """Return the part of the page: a table of these numbers and one of the bond rules, as HTML.

    Parameters
    ----------
    numbers : dict
        Content of measures.json; what is missing or was not measured is left out.
    """
    rows = []
    for path, unit, *words in ROWS:
        name, meaning = (_of_chains(one, path, numbers) for one in words)
        value, error = _entry(numbers, path)
        plain = path in PLAIN and math.isfinite(value)
        text = with_unit(value, unit) if plain else with_error(value, error, unit)
        if text != NOT_MEASURED:
            rows.append(_row(name, text, meaning or _after(numbers)))
    parts = []
    if rows:
        head = "<tr><th>Quantity</th><th>Value</th><th>What it means</th></tr>"
        parts.append(
            "<h3>Shape, bundles and order</h3>"
            f"<table><thead>{head}</thead><tbody>{''.join(rows)}</tbody></table>"
        )
    return "".join([*parts, _rules(numbers)])


def _of_chains(words: str, path: str, numbers: dict[str, Any]) -> str:
    """Call columns what they are where they lie in the film: chains."""
    axis = (numbers.get("spacing") or {}).get("chain_direction") if ".columns." in path else None
    if axis is None or stands(np.asarray(axis)):
        return words
    return words.replace("column", "chain").replace("Column", "Chain")


def _entry(numbers: dict[str, Any], path: str) -> tuple[float, float]:
    """Return value and error under a dotted path, NaN where there is none."""
    block: Any = numbers
    for key in path.split("."):
        block = block.get(key) if isinstance(block, dict) else None
    if not isinstance(block, dict):
        return as_float(block), math.nan  # a plain number, such as one of theory
    return as_float(block.get("value")), as_float(block.get("error"))


def _after(numbers: dict[str, Any]) -> str:
    """Say after what time the standing bonds were counted again."""
    after = as_float(numbers["chains"].get("bond_standing_after_s"))
    return f"share of the bonds of an instant that stand {with_unit(after, 's')} later."


def _row(name: str, *cells: str) -> str:
    """Return one row of a table: a heading, a value, and further cells."""
    value, *rest = cells
    more = "".join(f"<td>{escape(cell)}</td>" for cell in rest)
    return (
        f'<tr><th scope="row">{escape(name)}</th><td class="value">{escape(value)}</td>{more}</tr>'
    )


def rule_words(rule: dict[str, Any]) -> str:
    """Say a bond rule in words, such as "nearer than 1.3 d, cosines above 0.5"."""
    if rule.get("bond_kind") == "energy":
        limit = rule.get("bond_energy_kt")
        if limit in (None, "auto"):
            return "energy below half that at contact"
        return f"energy below {with_unit(as_float(limit))} kT"
    distance, alignment = (as_float(rule.get(f"bond_{key}")) for key in ("distance", "alignment"))
    return f"nearer than {distance:g} d, cosines above {alignment:g}"


def _rules(numbers: dict[str, Any]) -> str:
    """Return the table of what other bond rules would give."""
    chains = numbers.get("chains")
    table = chains.get("sensitivity") if isinstance(chains, dict) else None
    if not table:
        return ""
    rows = []
    for place, rule in enumerate(table):
        words = rule_words(rule) + (" (this run)" if place == 0 else "")
        cells = [
            with_error(*_entry(rule, key), unit)
            for key, unit in (("mean_length", ""), ("weight_mean_length", ""),
                              ("singles_fraction", "%"))
        ]  # fmt: skip
        rows.append(_row(words, *cells))
    head = (
        "<tr><th>Bonded when</th><th>Mean length</th><th>Weight mean length</th>"
        "<th>Single particles</th></tr>"
    )
    return (
        "<h3>What counts as a bond</h3><p>Some of the averaged frames by other rules (d: mean "
        "diameter of the two). Where the lengths differ much, quote the rule with the number.</p>"
        f"<table><thead>{head}</thead><tbody>{''.join(rows)}</tbody></table>"
    )
