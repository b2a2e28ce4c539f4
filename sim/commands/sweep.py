"""The command `sweep`."""

from __future__ import annotations

import argparse
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.common import file_names
from sim.commands import results, run, sweep_text
from sim.commands.errors import DONE, FAILED, INTERRUPTED
from sim.commands.json_output import json_text, sweep_content
from sim.commands.progress import SweepBar
from sim.commands.terminal import error_line, notice_lines, say, say_on_terminal
from sim.commands.text import again_text, folder_of, shell_word

if TYPE_CHECKING:
    from analysis.sweeps.gather import SweepTable


def sweep(args: argparse.Namespace) -> int:
    """Simulate, measure and gather a sweep, and return the exit code."""
    from sim.engines.card.ready import CardError
    from sim.sweeps import sweep as many_runs
    from sim.sweeps.cluster import cluster_workers
    from sim.sweeps.table import load_sweep

    directory = folder_of(args)
    plan = load_sweep(args.file, args.seed, ensemble=args.ensemble)
    notice_lines(plan.notices)
    plots = not args.no_plots
    if args.device == "gpu" and args.cluster is not None:
        raise CardError("--device must be cpu with --cluster; received gpu")
    say_on_terminal(sweep_text.heading(plan))
    cluster = cluster_workers(args.cluster, directory, args.workers, notice_lines)
    with cluster as executor, SweepBar() as bar:
        result = many_runs.sweep(
            plan,
            directory,
            point=partial(run.measure_point, plots=plots, device=args.device),
            workers=args.workers,
            executor=executor,
            device=args.device,
            resume=args.resume,
            overwrite=args.overwrite,
            on_notice=lambda notice: notice_lines([notice]),
            on_progress=bar.show,
        )
    gathered = results.summarise(directory, plots=plots)
    if args.json:
        print(json_text(sweep_content(plan, gathered.rows, gathered.summary, result)))
    else:
        say(plan.title or plan.name)
        print_sweep(gathered, directory)
    if result.finished:
        return DONE
    again = again_text("sweep", args.file, directory)
    if args.ensemble is not None:
        again += f" --ensemble {shell_word(args.ensemble)}"
    error_line(sweep_text.ending(result, again))
    return FAILED if result.ended else INTERRUPTED


def print_sweep(gathered: SweepTable, directory: Path) -> None:
    """Print the numbers of a sweep and its failed runs."""
    from analysis.uncertainty.number_text import with_error

    say(f"\nResult ({gathered.label})" if gathered.label else "\nResult")
    say(sweep_text.results(gathered.summary, partial(results.short_settings, gathered), with_error))
    failed = sweep_text.failures(gathered.rows)
    if failed:
        say(f"\nFailed runs\n{failed}")
    page = directory / file_names.SWEEP_REPORT
    say(f"\nresults are in {directory}" + (f"; read {page}" if page.exists() else ""))
