"""The page of all keys of the parameter file, from their declarations.

`python -m tests.reference.key_table` writes it.
"""

from pathlib import Path

from sim.parameters.keys import Tables, keys_of
from sim.parameters.tables import TABLES, TITLE, all_tables
from sim.physics.shown import show

PAGE = Path(__file__).parents[2] / "sim" / "parameters" / "README.md"
HEAD = (
    "# Keys of the parameter file\n\n"
    "What the value of each key must be, its default and what it means, from the declarations of "
    "the keys by `python -m tests.reference.key_table`. `chainfilm new` writes all of them into a "
    "file to start from, `chainfilm new --schema` gives them to editors. Ranges of energies hold "
    "at 25 degC.\n"
)
COLUMNS = ["| Key | Must be | Default | Meaning |", "|---|---|---|---|"]


def row(name, key):
    """Write the row of one key."""
    cells = [f"`{name}`", key.must.must, default(key), key.text]
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def default(key):
    """Write the default of a key as a file would."""
    if key.is_required:
        return "must be given"
    if key.is_needed:
        return "must then be given"
    return "" if key.default in (None, "") else f"`{show(key.default)}`"


def page():
    """Return the text of the page."""
    lines = [
        HEAD,
        "| Key | Must be | Default | Meaning |",
        "|---|---|---|---|",
        row("title", TITLE),
    ]
    for name, table in all_tables().items():
        heading = f"[{name}]" if name in TABLES else f"[[{name}]]"
        lines += ["", f"## {heading}", "", table.__doc__.partition("\n")[0], "", *COLUMNS]
        keys = keys_of(table).items()
        lines += [row(name, key) for name, key in keys if not isinstance(key.must, Tables)]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
