"""The dossier: a page with figures, and the table in `tests/published/README.md`.

Both are made from one file of results, which holds what each run gave and nothing that is said
about it: laws, deviations and verdicts are reckoned when the page is written.
"""

import json
from pathlib import Path

from analysis.files.writing import write_bytes, write_text
from analysis.pictures.style import PNG_DOTS_PER_INCH, figure_bytes
from analysis.reports import page
from runs_demo.agreement.every import COMPARISONS
from runs_demo.agreement.explained import least, sentences
from runs_demo.agreement.row import AGREES, DIFFERS, MISSING, UNSURE
from tests.benchmarks import markers

ROOT = Path(__file__).parents[2]
PAGE = "dossier.html"
RESULTS = Path(__file__).parent / "results.json"
TABLE_PAGE = ROOT / "tests" / "published" / "README.md"
TABLE = "table of agreement"
"""Name of its markers there."""
MARK = "<!-- page of runs_demo.agreement -->"
"""Last line of a page, by which the command knows its own."""
RULES = (
    "A number agrees up to two standard errors beyond what its law may be off by, or the limits "
    "that are published, and differs from four on; between, and where its error is larger than a "
    "tenth of what is published and than that room, nothing is decided. Where only a side is "
    "published (below, up, down) it agrees from four errors inside on. What each law may be off by "
    "stands in the module that makes the row, with its reason."
)
AFTERWARDS = (
    "These rules, the room that each law is given and the window of the growth exponents (2 to 20) "
    "were set after first results had been seen, and the exponents of bonds within 27° were added "
    "after those beyond 20: verdicts sort the rows, they are no blind test. "
    "Rows that name what was changed (dipoles within a range, weaker coupling, counted otherwise, "
    "smaller beads) put a suspected cause to the test."
)
HEAD = ("comparison", "source", "published", "found", "error", "verdict", "cost", "made by")
ON_PAGE = (0, 5, 2, 3, 4, 1)
"""Columns on the page: sources are long and stand last, where they push no number out of sight."""
SMALL_DOTS_PER_INCH = 150
VERDICTS = (AGREES, DIFFERS, UNSURE, MISSING)


def read(path=RESULTS):
    """Return what a file of results holds: ``about`` and ``cases``, each by comparison."""
    whole = json.loads(Path(path).read_text(encoding="utf-8"))
    return {
        part: {name: content[part] for name, content in whole.items()}
        for part in ("about", "cases")
    }


def joined(older, newer):
    """Return results with newer runs in the place of older ones.

    Runs of a comparison that the newer results lack stay, as long as it still has them; both are
    then told about.
    """
    about, cases = dict(older["about"]), dict(older["cases"])
    for name, found in newer["cases"].items():
        kept = {k: v for k, v in cases.get(name, {}).items() if k in asked(name) and k not in found}
        both = [*(about.get(name, ()) if kept else ()), *newer["about"].get(name, ())]
        about[name] = [one for k, one in enumerate(both) if one not in both[:k]]
        cases[name] = kept | found
    return {"about": about, "cases": cases}


def asked(name):
    """Return the names of all cases that a comparison may have, on a card too."""
    comparison = COMPARISONS[name]
    made = [comparison.cases(1e4)]
    if hasattr(comparison, "ON_CARD"):
        made.append(comparison.cases(1e4, "gpu"))
    return {one.name for some in made for one in some}


def told_about(results):
    """Return when, where and for how long all was run, as a text."""
    places = {}
    for name, several in results["about"].items():
        for about in several if results["cases"].get(name) else ():
            words = f"{about['date']}, {about['processor']}, {about['versions']}, {about['budget']}"
            places.setdefault(words, []).append(name)
    return "; ".join(f"{words} ({', '.join(names)})" for words, names in places.items())


def write_results(path, about, cases):
    """Write a file of results, numbers shortened to what they can mean.

    ``about`` says when, where and for how long the comparisons ran, by name: a list, since runs
    of several calls may stand in one comparison.
    """
    lines = [
        f'{json.dumps(name)}:{{"about":{_text(about[name])},"cases":{_text(_shortened(found))}}}'
        for name, found in cases.items()
    ]
    write_text(Path(path), "{" + ",\n".join(lines) + "}\n")


def _text(value):
    return json.dumps(value, separators=(",", ":"), ensure_ascii=False)


def _shortened(value):
    if isinstance(value, float):
        return float(f"{value:.5g}")
    if isinstance(value, dict):
        return {key: _shortened(item) for key, item in value.items()}
    return [_shortened(item) for item in value] if isinstance(value, list) else value


def found_of(cases, name):
    """Return the numbers of the cases of one comparison, by name."""
    return {case: kept["found"] for case, kept in cases.get(name, {}).items()}


