"""A page and its parts: one file with its style sheet and pictures inside, nothing to fetch.

Every text is escaped here, so that what comes from files cannot become markup.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from string import Template
from typing import TYPE_CHECKING, Any, TypeAlias
from urllib.parse import quote

from analysis.files.failures import figure_or_nothing
from analysis.pictures.style import PNG_DOTS_PER_INCH, figure_bytes
from analysis.uncertainty.number_text import NOT_MEASURED

if TYPE_CHECKING:
    from analysis.pictures.record import FigureRecord

_DOTS_PER_INCH = 200  # sharp on a screen at half the size of the pictures for print

_STYLE_SHEET = """
:root { color-scheme: light; }
* { box-sizing: border-box; }
html { -webkit-text-size-adjust: 100%; }
body { margin: 0; background: #fff; color: #1c1c1c; line-height: 1.5;
  font-family: "DejaVu Sans", Verdana, Arial, sans-serif; font-size: 16px; }
main { max-width: 62rem; margin: 0 auto; padding: 1rem 1.1rem 3rem; }
h1 { font-size: 1.6rem; line-height: 1.2; margin: 0.6rem 0 0.3rem; overflow-wrap: anywhere; }
h2 { font-size: 1.2rem; margin: 2.2rem 0 0.6rem; padding-bottom: 0.2rem;
  border-bottom: 2px solid #1c1c1c; }
h3 { font-size: 1rem; margin: 0 0 0.3rem; }
details { border-bottom: 1px solid #c9c9c9; }
details > h3, .folded > h3 { margin-top: 1.2rem; }
summary { cursor: pointer; padding: 0.7rem 0; }
summary h2 { display: inline; border: 0; margin: 0; padding: 0; font-size: 1.1rem; }
.folded { padding: 0 0 1.2rem; }
.numbers { display: grid; gap: 0.2rem 2rem; grid-template-columns: repeat(4, 1fr);
  margin: 1.2rem 0; padding: 0; }
.numbers div { display: flex; flex-direction: column-reverse; justify-content: flex-end;
  min-width: 0; padding: 0.5rem 0; border-top: 2px solid #1c1c1c; }
.numbers dt { font-weight: 400; font-size: 0.85rem; color: #333; }
.numbers dd { margin: 0; font-size: 1.12rem; font-variant-numeric: tabular-nums; }
a.trace { color: inherit; text-decoration: underline dotted #6d6d6d; text-underline-offset: 0.2em; }
dt:target, dt:target + dd { background: #fff3c4; }
.traces { grid-template-columns: 18rem 1fr; gap: 0.6rem 1rem; font-size: 0.9rem; }
.traces dt span { display: block; font-weight: 400; font-variant-numeric: tabular-nums; }
.points + .figures, div + .figures, table + .figures { margin-top: 1.4rem; }
p { margin: 0.4rem 0; max-width: 46rem; }
.quiet { color: #555; font-size: 0.9rem; }
.lead { font-size: 1.05rem; }
.warnings { border: 2px solid #a3123a; border-left-width: 10px; padding: 0.6rem 1rem;
  margin: 1rem 0; }
.warnings h2 { border: 0; margin: 0; padding: 0; color: #a3123a; }
.notes { margin: 0; padding-left: 1.2rem; max-width: 46rem; }
li { margin: 0.3rem 0; overflow-wrap: anywhere; }
.none { border-color: #6d6d6d; }
.none h2 { color: #1c1c1c; }
.figures { display: grid; grid-template-columns: 1fr; gap: 1.6rem; }
figure { margin: 0; min-width: 0; break-inside: avoid; }
figure img { display: block; width: 100%; height: auto; max-width: 34rem; }
.wide .frame { overflow-x: auto; }
.wide img { max-width: none; min-width: 40rem; }
figcaption { font-size: 0.88rem; color: #333; margin-top: 0.4rem; max-width: 46rem; }
.scroll { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; vertical-align: top; padding: 0.5rem 0.9rem 0.5rem 0;
  border-bottom: 1px solid #c9c9c9; overflow-wrap: anywhere; }
thead th { border-bottom: 2px solid #6d6d6d; font-size: 0.85rem; }
tbody th { font-weight: 600; }
td { font-variant-numeric: tabular-nums; }
.values tbody th { width: 30%; }
.values th + td { width: 25%; white-space: nowrap; }
.values td.missing { color: #555; font-style: italic; white-space: normal; }
.points th, .points td { white-space: nowrap; padding: 0.35rem 0.9rem 0.35rem 0; }
.wraps tbody th { white-space: normal; }
.sources tbody th { min-width: 16rem; }
.sources td { white-space: normal; overflow-wrap: normal; min-width: 4.5rem; }
.sources td:last-child { min-width: 18rem; }
dl { margin: 0; display: grid; grid-template-columns: 11rem 1fr; gap: 0.35rem 1rem; }
dt { font-weight: 600; }
dd { margin: 0; overflow-wrap: anywhere; max-width: 44rem; }
pre { background: #f5f5f5; border: 1px solid #c9c9c9; padding: 0.8rem; font-size: 0.8rem;
  line-height: 1.4; white-space: pre-wrap; overflow-wrap: anywhere;
  font-family: "DejaVu Sans Mono", Consolas, monospace; }
@media (min-width: 900px) {
  .figures { grid-template-columns: 1fr 1fr; }
  .wide { grid-column: 1 / -1; }
}
@media (max-width: 640px) {
  .numbers { grid-template-columns: 1fr 1fr; gap: 0.2rem 1rem; }
  .numbers dd { margin: 0; }
  table, tbody, tr, th, td { display: block; width: auto; }
  thead { display: none; }
  tr { border-bottom: 1px solid #c9c9c9; padding: 0.5rem 0; }
  th, td { border: 0; padding: 0; }
  .values tbody th, .values th + td { width: auto; }
  .values th + td { font-size: 1.1rem; white-space: normal; }
  .points { display: table; }
  .points thead { display: table-header-group; } .points tbody { display: table-row-group; }
  .points tr { display: table-row; }
  .points th, .points td { display: table-cell; font-size: 0.8rem; padding-right: 0.6rem; }
  .points tbody th { white-space: normal; overflow-wrap: normal; min-width: 6.5rem; }
  .waves td { white-space: normal; overflow-wrap: normal; }
  dl, .traces { grid-template-columns: 1fr; gap: 0; }
  dd { margin-bottom: 0.6rem; }
}
@media print {
  details::details-content { content-visibility: visible; block-size: auto; }
  body { font-size: 10pt; }
  main { max-width: none; padding: 0; }
  .figures { grid-template-columns: 1fr 1fr; gap: 0.8rem; }
  .wide { grid-column: 1 / -1; }
  .wide .frame { overflow: visible; }
  .wide img { min-width: 0; width: auto; max-width: 100%; max-height: 12cm; }
  h2 { break-after: avoid; }
  tr, dt, dd { break-inside: avoid; }
}
"""

_PAGE = Template(
    """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>$title</title>
<style>$style_sheet</style>
</head>
<body>
<main>
<header>
<p class="quiet">$kind</p>
<h1>$title</h1>
<p class="lead">$summary</p>
$about
</header>
$body
</main>
</body>
</html>
"""
)


_MISSING = ' class="missing"'


class Html(str):
    """Text that is markup already."""


Cell: TypeAlias = "str | Html"


def _safe(text: str) -> str:
    return text if isinstance(text, Html) else escape(text)


@dataclass(frozen=True)
class Traced:
    """A number of a page, and where it comes from.

    Attributes
    ----------
    key : str
        Where it stands in its file, which names its place on the page.
    name, text : str
        What it is called, and value and error for a reader.
    definition : str
        What it is.
    samples : str
        How many samples stand behind it; empty where none are counted.
    interval : str
        Its 95 % interval, empty without.
    runs : str
        How many runs it is the mean of, where it is one.
    """

    key: str
    name: str
    text: str
    definition: str
    samples: str = ""
    interval: str = ""
    runs: str = ""

    @property
    def behind(self) -> str:
        """What stands behind the number, as words that follow its key."""
        parts = [f"{self.samples} samples"] if self.samples else []
        parts += [f"95 % interval {self.interval}"] if self.interval else []
        parts += [f"mean of runs: {self.runs}"] if self.runs else []
        return "".join(f"; {part}" for part in parts)


def trace(one: Traced) -> Cell:
    """Return a number as a link to where it comes from, which also shows when pointed at."""
    if one.text == NOT_MEASURED:
        return one.text
    hover = escape(f"{one.key}: {one.definition}{one.behind}")
    place = escape(quote(f"from-{one.key}"))
    return Html(f'<a class="trace" href="#{place}" title="{hover}">{escape(one.text)}</a>')


_SAMPLES_NOTE = "Samples are independent ones: frames that show the same chains again count once."


def trace_fold(numbers: Iterable[Traced], file: str, note: str = _SAMPLES_NOTE) -> str:
    """Return the folded list of where each number comes from: key, definition, samples."""
    rows = "".join(
        f'<dt id="{escape(quote(f"from-{one.key}"))}">{escape(one.name)}'
        f"<span>{escape(one.text)}</span></dt><dd>{escape(one.definition)}<br>"
        f'<span class="quiet"><code>{escape(one.key)}</code>{escape(one.behind)}</span></dd>'
        for one in {one.key: one for one in numbers}.values()
    )
    body = f'<dl class="traces">{rows}</dl>' if rows else ""
    return fold("Where each number comes from", body, f"Keys are those of {file}. {note}")


def numbers_block(numbers: Iterable[Traced]) -> str:
    """Return the few numbers that matter most, with their errors."""
    rows = "".join(
        f"<div><dt>{escape(one.name)}</dt><dd>{_safe(trace(one))}</dd></div>" for one in numbers
    )
    return f'<dl class="numbers">{rows}</dl>'


def fold(title: str, content: str, note: str = "") -> str:
    """Return a section that opens when its heading is touched; empty without content."""
    if not content:
        return ""
    quiet = f'<p class="quiet">{escape(note)}</p>\n' if note else ""
    return (
        f"<details>\n<summary><h2>{escape(title)}</h2></summary>\n"
        f'<div class="folded">{quiet}{content}</div>\n</details>'
    )


def decisive_box(note: str, others: int, passed: str) -> str:
    """Return the box of the one warning that decides whether the numbers can be used.

    Parameters
    ----------
    note : str
        The warning; empty where there is none of that weight.
    others : int
        How many further warnings are folded below.
    passed : str
        What was passed, where there is no warning at all.
    """
    more = "" if others == 0 else f" {others} more below." if others > 1 else " One more below."
    stop = "" if note.endswith(".") else "."
    if note:
        return (
            f'<section class="warnings"><h2>Read this first</h2><p>{escape(note)}{stop}'
            f'<span class="quiet">{more}</span></p></section>'
        )
    words = f"Nothing decides against these numbers.{more}" if others else passed
    head = "No warnings" if others == 0 else "No decisive warning"
    return f'<section class="warnings none"><h2>{head}</h2><p>{escape(words)}</p></section>'


def warning_list(notes: Iterable[str]) -> str:
    """Return the folded list of all warnings."""
    rows = [f"<li>{escape(note)}</li>" for note in notes]
    if not rows:
        return ""
    return fold(f"Warnings ({len(rows)})", f'<ul class="notes">{"".join(rows)}</ul>')


def frame(kind: str, title: str, summary: str, parts: Iterable[str], about: str = "") -> str:
    """Return a page: what kind of page, title, answer and circumstances as text, parts as HTML."""
    return _PAGE.substitute(
        style_sheet=_STYLE_SHEET,
        kind=escape(kind),
        title=escape(title),
        summary=escape(summary),
        about=f'<p class="quiet">{escape(about)}</p>' if about else "",
        body="\n".join(part for part in parts if part),
    )


def section(title: str, content: str, note: str = "") -> str:
    """Return a section: title and note as text, content as HTML."""
    quiet = f'<p class="quiet">{escape(note)}</p>\n' if note else ""
    return f"<section>\n<h2>{escape(title)}</h2>\n{quiet}{content}\n</section>"


def figure_blocks(
    figures: Mapping[str, FigureRecord[...]], *args: Any, drawn: Sequence[Path] = ()
) -> str:
    """Return figures with title and caption, none without a caption.

    Parameters
    ----------
    figures : mapping of str to FigureRecord
    args
        What they are drawn with.
    drawn : sequence of Path
        Pictures for print of the same, by the names of figures; what is there is not drawn again.
    """
    there = {path.stem: path for path in drawn}
    blocks = (
        _figure_block(figure, there.get(figure.name), *args)
        for figure in figures.values()
        if figure.caption
    )
    return '<div class="figures">\n' + "\n".join(blocks) + "\n</div>"


def _for_screen(path: Path) -> bytes:
    """Return a picture for print at the size of the page's."""
    from PIL import Image

    stream = io.BytesIO()
    with Image.open(path) as picture:
        sides = [round(side * _DOTS_PER_INCH / PNG_DOTS_PER_INCH) for side in picture.size]
        small = picture.convert("RGB").resize((sides[0], sides[1]), Image.Resampling.LANCZOS)
    small.save(stream, "png", dpi=(_DOTS_PER_INCH, _DOTS_PER_INCH))
    return stream.getvalue()


def _figure_block(figure: FigureRecord[...], drawn: Path | None, *args: Any) -> str:
    """Return one figure; one that cannot be drawn says so in its place."""
    title, caption = escape(figure.title), escape(figure.caption)
    picture = figure_or_nothing(
        figure.name,
        lambda: (
            figure_bytes(figure(*args), "png", _DOTS_PER_INCH)
            if drawn is None
            else _for_screen(drawn)
        ),
    )
    if picture is None:
        shown, caption = "", "This figure could not be drawn; the numbers do not need it."
    else:
        data = base64.b64encode(picture).decode("ascii")
        shown = (
            f'<div class="frame"><img alt="{title}: {caption}" '
            f'src="data:image/png;base64,{data}"></div>'
        )
    kind = ' class="wide"' if figure.wide and picture else ""
    return (
        f'<figure{kind} id="{escape(figure.name)}"><h3>{title}</h3>{shown}'
        f"<figcaption>{caption}</figcaption></figure>"
    )


def table(
    head: Iterable[str],
    rows: Iterable[Iterable[Cell]],
    kind: str = "values",
    empty: str = "Nothing was recorded.",
) -> str:
    """Return a table whose rows begin with their heading.

    Parameters
    ----------
    head : iterable of str
        Headings of the columns.
    rows : iterable of iterable of str
        Cells, text or ``Html``.
    kind : str
        "values": name, value and words, which becomes a list on a narrow screen. "points": many
        short cells, which stays a table and scrolls. "points waves": one of few columns, whose
        cells break on a narrow screen.
    empty : str
        What stands in the place of a table without rows.
    """
    body = "".join(_row(*row) for row in rows)
    if not body:
        return f"<p>{escape(empty)}</p>"
    first = "".join(f"<th>{escape(cell)}</th>" for cell in head)
    found = f'<table class="{kind}"><thead><tr>{first}</tr></thead><tbody>{body}</tbody></table>'
    return f'<div class="scroll">\n{found}\n</div>' if kind.startswith("points") else found


def _row(heading: Cell, *cells: Cell) -> str:
    """Return one row."""
    rest = "".join(
        f"<td{_MISSING if cell == NOT_MEASURED else ''}>{_safe(cell)}</td>" for cell in cells
    )
    return f'<tr><th scope="row">{_safe(heading)}</th>{rest}</tr>'


def definitions(pairs: Iterable[tuple[str, str]]) -> str:
    """Return a list of terms and their explanations."""
    rows = "".join(f"<dt>{escape(term)}</dt><dd>{escape(words)}</dd>" for term, words in pairs)
    return f"<dl>{rows}</dl>"
