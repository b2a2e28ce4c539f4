"""Runs the cells of a notebook one after the other and shows what its last lines give.

    python -m tests.reference.notebook runs_demo/notebook/film.ipynb

runs it in the folder of the notebook and writes what it shows into it. Format: nbformat 4.5.
"""

import ast
import base64
import contextlib
import io
import json
import os
import sys
from pathlib import Path

from matplotlib.figure import Figure

SHOWN = {"text/html": "_repr_html_", "image/png": "_repr_png_"}
"""Kinds of output and the method by which an object gives them (IPython's protocol)."""


def cells_of(path):
    """Return the content of a notebook and the texts of its cells of code."""
    content = json.loads(Path(path).read_text(encoding="utf-8"))
    return content, [cell for cell in content["cells"] if cell["cell_type"] == "code"]


def picture(figure):
    """Return a figure of pyplot as a notebook shows it."""
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=100)
    return stream.getvalue()


def outputs(value):
    """Return what a notebook shows for an object by kind."""
    if value is None:
        return {}
    told = {"text/plain": repr(value)}
    for kind, name in SHOWN.items():
        given = getattr(value, name, lambda: None)()
        if given is None and kind == "image/png" and isinstance(value, Figure):
            given = picture(value)
        if isinstance(given, bytes):
            given = base64.b64encode(given).decode("ascii")
        if given is not None:
            told[kind] = given
    return told


def run_cell(source, names):
    """Run a cell and return what it prints and what its last expression shows."""
    tree = ast.parse(source)
    last = tree.body.pop() if isinstance(tree.body[-1], ast.Expr) else None
    stream = io.StringIO()
    with contextlib.redirect_stdout(stream):
        exec(compile(tree, "cell", "exec"), names)
        value = eval(compile(ast.Expression(last.value), "cell", "eval"), names) if last else None
    return stream.getvalue(), outputs(value)


def main(path):
    """Run a notebook and write what it shows into it."""
    content, cells = cells_of(path)
    text_path = Path(path).resolve()
    os.chdir(text_path.parent)
    names = {}
    for number, cell in enumerate(cells, start=1):
        printed, shown = run_cell("".join(cell["source"]), names)
        cell["execution_count"] = number
        cell["outputs"] = []
        if printed:
            cell["outputs"].append({"output_type": "stream", "name": "stdout", "text": printed})
        if shown:
            cell["outputs"].append({
                "output_type": "execute_result", "execution_count": number, "metadata": {},
                "data": shown,
            })  # fmt: skip
    text_path.write_text(json.dumps(content, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1])
