"""A part of a page that is made by a command, and stands between two markers."""

from analysis.files.writing import write_text


def replaced(text, name, new):
    """Return a page with the part of a name replaced; raise `ValueError` without its markers."""
    begin, end = f"<!-- {name}: begin -->", f"<!-- {name}: end -->"
    head, found, rest = text.partition(begin)
    _, closed, tail = rest.partition(end)
    if not (found and closed):
        raise ValueError(f"the page must hold the markers {begin} and {end}, in this order.")
    return f"{head}{begin}\n{new}\n{end}{tail}"


def write(path, name, new):
    """Replace the part of a name in a file."""
    write_text(path, replaced(path.read_text(encoding="utf-8"), name, new))
