"""The film in motion, from above and from the side: a GIF, and a video where ffmpeg is there.

Colours tell how long a chain is, as they would flicker if they told one chain from another.
"""

from __future__ import annotations

import contextlib
import io
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.chains.measured_run import Frame, MeasuredRun
from analysis.common import file_names
from analysis.files.failures import figure_or_nothing
from analysis.files.writing import write_bytes
from analysis.measures.measure import for_pictures
from analysis.measures.viewers import frames_shown
from analysis.pictures import style
from analysis.pictures.film import (
    EDGE,
    PALING,
    SIDE,
    TOP,
    draw_field,
    draw_scale_bar,
    draw_view,
    panels,
)
from analysis.trajectory.stages import is_field_known
from analysis.uncertainty.number_text import scale_for

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from numpy.typing import NDArray
    from PIL.Image import Image

DOTS_PER_INCH = 90
SECONDS, LAST_SECONDS = 6.0, 1.5
"""How long all frames show, and the last one beyond that, before it begins again."""
BELOW, WORDS_AT, LEGEND_AT = 0.68, 0.2, 0.02
"""Inches below the views; therein, from below, the line of time and length, and the legend."""
CLASSES = (
    (1, "single", style.SINGLE_PARTICLE),
    (2, "2", style.CHAIN_COLOURS[2][0]),
    (3, "3 to 4", style.CHAIN_COLOURS[1][0]),
    (5, "5 to 8", style.CHAIN_COLOURS[0][0]),
    (9, "9 to 16", style.CHAIN_COLOURS[1][1]),
    (17, "17 and more", style.CHAIN_COLOURS[0][1]),
)
"""Shortest chain, word and colour of each class of lengths."""


