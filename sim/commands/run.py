"""The command `run`, and the same for a point of a sweep in a worker."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.common import file_names
from sim.commands import results
from sim.commands.errors import DONE, INTERRUPTED
from sim.commands.json_output import json_text, run_content
from sim.commands.progress import MeasuringBar, Phases, RunLines, going_on
from sim.commands.terminal import (
    error_line,
    line_seconds,
    notice_lines,
    say,
    say_on_terminal,
    sees_bars,
)
from sim.commands.text import again_text, folder_of, loaded, outlook_text, timing_text

if TYPE_CHECKING:
    from analysis.measures.measure import Measurement
    from sim.parameters.types import Parameters
    from sim.run.simulate import Run
    from sim.run.watchers import Watcher


def run(args: argparse.Namespace) -> int:
    """Simulate, measure and plot a parameter file, and return the exit code."""
    directory = folder_of(args)
    parameters = loaded(args.file, args.seed)
    return run_and_measure(
        parameters,
        directory,
        threads=args.threads,
        resume=args.resume,
        overwrite=args.overwrite,
        plots=not args.no_plots,
        again=again_text("run", args.file, directory),
        as_json=args.json,
        device=args.device,
    )


def run_and_measure(
    parameters: Parameters,
    directory: Path,
    *,
    threads: int | None = None,
    resume: bool = False,
    overwrite: bool = False,
    plots: bool = True,
    again: str = "",
    as_json: bool = False,
    device: str = "cpu",
) -> int:
    """Simulate, measure and plot one point into a folder, and print what came out.

    Parameters
    ----------
    parameters : Parameters
        The point.
    directory : Path
        Its folder.
    threads : int or None
        Threads to step on; None means all cores.
    resume, overwrite : bool
        Go on with a run that is in the folder, or replace it.
    plots : bool
        Whether to draw figures and write the report.
    again : str
        Command that goes on with the run, told after an interruption.
    as_json : bool
        Print one JSON document, and nothing else, once the run is measured.
    device : str
        "cpu", or "gpu" for a graphics card.

    Returns
    -------
    int
        Exit code.

    Raises
    ------
    ValueError
        On bad input, with one sentence.
    sim.run.simulate.RunFailed
        If the run stopped on an error.
    """
    from sim.files.folder import RunFolder, plan, refuse_own_start
    from sim.run import simulate as one_run

    if parameters.start.kind == "file":
        refuse_own_start(directory, parameters.start.path)
    begun = plan(RunFolder(directory), resume, overwrite)  # a wrong folder is told first of all
    setup = one_run.RunSetup(parameters, threads, device)
    if begun is not None:
        setup.go_on(begun)
    if device == "gpu":
        # what a card cannot take is told before anything else
        setup.require_ready(begins=begun is None or not begun.ending.is_complete)
    expectations = setup.expectations
    if not as_json:
        say(parameters.title or parameters.name)
        say(outlook_text(expectations))
        sys.stdout.flush()
    go_on = f"; go on with: {again}" if again else ""
    try:
        seconds, bars = line_seconds(), sees_bars()
        with Phases() as phases:
            done = one_run.simulate(
                parameters,
                directory,
                threads=threads,
                resume=resume,
                overwrite=overwrite,
                show_progress=bars,
                on_phase=phases,
                on_start=going_on,
                stop_rules=[] if bars or seconds is None else [RunLines(seconds)],
                setup=setup,
            )
        notice_lines(done.notices)
        if not done.finished:
            error_line(f"{done.reason}; checkpoint saved in {directory}{go_on}")
            return INTERRUPTED
        say_on_terminal("measuring ...")
        with MeasuringBar() as bar:
            measurement = results.measure_into(
                done.path, directory, plots=plots, on_progress=bar.show
            )
        if plots:
            results.draw_pair_of_run(expectations, directory, done.path.name)
    except KeyboardInterrupt:  # compiling or measuring; a run that is complete is kept
        error_line(f"interrupted{go_on}")
        return INTERRUPTED
    if as_json:
        print(json_text(run_content(parameters, measurement.numbers, done)))
    else:
        _print_summary(measurement, done, directory)
    return DONE


def measure_point(
    parameters: Parameters,
    directory: Path,
    *,
    stop_rules: Sequence[Watcher] = (),
    on_progress: Callable[[int, int], None] | None = None,
    plots: bool = True,
    device: str = "cpu",
) -> Run:
    """Simulate, measure and plot one run of a sweep; a `sim.sweeps.sweep.PointFunction`.

    Parameters
    ----------
    parameters : Parameters
        The run.
    directory : Path
        Its folder; a run that is in it goes on.
    stop_rules, on_progress
        As for `sim.simulate`.
    plots : bool
        Whether to draw figures and write the report.
    device : str
        "cpu", or "gpu" for a graphics card.

    Returns
    -------
    Run
        The run; one that was interrupted is not measured.
    """
    from sim.sweeps.sweep import simulate_point

    done = simulate_point(
        parameters, directory, stop_rules=stop_rules, on_progress=on_progress, device=device
    )
    if done.finished:
        results.measure_into(done.path, directory, plots=plots)
    return done


def _print_summary(measurement: Measurement, run: Run, directory: Path) -> None:
    say(f"\nResult\n{results.headline_text(measurement)}")
    say(f"\n{timing_text(run)}")
    report = directory / file_names.REPORT
    say(f"results are in {directory}" + (f"; read {report}" if report.exists() else ""))
