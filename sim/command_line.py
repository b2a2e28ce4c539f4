"""The commands: the one place that prints, and the one place that knows both sim and analysis.

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
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sim.command_text import HEADLINE, UsageError, criteria_of, paragraphs, results_of, table

if TYPE_CHECKING:
    from analysis.measures import Measurement
    from analysis.trajectory import Run as Trajectory
    from sim.expectations import Expectations
    from sim.one_run import Run
    from sim.parameters import Parameters

__all__ = ["main", "run_and_measure"]

DONE, FAILED, BAD_INPUT, INTERRUPTED = 0, 1, 2, 130


# ---------------------------------------------------------------- commands


def _new(args: argparse.Namespace) -> int:
    from sim.parameters import json_schema

    if args.schema:
        text = json.dumps(json_schema(), indent=2) + "\n"
    else:
        from sim.parameter_template import TEMPLATE

        text = TEMPLATE
    if args.file == "-":
        sys.stdout.write(text)
        return DONE
    path = Path(args.file or ("film.schema.json" if args.schema else "film.toml"))
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError as error:
        raise UsageError(f"{path} exists already; name another file") from error
    except OSError as error:
        raise UsageError(f"{path} cannot be written: {error.strerror}") from error
    print(f"wrote {path}" + ("" if args.schema else f"; next: chainfilm check {path}"))
    return DONE


def _check(args: argparse.Namespace) -> int:
    parameters = _load(args.file, args.seed)
    from sim.command_text import picture_of
    from sim.expectations import expect

    expectations = expect(parameters)
    if args.figure is not None:
        _draw_pair(expectations, picture_of(args))
    cost = None
    if not args.no_timing:
        from sim.calibration import calibrate

        _say_on_terminal("timing a piece of this run (the first time, kernels are compiled) ...")
        cost = calibrate(parameters, threads=args.threads)
    if args.json:
        content = expectations.to_json()
        content["cost"] = None if cost is None else dataclasses.asdict(cost)
        print(json.dumps(content, indent=2))
        return DONE
    print(f"{parameters.title or parameters.name}\n")
    print(table(expectations.table))
    _print_outlook(expectations)
    if cost is not None:
        print("\nCost")
        print(table(cost.table()))
    return DONE


def _run(args: argparse.Namespace) -> int:
    if args.device == "gpu":
        raise UsageError("--device gpu comes in a later version; --device must be cpu in this one")
    parameters = _load(args.file, args.seed)
    directory = Path(args.output) if args.output else Path(Path(args.file).stem)
    return run_and_measure(
        parameters,
        directory,
        threads=args.threads,
        resume=args.resume,
        overwrite=args.overwrite,
        plots=not args.no_plots,
        again=f"chainfilm run {args.file} -o {directory} --resume",
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

    Returns
    -------
    int
        Exit code.

    Raises
    ------
    ValueError
        On bad input, with one sentence.
    sim.one_run.RunFailed
        If the run stopped on an error.
    """
    from sim.one_run import simulate
    from sim.run_folder import RunFolder, plan

    plan(RunFolder(directory), resume, overwrite)  # a wrong folder is told before anything else
    from sim.expectations import expect

    expectations = expect(parameters)
    print(parameters.title or parameters.name)
    _print_outlook(expectations)
    sys.stdout.flush()
    run = simulate(
        parameters,
        directory,
        threads=threads,
        resume=resume,
        overwrite=overwrite,
        show_progress=sys.stderr.isatty(),
        on_phase=_phase,
        derived=expectations.derived,
    )
    _notices(run.notices)
    if not run.finished:
        kept = f"{run.reason}; checkpoint saved in {directory}"
        _error(f"{kept}; go on with: {again}" if again else kept)
        return INTERRUPTED
    _say_on_terminal("measuring ...")
    try:
        measurement = _measure_into(run.path, directory, plots=plots)
    except KeyboardInterrupt:
        _error(f"interrupted; the run is complete, measure it with: chainfilm measure {directory}")
        return INTERRUPTED
    if plots:
        _draw_pair(expectations, directory / "figures" / "pair_potential.png")
    _print_summary(measurement, run, directory)
    return DONE


def _measure(args: argparse.Namespace) -> int:
    source, directory = results_of(args)
    criteria = criteria_of(args)
    redraw = (directory / "report.html").exists()
    measurement = _measure_into(source, directory, plots=redraw, criteria=criteria)
    if args.json:
        print((directory / "measures.json").read_text(encoding="utf-8").rstrip())
    else:
        _print_measurement(measurement)
        print(f"\nwrote {directory / 'measures.json'} and tables beside it")
    return DONE


def _plot(args: argparse.Namespace) -> int:
    source, directory = results_of(args)
    _draw(source, directory, criteria_of(args), args.format)
    print(f"wrote figures into {directory / 'figures'}")
    return DONE


# ---------------------------------------------------------------- steps of the commands


def _load(file: str, seed: int | None) -> Parameters:
    from sim.parameters import load

    parameters = load(file)
    _notices(parameters.notices)
    if seed is not None:
        parameters = dataclasses.replace(
            parameters, run=dataclasses.replace(parameters.run, seed=seed)
        )
    return parameters


def _measured(source: Path, criteria: dict[str, Any]) -> tuple[Trajectory, Measurement]:
    from analysis.measures import measure
    from analysis.trajectory import open_run

    run = open_run(source)
    first, last = criteria.get("from_time"), float(run.times[-1])
    if first is not None and not first <= last:
        raise UsageError(
            f"--from-time must be at most {last:.4g} s, the last frame of {source}; "
            f"received {first:.4g} s"
        )
    return run, measure(run, **criteria)