def cost_of(cases, name):
    """Return the minutes of one core that a comparison took, as a text."""
    seconds = sum(kept["seconds"] for kept in cases.get(name, {}).values())
    return f"{seconds / 60.0:.0f} min"


def lines(results):
    """Return (comparison, row) of everything that was run."""
    cases = results["cases"]
    return [
        (comparison, row)
        for name, comparison in COMPARISONS.items()
        if cases.get(name)
        for row in comparison.rows(found_of(cases, name))
    ]


def _cells(comparison, row, cases):
    published, found, away = row.texts
    return (
        row.what, row.source, published, found, away, row.verdict,
        cost_of(cases, comparison.NAME), comparison.NAME,
    )  # fmt: skip


PLURAL = {AGREES: "agree", DIFFERS: "differ"}


def counted(rows):
    """Return how many rows have each verdict, as a text."""
    told = {verdict: sum(row.verdict == verdict for row in rows) for verdict in VERDICTS}
    return ", ".join(
        f"{count} {verdict if count == 1 else PLURAL.get(verdict, verdict)}"
        for verdict, count in told.items() if count
    )  # fmt: skip


def table(results):
    """Return the table in Markdown, with a line above that says when and where it was made."""
    cases = results["cases"]
    rows = lines(results)
    body = [
        "| " + " | ".join(cell.replace("|", "/") for cell in cells[:-1])
        + f" | `runs_demo/agreement/{cells[-1]}.py` |"
        for cells in (_cells(comparison, row, cases) for comparison, row in rows)
    ]  # fmt: skip
    return "\n".join([
        f"{told_about(results)}: {counted([row for _, row in rows])}. {RULES} {AFTERWARDS}",
        "",
        "| " + " | ".join(HEAD) + " |",
        "|---" * len(HEAD) + "|",
        *body,
    ])  # fmt: skip


def write_table(results):
    """Replace the table in `tests/published/README.md`."""
    markers.write(TABLE_PAGE, TABLE, table(results))


def is_own(folder):
    """Return whether a folder holds a page of recorded results, and nothing that was run."""
    page_there = folder / PAGE
    if not page_there.is_file() or (folder / "plan.json").exists():
        return False
    return page_there.read_text(encoding="utf-8", errors="replace").rstrip().endswith(MARK)


def write_figures(results, folder, dots_per_inch=PNG_DOTS_PER_INCH):
    """Draw all figures as pictures; return their paths."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for name, comparison in COMPARISONS.items():
        found = found_of(results["cases"], name)
        for figure in comparison.FIGURES.values() if found else ():
            picture = figure_bytes(figure(found), "png", dots_per_inch)
            written.append(write_bytes(folder / f"{figure.name}.png", picture))
    return written


def commit(newer):
    """Let the project keep these results: its file of results, table and figures."""
    older = read() if RESULTS.exists() else {"about": {}, "cases": {}}
    results = joined(older, newer)
    write_results(RESULTS, results["about"], results["cases"])
    results = read()
    write_table(results)
    write_figures(results, Path(__file__).parent / "figures", SMALL_DOTS_PER_INCH)


def write_page(results, path):
    """Write the page, one file with its figures inside."""
    cases = results["cases"]
    all_rows = lines(results)
    parts = [_least(all_rows, cases)]
    for name, comparison in COMPARISONS.items():
        found = found_of(cases, name)
        if not found:
            continue
        rows = [row for one, row in all_rows if one is comparison]
        body = page.figure_blocks(comparison.FIGURES, found)
        body += _words(sentences(name, found))
        cells = [HEAD, *(_cells(comparison, row, cases) for row in rows)]
        head, *told = [[line[k] for k in ON_PAGE] for line in cells]
        body += page.table(head, told, "points waves wraps sources")
        note = f"{len(found)} runs, {cost_of(cases, name)} of one core; {counted(rows)}."
        parts.append(page.section(comparison.TITLE, body, note))
    text = page.frame(
        "Agreement with published physics",
        "What films of this program share with published laws, and what not",
        f"{len(all_rows)} comparisons: {counted([row for _, row in all_rows])}.",
        parts,
        f"{told_about(results)}. Errors are one standard error. {RULES} {AFTERWARDS} Lengths in "
        "diameters d, times in d²/D0, energies in kT.",
    )
    return write_text(Path(path), f"{text.rstrip()}\n{MARK}\n")


def _least(all_rows, cases):
    """Return the section on the comparisons that agree least, empty where none differs."""
    body = ""
    for comparison, row in least(all_rows):
        published, found, away = row.texts
        body += f"<h3>{page.escape(comparison.TITLE)}</h3>"
        head = f"{row.what}: published {published}, found {found}, {away} ({row.source})."
        body += _words([head, *sentences(comparison.NAME, found_of(cases, comparison.NAME))])
    return page.section("Those that agree least", body) if body else ""


def _words(told):
    return "".join(f"<p>{page.escape(text)}</p>" for text in told)
