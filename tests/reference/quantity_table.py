"""The table of measured numbers in the README of the measures, from their declarations.

`python -m tests.reference.quantity_table` writes it; a test holds the two equal.
"""

from pathlib import Path

from analysis.optics.definitions import DEFINITIONS
from analysis.quantities.all import MEASURED

LIGHT = Path(__file__).parents[2] / "analysis" / "optics" / "README.md"
LIGHT_HEAD = "| Key | Unit | Definition |\n|---|---|---|\n"
PAGE = Path(__file__).parents[2] / "analysis" / "measures" / "README.md"
HEAD = "| Measured | Unit | Name | What it is |\n|---|---|---|---|\n"


def table():
    """Return the table as text."""
    rows = [
        f"| `{one.path}` | {one.si_unit} | {one.name} | {one.definition}"
        f"{' (computed, no error)' if one.computed else ''} |\n"
        for one in MEASURED
    ]
    return HEAD + "".join(rows)


def light_table():
    """Return the table of the hand-off as text."""
    rows = [f"| `{key}` | {unit} | {words} |\n" for key, (unit, words) in DEFINITIONS.items()]
    return LIGHT_HEAD + "".join(rows)


def with_table(page, head=HEAD, made=table):
    """Return the text of the page with the table in the place of the one that it has."""
    before, found, rest = page.partition(head)
    if not found:
        raise ValueError(f"{PAGE.name} must have the head of the table of measured numbers.")
    _, end, after = rest.partition("\n\n")
    return before + made() + "\n" * bool(end) + after


if __name__ == "__main__":
    PAGE.write_text(with_table(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
    page = LIGHT.read_text(encoding="utf-8")
    LIGHT.write_text(with_table(page, LIGHT_HEAD, light_table), encoding="utf-8")
