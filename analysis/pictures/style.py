"""One look for every figure: sizes, fonts, colours, SI-prefixed axes, words for missing data.

Colours come in three steps of lightness, each with a blue, a yellow-brown and a purple member: the
steps survive a greyscale print, and blue against yellow survives the usual colour-vision
deficiencies. Lines differ by dash and marker as well, so that no figure needs its colours.
matplotlib is imported on use, and its settings are changed inside `publication` only.
"""

from __future__ import annotations

import contextlib
import logging
import math
from functools import cache, partial
from typing import TYPE_CHECKING, Any, cast

from analysis.common.file_names import FORMATS
from analysis.files.failures import figure_or_nothing
from analysis.files.provenance import picture_metadata
from analysis.files.writing import write_bytes
from analysis.pictures.lent import LentFigure, lent_axes
from analysis.uncertainty.number_text import scale_for

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analysis.trajectory.run import Run

MILLIMETRE = 1.0 / 25.4  # matplotlib measures figures in inches
SINGLE_COLUMN = 88.0 * MILLIMETRE
DOUBLE_COLUMN = 180.0 * MILLIMETRE
FONT_POINTS = 8.0
SMALL_POINTS = 6.5
PNG_DOTS_PER_INCH = 300
SCREEN_DOTS_PER_INCH = 100

INK = "#1c1c1c"
QUIET = "#6d6d6d"
FAINT = "#c9c9c9"
SINGLE_PARTICLE = "#e6e6e6"
FIRST = "#1f4e8c"  # dark blue: what was measured
SECOND = "#b3640e"  # brown: the second measured series
THIRD = "#7b4a8a"  # purple: the third
MARK = "#a3123a"  # a marked value
COLOUR_MAP = "cividis"  # lightness rises evenly; reads the same to the colour-blind

# Rows: dark, middle, light (CIE lightness about 30, 57, 82). Columns: blue, yellow-brown, purple.
CHAIN_COLOURS = (
    ("#1d4480", "#6b3a05", "#64306f"),
    ("#3f8fcc", "#c47d1c", "#b577c2"),
    ("#a5d3f2", "#f3ca62", "#e6c3ea"),
)

_SETTINGS: dict[str, Any] = {
    "font.family": "DejaVu Sans",  # comes with matplotlib: the same letters on every machine
    "mathtext.fontset": "dejavusans",
    "font.size": FONT_POINTS,
    "axes.labelsize": FONT_POINTS,
    "axes.titlesize": FONT_POINTS,
    "xtick.labelsize": 7.0,
    "ytick.labelsize": 7.0,
    "legend.fontsize": 7.0,
    "legend.frameon": False,
    "legend.handlelength": 2.2,
    "legend.borderaxespad": 0.3,
    "axes.linewidth": 0.7,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.direction": "in",
    "ytick.direction": "in",
    "xtick.top": True,
    "ytick.right": True,
    "xtick.major.size": 3.0,
    "ytick.major.size": 3.0,
    "xtick.minor.size": 1.7,
    "ytick.minor.size": 1.7,
    "xtick.major.width": 0.7,
    "ytick.major.width": 0.7,
    "xtick.minor.width": 0.5,
    "ytick.minor.width": 0.5,
    "lines.linewidth": 1.2,
    "lines.markersize": 3.4,
    "errorbar.capsize": 1.6,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    "axes.unicode_minus": True,
    "pdf.fonttype": 42,
    "svg.hashsalt": "chainfilm",  # identical input gives an identical file
    "path.simplify": True,
}


@contextlib.contextmanager
def publication() -> Iterator[None]:
    """Apply the style inside a `with` block; the settings of the caller come back after it."""
    logging.getLogger("matplotlib").setLevel(logging.ERROR)  # no home: it tells of its own cache
    import matplotlib

    with matplotlib.rc_context():
        matplotlib.rcdefaults()  # a reader's own settings file must not change our figures
        settings: Any = matplotlib.rcParams  # typed by single names, which a table is not
        settings.update(_SETTINGS)
        yield


def as_written(text: str) -> str:
    """Return a user's text so that a figure shows it.

    Dollars would make it a formula, and bytes in the name of a file need not be signs.
    """
    return text.encode("utf-8", "replace").decode("utf-8").replace("$", r"\$")


def new_figure(width: float = SINGLE_COLUMN, height: float = 62.0 * MILLIMETRE) -> Figure:
    """Empty figure with automatic, non-overlapping layout; sizes in inches.

    Where axes are lent (``analysis.pictures.lent``), these stand for it.
    """
    if (axes := lent_axes()) is not None:
        return cast("Figure", LentFigure(axes))
    figure = _shown_figure()(figsize=(width, height), layout="constrained")
    figure.get_layout_engine().set(w_pad=0.03, h_pad=0.03)  # type: ignore[union-attr, call-arg]
    return figure


@cache
def _shown_figure() -> type[Figure]:
    """Return a class of figures that a notebook shows, whether or not it has pyplot's hooks."""
    from matplotlib.figure import Figure

    class ShownFigure(Figure):
        """A figure that a notebook asks for its picture."""

        def _repr_png_(self) -> bytes:
            return figure_bytes(self, "png", SCREEN_DOTS_PER_INCH)

    return ShownFigure


