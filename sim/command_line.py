"""The commands: the one place that prints.

Exit codes: 0 done; 1 a run that failed; 2 bad input; 130 interrupted, checkpoint saved. Results go
to standard output, everything else (progress, notices, one message for an error) to standard
error. Heavy modules are imported where they are used, so that `chainfilm --help` answers at once.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import os
import sys
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.common import file_names
from sim.commands import results as command_results
from sim.commands.errors import DONE, FAILED, INTERRUPTED, explain
from sim.commands.json_output import json_text, run_content, sweep_content
from sim.commands.progress import MeasuringBar, Phases, RunLines, SweepBar, going_on
from sim.commands.standard_streams import OutputError, with_streams
from sim.commands.terminal import (
    error_line,
    line_seconds,
    notice_lines,
    say,
    say_on_terminal,
    sees_bars,
    set_loudness,
)
from sim.commands.text import (
    again_text,
    criteria_of,
    folder_of,
    is_sweep_folder,
    outlook_text,
    results_of,
    shell_word,
    table,
    timing_text,
)
from sim.run.signals import Listener, signals_interrupt

if TYPE_CHECKING:
    from analysis.measures.measure import Measurement
    from analysis.sweeps.gather import SweepTable
    from sim.parameters.types import Parameters
    from sim.run.simulate import Run
    from sim.run.watchers import Watcher

__all__ = ["main", "measure_point", "run_and_measure"]


def _new(args: argparse.Namespace) -> int:
    from sim.commands.new import new_text, write_new

    text = new_text(args.schema)
    if args.file == "-":
        sys.stdout.write(text)
        return DONE
    path = Path(args.file or ("film.schema.json" if args.schema else "film.toml"))
    write_new(path, text)
    say(f"wrote {path}" + ("" if args.schema else f"; next: chainfilm check {shell_word(path)}"))
    return DONE


def _check(args: argparse.Namespace) -> int:
    from sim.commands.same import is_comparison, same_runs

    if is_comparison(args):
        text, same = same_runs(args)
        say(text)
        return DONE if same else FAILED
    from sim.sweeps.table import is_sweep

    if is_sweep(args.file):
        from sim.commands.sweep_check import check_sweep

        say(check_sweep(args))
        return DONE
    parameters = _load(args.file, args.seed)
    from sim.commands.text import picture_of
    from sim.files.provenance import made_by
    from sim.files.record import resolved
    from sim.run.setup import RunSetup

    setup = RunSetup(parameters, args.threads)
    expectations = setup.expectations
    if args.figure is not None:
        command_results.draw_pair(expectations, picture_of(args), args.file)
    cost = None
    if not args.no_timing:
        from sim.run.cost import calibrate

        say_on_terminal("timing a piece of this run (the first time, kernels are compiled) ...")
        cost = calibrate(setup)
    if args.json:
        content = expectations.to_json()
        content["cost"] = None if cost is None else dataclasses.asdict(cost)
        content |= {"made_by": made_by(), "parameters": resolved(parameters)}
        print(json.dumps(content, indent=2))
        return DONE
    say(f"{parameters.title or parameters.name}\n")
    say(table(expectations.table))
    say(outlook_text(expectations))
    if cost is not None:
        say("\nCost")
        say(table(cost.table()))
    return DONE


def _run(args: argparse.Namespace) -> int:
    directory = folder_of(args)
    parameters = _load(args.file, args.seed)
    return run_and_measure(
        parameters,
        directory,
        threads=args.threads,
        resume=args.resume,
        overwrite=args.overwrite,
        plots=not args.no_plots,
        again=again_text("run", args.file, directory),
        as_json=args.json,
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
    plan(RunFolder(directory), resume, overwrite)  # a wrong folder is told before anything else
    setup = one_run.RunSetup(parameters, threads)
    expectations = setup.expectations
    if not as_json:
        say(parameters.title or parameters.name)
        say(outlook_text(expectations))
        sys.stdout.flush()
    go_on = f"; go on with: {again}" if again else ""
    try:
        seconds, bars = line_seconds(), sees_bars()
        with Phases() as phases:
            run = one_run.simulate(
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
        notice_lines(run.notices)
        if not run.finished:
            error_line(f"{run.reason}; checkpoint saved in {directory}{go_on}")
            return INTERRUPTED
        say_on_terminal("measuring ...")
        with MeasuringBar() as bar:
            measurement = command_results.measure_into(
                run.path, directory, plots=plots, on_progress=bar.show
            )
        if plots:
            command_results.draw_pair_of_run(expectations, directory, run.path.name)
    except KeyboardInterrupt:  # compiling or measuring; a run that is complete is kept
        error_line(f"interrupted{go_on}")
        return INTERRUPTED
    if as_json:
        print(json_text(run_content(parameters, measurement.numbers, run)))
    else:
        _print_summary(measurement, run, directory)
    return DONE


def _sweep(args: argparse.Namespace) -> int:
    from sim.commands.sweep_text import ending, heading
    from sim.sweeps.cluster import cluster_workers
    from sim.sweeps.sweep import sweep
    from sim.sweeps.table import load_sweep

    directory = folder_of(args)
    plan = load_sweep(args.file, args.seed)
    notice_lines(plan.notices)
    plots = not args.no_plots
    say_on_terminal(heading(plan))
    cluster = cluster_workers(args.cluster, directory, args.workers, notice_lines)
    with cluster as executor, SweepBar() as bar:
        result = sweep(
            plan,
            directory,
            point=partial(measure_point, plots=plots),
            workers=args.workers,
            executor=executor,
            resume=args.resume,
            overwrite=args.overwrite,
            on_notice=lambda notice: notice_lines([notice]),
            on_progress=bar.show,
        )
    gathered = command_results.summarise(directory, plots=plots)
    if args.json:
        print(json_text(sweep_content(plan, gathered.rows, gathered.summary, result)))
    else:
        say(plan.title or plan.name)
        _print_sweep(gathered, directory)
    if result.finished:
        return DONE
    error_line(ending(result, again_text("sweep", args.file, directory)))
    return FAILED if result.ended else INTERRUPTED


def measure_point(
    parameters: Parameters,
    directory: Path,
    *,
    stop_rules: Sequence[Watcher] = (),
    on_progress: Callable[[int, int], None] | None = None,
    plots: bool = True,
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

    Returns
    -------
    Run
        The run; one that was interrupted is not measured.
    """
    from sim.sweeps.sweep import simulate_point

    run = simulate_point(parameters, directory, stop_rules=stop_rules, on_progress=on_progress)
    if run.finished:
        command_results.measure_into(run.path, directory, plots=plots)
    return run