def draw_motion(
    seen: MeasuredRun,
    directory: Path,
    most: int,
    on_progress: Callable[[int, int], None] | None = None,
) -> list[Path]:
    """Write ``film.gif`` and, where the program ffmpeg is on the path, ``film.mp4``.

    Parameters
    ----------
    seen : MeasuredRun
        The run with its bond rule.
    directory : Path
        Folder for the pictures, made if it is missing; those of an earlier call are replaced.
    most : int
        Frames at most, evenly spread over the run.
    on_progress : callable, optional
        Called with (frames drawn, frames) after each frame.

    Returns
    -------
    list of Path
        The files. A video that ffmpeg cannot make is told as ``analysis.files.failures`` says.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    from PIL.Image import Dither

    directory.mkdir(parents=True, exist_ok=True)
    gif, video = (
        directory / f"{file_names.MOVING_PICTURE}.{kind}" for kind in file_names.MOVING_FORMATS
    )
    chosen = frames_shown(seen.run.frames, most)
    milliseconds = max(40, round(1000 * SECONDS / len(chosen)))
    palette, shown = _palette(), []
    video.unlink(missing_ok=True)  # an older one would pass for this
    with _video(video, 1000.0 / milliseconds) as add:
        for place, number in enumerate(chosen):
            picture = style.figure_bytes(_figure(seen, seen.frame(number)), "png", DOTS_PER_INCH)
            add(picture)
            shown.append(_opened(picture).quantize(palette=palette, dither=Dither.NONE))
            if on_progress is not None:
                on_progress(place + 1, len(chosen))
    durations = [milliseconds] * len(shown)
    durations[-1] += round(1000 * LAST_SECONDS)
    stream = io.BytesIO()
    shown[0].save(
        stream, "GIF", save_all=True, append_images=shown[1:], duration=durations, loop=0,
        optimize=True,
    )  # fmt: skip
    write_bytes(gif, stream.getvalue())
    return [gif, *([video] if video.exists() else [])]


def _opened(picture: bytes) -> Image:
    """Return a PNG in colours without transparency."""
    from PIL import Image

    return Image.open(io.BytesIO(picture)).convert("RGB")


def _figure(seen: MeasuredRun, frame: Frame) -> Figure:
    """Draw one frame: both views, field, time, mean length, what the colours mean."""
    run = seen.run
    with style.publication():
        shown = for_pictures(frame)
        extent = (float(shown["sides"][0]), float(shown["sides"][1]), float(shown["thickness"]))
        film = {
            "positions": shown["positions"],
            "diameters": shown["diameters"],
            "extent": extent,
            "is_part": bool(shown.get("is_part")),
            "windows": shown["windows"],
            "colours": _colours(shown["chain_length"]),
        }
        figure, axes = panels(extent, (TOP, SIDE), BELOW)
        for one, view, title in zip(
            axes, (TOP, SIDE), ("from above", "from the side"), strict=True
        ):
            draw_view(one, film, view, title)
            if is_field_known(run):
                draw_field(one, _field(seen.field[frame.number]), view)
        axes[0].set_xlabel("")
        axes[0].tick_params(labelbottom=False)
        draw_scale_bar(axes[1], extent[0])
        words_at = WORDS_AT / figure.get_figheight()
        figure.text(0.01, words_at, _words(seen, frame.number), va="bottom")
        _draw_legend(figure)
        return figure


def _field(vector: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
    """Return strength (T) and direction of a field; any direction where there is none."""
    strength = float(np.linalg.norm(vector))
    return strength, vector / strength if strength > 0.0 else np.array([1.0, 0.0, 0.0])


def _words(seen: MeasuredRun, number: int) -> str:
    """Say when it is, in the unit of the whole run, and how long chains are."""
    run = seen.run
    scale = scale_for(float(run.times[-1]), "s")
    when = f"t = {run.times[number] * scale.factor:.3g} {scale.unit}"
    if run.is_sampled:
        when = f"sweep {run.steps[number]}"
    length = float(seen.series.values["mean_length"][number])
    return when + (f",  mean length {length:.2f} particles" if np.isfinite(length) else "")


def _colours(lengths: NDArray[Any]) -> NDArray[np.float64]:
    """Return the colour of each particle, (N, 3), by the length of its chain."""
    from matplotlib.colors import to_rgb

    table = np.array([to_rgb(colour) for _, _, colour in CLASSES])
    shortest = [least for least, _, _ in CLASSES]
    return np.asarray(table[np.searchsorted(shortest, lengths, side="right") - 1])


def _palette() -> Image:
    """Return a picture with the colours of the GIF, few so that it stays small."""
    from PIL import Image

    whites = np.linspace(0.0, PALING, 4)[:, None]
    discs = [
        shade * colour * (1.0 - whites) + whites
        for colour in _colours(np.array([least for least, _, _ in CLASSES]))
        for shade in (1.0, EDGE)
    ]
    greys = np.repeat(np.linspace(0.0, 1.0, 9)[:, None], 3, axis=1)
    table = np.concatenate([*discs, greys])
    picture = Image.new("P", (1, 1))
    picture.putpalette(np.rint(255.0 * table).astype(np.uint8).tobytes())
    return picture


def _draw_legend(figure: Figure) -> None:
    """Say below the views which colour is which length."""
    from matplotlib.lines import Line2D

    marks = [
        Line2D([], [], linestyle="", marker="o", color=colour, label=word)
        for _, word, colour in CLASSES
    ]
    figure.legend(
        handles=marks, loc="lower left", ncols=len(marks), borderaxespad=0.0, borderpad=0.0,
        bbox_to_anchor=(0.0, LEGEND_AT / figure.get_figheight()),
        handletextpad=0.0, columnspacing=0.6, fontsize=style.SMALL_POINTS,
    )  # fmt: skip


@contextlib.contextmanager
def _video(path: Path, frames_a_second: float) -> Iterator[Callable[[bytes], None]]:
    """Give what takes the pictures of a video; it does nothing where there is no ffmpeg."""
    program = shutil.which("ffmpeg")
    if program is None:
        yield lambda _: None
        return
    with tempfile.TemporaryDirectory(dir=path.parent, prefix=f".{path.name}-") as folder:
        made, log = Path(folder, path.name), Path(folder, "log")
        words = [
            program, "-y", "-loglevel", "error", "-f", "image2pipe",
            "-framerate", f"{frames_a_second:.6g}", "-i", "-", "-an",
            "-vf", "pad=ceil(iw/2)*2:ceil(ih/2)*2:color=white",  # sides must be even
            "-pix_fmt", "yuv420p", "-movflags", "+faststart", str(made),
        ]  # fmt: skip
        with log.open("wb") as told, subprocess.Popen(
            words, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=told
        ) as process:  # fmt: skip
            pipe = process.stdin

            def add(picture: bytes) -> None:
                with contextlib.suppress(BrokenPipeError):  # why it ended is told below
                    if pipe is not None:
                        pipe.write(picture)

            yield add
            with contextlib.suppress(BrokenPipeError):
                process.communicate()
        picture = figure_or_nothing(path.name, lambda: _made(made, process.returncode, log))
        if picture is not None:
            write_bytes(path, picture)


def _made(path: Path, code: int, log: Path) -> bytes:
    """Return the video, or raise with what ffmpeg said last."""
    if code == 0:
        return path.read_bytes()
    told = log.read_text(encoding="utf-8", errors="replace").split("\n")
    raise RuntimeError(next((line for line in reversed(told) if line.strip()), f"it gave {code}"))