def check_format(format: str) -> str:
    """Return a known picture format, or raise a ValueError that names the accepted ones."""
    if format not in FORMATS:
        raise ValueError(f"format must be one of {', '.join(FORMATS)}; received {format!r}.")
    return format


def figure_bytes(
    figure: Figure, format: str = "png", dots_per_inch: int = PNG_DOTS_PER_INCH
) -> bytes:
    """Encode a figure, without date or program name, so that equal data give equal bytes.

    Parameters
    ----------
    figure : Figure
        The figure to encode.
    format : str
        "png", "svg" or "pdf".
    dots_per_inch : int
        Resolution of a "png".

    Returns
    -------
    bytes
        Content of the picture file.

    Raises
    ------
    ValueError
        If the format is not one of `FORMATS`.
    """
    import io

    check_format(format)
    stream = io.BytesIO()
    with publication():
        figure.savefig(stream, format=format, dpi=dots_per_inch, metadata=picture_metadata(format))
    return stream.getvalue()


def save(figure: Figure, path: Path, format: str = "png") -> Path:
    """Write a figure to `path` under a passing name first, so that no half picture is left."""
    return write_bytes(path, figure_bytes(figure, format))


def save_all(
    figures: Mapping[str, Callable[[], Figure]], directory: Path, format: str
) -> list[Path]:
    """Draw figures one after the other and write each into a folder, made if it is missing.

    Parameters
    ----------
    figures : mapping of str to callable
        What draws each figure, by the name of its file without ending.
    directory : Path
        Folder for the pictures. A picture of the same name is replaced.
    format : str
        "png" (300 dots per inch), "svg" or "pdf".

    Returns
    -------
    list of Path
        The files written. A figure that cannot be drawn is left out, see ``drawing``.

    Raises
    ------
    ValueError
        If the format is not one of these three; nothing is written.
    OSError
        If the folder cannot be written.
    """
    check_format(format)
    directory.mkdir(parents=True, exist_ok=True)
    written = []
    for name, draw in figures.items():
        path = directory / f"{name}.{format}"
        picture = figure_or_nothing(name, partial(_drawn_bytes, draw, format))
        if picture is None:
            path.unlink(missing_ok=True)  # an older one would pass for this
        else:
            written.append(write_bytes(path, picture))
    return written


def _drawn_bytes(draw: Callable[[], Figure], format: str) -> bytes:
    return figure_bytes(draw(), format)


def legend_above(axes: Axes, first: str = "", columns: int = 2) -> None:
    """Legend over the axes, where it covers no data; the entry beginning with `first` leads."""
    handles, words = axes.get_legend_handles_labels()
    order = sorted(range(len(words)), key=lambda i: not (first and words[i].startswith(first)))
    columns = min(columns, max(len(words), 1))
    # A legend fills its columns from above; this order reads along the rows instead.
    order = [i for column in range(columns) for i in order[column::columns]]
    axes.legend(
        [handles[i] for i in order],
        [words[i] for i in order],
        loc="lower left",
        bbox_to_anchor=(0.0, 1.0),
        ncols=columns,
        columnspacing=1.2,
        fontsize=SMALL_POINTS,
        handlelength=1.8,
        borderpad=0.1,
    )


def say_empty(axes: Axes, reason: str) -> None:
    """Write in words, in the middle of emptied axes, why there is nothing to see."""
    import textwrap

    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_color(FAINT)
    axes.text(
        0.5,
        0.5,
        textwrap.fill(reason, 44),
        transform=axes.transAxes,
        ha="center",
        va="center",
        color=QUIET,
        fontsize=7.5,
        linespacing=1.4,
    )


def note_provisional(figure: Figure, run: Run, *, below: bool = False) -> None:
    """Mark a figure whose dipole forces were cut off; other figures get no mark.

    Parameters
    ----------
    figure : Figure
        The finished figure.
    run : Run
        Its `provisional` flag and the derived `dipole_sum` and `cutoff_m` are read.
    below : bool
        Put the mark at the foot of a figure without automatic layout instead of its head.
    """
    text = provisional_text(run)
    look: dict[str, Any] = {"ha": "right", "fontsize": 6.0, "color": QUIET, "style": "italic"}
    if text and below:
        figure.text(0.995, 0.03 / figure.get_figheight(), text, va="bottom", **look)
    elif text:
        figure.suptitle(text, x=0.995, **look)


def provisional_text(run: Run) -> str:
    """Words that mark a run made with a cut-off dipole sum, empty for any other run."""
    derived = run.derived
    if not (run.provisional or derived.get("dipole_sum") == "cutoff"):
        return ""
    range_m = derived.get("cutoff_m")
    if not isinstance(range_m, int | float) or not math.isfinite(range_m) or range_m <= 0:
        return "provisional: dipoles cut off"
    scale = scale_for(float(range_m), "m")
    return f"provisional: dipoles cut off at {range_m * scale.factor:.3g} {scale.unit}"