def _measure(args: argparse.Namespace) -> int:
    if is_sweep_folder(args):
        return _measure_sweep(args)
    source, directory = results_of(args)
    criteria = criteria_of(args)
    redraw = (directory / file_names.REPORT).exists()
    with MeasuringBar() as bar:
        measurement = command_results.measure_into(
            source, directory, plots=redraw, criteria=criteria, on_progress=bar.show
        )
    if args.json:
        print((directory / file_names.MEASURES).read_text(encoding="utf-8").rstrip())
    else:
        say(command_results.headline_text(measurement))
        say(f"\nwrote {directory / file_names.MEASURES} and tables beside it")
    return DONE


def _measure_sweep(args: argparse.Namespace) -> int:
    directory = Path(args.source)
    gathered = command_results.measure_sweep(directory, criteria_of(args))
    if args.json:
        content = {"label": gathered.label, "rows": gathered.rows, "summary": gathered.summary}
        print(json.dumps(content, indent=2))
    else:
        _print_sweep(gathered, directory)
    return DONE


def _plot(args: argparse.Namespace) -> int:
    if is_sweep_folder(args):
        criteria_of(args)
        command_results.summarise(Path(args.source), plots=True, kind=args.format)
        say(f"wrote figures into {Path(args.source) / file_names.FIGURES}")
        return DONE
    source, directory = results_of(args)
    command_results.draw(source, directory, criteria_of(args), args.format)
    say(f"wrote figures into {directory / file_names.FIGURES}")
    return DONE


def _micrograph(args: argparse.Namespace) -> int:
    from sim.commands.micrograph import measure_micrograph

    say(measure_micrograph(args))
    return DONE


def _map(args: argparse.Namespace) -> int:
    from sim.commands.map import map_into

    say(map_into(_load(args.file, None), args))
    return DONE


def _load(file: str, seed: int | None) -> Parameters:
    from sim.parameters.load import load

    parameters = load(file)
    notice_lines(parameters.notices)
    return parameters.with_seed(seed)


def _print_summary(measurement: Measurement, run: Run, directory: Path) -> None:
    say(f"\nResult\n{command_results.headline_text(measurement)}")
    say(f"\n{timing_text(run)}")
    report = directory / file_names.REPORT
    say(f"results are in {directory}" + (f"; read {report}" if report.exists() else ""))


def _print_sweep(gathered: SweepTable, directory: Path) -> None:
    from analysis.uncertainty.number_text import with_error
    from sim.commands.sweep_text import failures, results

    say(f"\nResult ({gathered.label})" if gathered.label else "\nResult")
    say(results(gathered.summary, partial(command_results.short_settings, gathered), with_error))
    failed = failures(gathered.rows)
    if failed:
        say(f"\nFailed runs\n{failed}")
    page = directory / file_names.SWEEP_REPORT
    say(f"\nresults are in {directory}" + (f"; read {page}" if page.exists() else ""))


def _commands() -> dict[str, Callable[[argparse.Namespace], int]]:
    return {
        "new": _new,
        "check": _check,
        "run": _run,
        "sweep": _sweep,
        "measure": _measure,
        "plot": _plot,
        "micrograph": _micrograph,
        "map": _map,
    }


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    argv : sequence of str or None
        Words after the program's name; None means those of the command line.

    Returns
    -------
    int
        Exit code: 0 done, 1 failed, 2 bad input, 130 interrupted.
    """
    return with_streams(partial(_command, argv))


def _command(argv: Sequence[str] | None) -> int:
    """Run one command; what standard output raises is left to the caller."""
    from sim.commands.options import parser

    words = parser(_commands())
    if not (sys.argv[1:] if argv is None else argv):  # nothing asked for: say what could be
        words.print_help()
        return DONE
    try:
        args = words.parse_args(argv)
    except SystemExit as end:  # argparse's way to answer --help and bad options
        return int(end.code or 0)
    set_loudness(quiet=getattr(args, "quiet", False), verbose=getattr(args, "verbose", False))
    signals = Listener()
    try:
        with signals_interrupt() as signals:
            return int(args.function(args))
    except KeyboardInterrupt:
        error_line("interrupted")
        return INTERRUPTED
    except Exception as error:
        if os.environ.get("CHAINFILM_TRACEBACK") or isinstance(error, OutputError):
            raise
        if signals.heard:
            error_line("interrupted")
            return INTERRUPTED
        code, text = explain(error, command_results.unreadable)
        error_line(text)
        return code


if __name__ == "__main__":
    sys.exit(main())