def _measure_into(
    source: Path, directory: Path, *, plots: bool, criteria: dict[str, Any] | None = None
) -> Measurement:
    """Measure a run file and write numbers, tables and, if wanted, figures and report."""
    from analysis.measures import write
    from analysis.tables import write_tables

    run, measurement = _measured(source, criteria or {})
    _make_folder(directory)
    write(measurement, directory)
    write_tables(measurement, directory)
    if plots:
        from analysis.plots import draw_all
        from analysis.report import write_report

        draw_all(measurement, run, directory / "figures", format="png")
        write_report(measurement, run, directory)
    return measurement


def _draw(source: Path, directory: Path, criteria: dict[str, Any], kind: str) -> None:
    from analysis.plots import draw_all

    run, measurement = _measured(source, criteria)
    _make_folder(directory)
    draw_all(measurement, run, directory / "figures", format=kind)


def _draw_pair(expectations: Expectations, path: Path) -> None:
    from analysis.pair_potential_picture import save_pair_potential

    save_pair_potential(expectations.pair_potential, path)


def _make_folder(directory: Path) -> None:
    from sim.run_folder import RunFolder, make_writable

    make_writable(RunFolder(directory))


# ---------------------------------------------------------------- printing


def _print_outlook(expectations: Expectations) -> None:
    print("\nWhat to expect")
    print(paragraphs(expectations.sentences))
    if expectations.cautions:
        print("\nCautions")
        print(paragraphs(expectations.cautions))


def _print_summary(measurement: Measurement, run: Run, directory: Path) -> None:
    print("\nResult")
    _print_measurement(measurement)
    clock = run.timing
    print(
        f"\n{run.reason}, {run.frames} frames; compiling {clock.get('compile_s', 0):.1f} s, "
        f"stepping {clock.get('stepping_s', 0):.1f} s on {clock.get('threads', 1):.0f} thread(s), "
        f"output {clock.get('output_s', 0):.1f} s"
    )
    report = directory / "report.html"
    print(f"results are in {directory}" + (f"; read {report}" if report.exists() else ""))


def _print_measurement(measurement: Measurement) -> None:
    from analysis.number_text import measured, with_error

    numbers = measurement.numbers
    rows = [
        (label, with_error(*measured(numbers, section, key), unit))
        for label, section, key, unit in HEADLINE
    ]
    reached = numbers.get("equilibration", {}).get("reached")
    rows.append(("equilibrium", "reached" if reached else "not reached: values at this time"))
    print(table(rows))
    if numbers.get("warnings"):
        print("\nWarnings")
        print(paragraphs(numbers["warnings"]))


def _phase(word: str) -> None:
    if word == "compiling":
        _say_on_terminal("compiling kernels (about half a minute the first time) ...")


def _say_on_terminal(text: str) -> None:
    if sys.stderr.isatty():
        print(text, file=sys.stderr, flush=True)


def _notices(notices: Iterable[str]) -> None:
    for notice in notices:
        print(f"notice: {notice}", file=sys.stderr)


def _error(text: str) -> None:
    print(f"chainfilm: {text}", file=sys.stderr)


# ---------------------------------------------------------------- errors and entry


def _explain(error: Exception) -> tuple[int, str]:
    """Return exit code and sentence for an error.

    Every error that a user can cause is a class of its own, with its sentence; anything else is a
    fault of the program and says so.
    """
    if isinstance(error, ImportError):
        return FAILED, f"the installation is not complete: {error}"
    from analysis.trajectory import TrajectoryError
    from sim.initial_state import CrowdedError
    from sim.one_run import FolderError, RunFailed, RunFileError
    from sim.parameters import ParameterError
    from sim.units import UnitError

    if isinstance(error, RunFailed):
        run = error.run
        saved = f"{run.frames} frames up to the failure are in {run.path}"
        return FAILED, f"the run failed at step {run.step} of {run.steps}: {run.reason}; {saved}"
    ours = (UsageError, ParameterError, UnitError, CrowdedError, FolderError, RunFileError)
    if isinstance(error, (*ours, TrajectoryError)):
        return BAD_INPUT, str(error)
    if isinstance(error, OSError) and error.strerror:
        return FAILED, f"{error.strerror}: {error.filename}"
    if isinstance(error, MemoryError):
        return FAILED, "out of memory; use fewer particles or fewer frames"
    hint = "CHAINFILM_TRACEBACK=1 shows where"
    return FAILED, f"an error of the program, {type(error).__name__}: {error} ({hint})"


def _commands() -> dict[str, Callable[[argparse.Namespace], int]]:
    return {"new": _new, "check": _check, "run": _run, "measure": _measure, "plot": _plot}


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
    from sim.command_options import parser

    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a terminal that lacks a sign shows "?" instead
            stream.reconfigure(errors="replace")
    try:
        args = parser(_commands()).parse_args(argv)
    except SystemExit as end:  # argparse's way to answer --help and bad options
        return int(end.code or 0)
    try:
        return int(args.function(args))
    except KeyboardInterrupt:
        _error("interrupted")
        return INTERRUPTED
    except BrokenPipeError:  # the reader of a pipe has had enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return FAILED
    except Exception as error:
        if os.environ.get("CHAINFILM_TRACEBACK"):
            raise
        code, text = _explain(error)
        _error(text)
        return code


if __name__ == "__main__":
    sys.exit(main())
