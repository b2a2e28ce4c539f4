"""The table of measured numbers in the README of the measures, from their declarations.

`python -m tests.reference.quantity_table` writes it; a test holds the two equal.
"""

from pathlib import Path

from analysis.quantities.all import MEASURED

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


def with_table(page):
    """Return the text of the page with the table in the place of the one that it has."""
    before, head, rest = page.partition(HEAD)
    if not head:
        raise ValueError(f"{PAGE.name} must have the head of the table of measured numbers.")
    _, end, after = rest.partition("\n\n")
    return before + table() + "\n" * bool(end) + after


if __name__ == "__main__":
    PAGE.write_text(with_table(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
