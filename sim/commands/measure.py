"""The commands `measure`, `plot` and `export`: results of what is there, made again."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from pathlib import Path

from analysis.common import file_names
from sim.commands import results
from sim.commands.errors import DONE
from sim.commands.options import MOTION_FRAMES
from sim.commands.progress import MeasuringBar
from sim.commands.sweep import print_sweep
from sim.commands.terminal import say
from sim.commands.text import UsageError, criteria_of, is_sweep_folder, results_of


def measure(args: argparse.Namespace) -> int:
    """Measure a run or the runs of a sweep again, and return the exit code."""
    if is_sweep_folder(args):
        return _measure_sweep(args)
    source, directory = results_of(args)
    criteria = criteria_of(args)
    redraw = (directory / file_names.REPORT).exists()
    with MeasuringBar() as bar:
        measurement = results.measure_into(
            source, directory, plots=redraw, criteria=criteria, on_progress=bar.show
        )
    if args.json:
        print((directory / file_names.MEASURES).read_text(encoding="utf-8").rstrip())
    else:
        say(results.headline_text(measurement))
        say(f"\nwrote {directory / file_names.MEASURES} and tables beside it")
    return DONE


def _measure_sweep(args: argparse.Namespace) -> int:
    directory = Path(args.source)
    gathered = results.measure_sweep(directory, criteria_of(args))
    if args.json:
        content = {"label": gathered.label, "rows": gathered.rows, "summary": gathered.summary}
        print(json.dumps(content, indent=2))
    else:
        print_sweep(gathered, directory)
    return DONE


def plot(args: argparse.Namespace) -> int:
    """Draw the figures of a run or a sweep again, and return the exit code."""
    if args.animate and args.format is not None:
        raise UsageError(f"--format is for figures, not for --animate; received {args.format}")
    if args.frames is not None and not args.animate:
        raise UsageError(f"--frames needs --animate; received {args.frames}")
    args.format = args.format or "png"
    args.frames = args.frames or MOTION_FRAMES
    if is_sweep_folder(args):
        criteria_of(args)
        if args.animate:
            raise UsageError(f"--animate needs a run; {args.source} is the folder of a sweep")
        results.summarise(Path(args.source), plots=True, kind=args.format)
        say(f"wrote figures into {Path(args.source) / file_names.FIGURES}")
        return DONE
    if args.animate:
        return _frames_into(results.draw_motion, args)
    source, directory = results_of(args)
    results.draw(source, directory, criteria_of(args), args.format)
    say(f"wrote figures into {directory / file_names.FIGURES}")
    return DONE


def export(args: argparse.Namespace) -> int:
    """Write the frames of a run for viewers, and return the exit code."""
    if is_sweep_folder(args):
        raise UsageError(f"export needs a run; {args.source} is the folder of a sweep")
    return _frames_into(results.write_for_viewers, args)


def _frames_into(write: Callable[..., list[Path]], args: argparse.Namespace) -> int:
    """Write what shows the frames of a run, and return the exit code."""
    source, directory = results_of(args)
    with MeasuringBar("drawing") as bar:
        written = write(source, directory, criteria_of(args), args.frames, bar.show)
    say("wrote " + ", ".join(map(str, written)))
    return DONE
