"""Compares films with published laws and experiments, and writes the dossier.

    python -m runs_demo.agreement [NAMES] --budget MINUTES -o DIR

Every run is kept in DIR; the same command goes on where it stopped. With more minutes films are
larger and runs longer. `--page-only` writes the page of what is done so far, `--recorded` that of
the results that come with the project.
"""

import argparse
import datetime
import sys
from pathlib import Path

from analysis.common.errors import InputError
from runs_demo.agreement import dossier, work
from runs_demo.agreement.every import COMPARISONS
from tests.benchmarks.machine import processor, versions

LEAST_MINUTES, MOST_MINUTES = 0.1, 100_000.0


class UsageError(InputError):
    """What was typed cannot be done."""


def minutes(text):
    """Return a budget in minutes."""
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not LEAST_MINUTES <= value <= MOST_MINUTES:
        raise UsageError(
            f"--budget must be a number of minutes from {LEAST_MINUTES:g} to {MOST_MINUTES:g} "
            f"such as 30; received {text!r}."
        )
    return value


def known(names):
    """Return the names of comparisons; all, where none is given."""
    for name in names:
        if name not in COMPARISONS:
            raise UsageError(f"NAMES must be among {', '.join(COMPARISONS)}; received {name!r}.")
    return list(dict.fromkeys(names)) or list(COMPARISONS)


def whole(text):
    """Return a number of processes."""
    if not (text.isdecimal() and 1 <= int(text) <= 1024):
        raise UsageError(f"--processes must be a whole number from 1 to 1024; received {text!r}.")
    return int(text)


class Parser(argparse.ArgumentParser):
    """Tells a mistake in one sentence."""

    def error(self, message):
        """Raise what is told like any other mistake."""
        raise UsageError(message)


def parser():
    """Return what reads the command line."""
    made = Parser(prog="python -m runs_demo.agreement", description=__doc__.splitlines()[0])
    made.add_argument("names", nargs="*", metavar="NAMES", help=f"of {', '.join(COMPARISONS)}; all")
    made.add_argument("--budget", default="60", metavar="MINUTES", help="of the clock, for all; 60")
    made.add_argument("-o", "--output", default="agreement", metavar="DIR", help="agreement")
    made.add_argument("--processes", default="", metavar="N", help="side by side; all cores")
    made.add_argument(
        "--device",
        choices=("cpu", "gpu"),
        default="cpu",
        help="gpu: thick columns and large films on a card",
    )
    made.add_argument(
        "--page-only",
        action="store_true",
        help="simulate nothing, only write the page",
    )
    made.add_argument(
        "--recorded", action="store_true", help="simulate nothing: the page of recorded results"
    )
    made.add_argument(
        "--commit", action="store_true",
        help="also replace the results, figures and table of the project by these",
    )  # fmt: skip
    return made


def about(plan):
    """Return what the page says about when and where."""
    on_card = ", the largest films on a card" if plan["device"] == "gpu" else ""
    return {
        "date": str(datetime.datetime.now().astimezone().date()),
        "processor": processor(),
        "versions": versions(),
        "budget": f"budget of {plan['budget_min']:g} minutes, {plan['processes']} runs at a time"
        + on_card,
    }


def main(words=None):
    """Do what was asked for; return the exit code."""
    try:
        return _main(parser().parse_args(words))
    except InputError as error:
        print(f"error: {error}", file=sys.stderr)
        return 2


def _main(options):
    names, folder = known(options.names), Path(options.output)
    if options.recorded:
        work.claim(folder, dossier.is_own(folder))
        return _tell(folder, _only(dossier.read(), names))
    budget = minutes(options.budget)
    workers = whole(options.processes) if options.processes else work.processes()
    plan = work.settle(folder, names, budget, workers, options.device)
    chosen = [COMPARISONS[name] for name in names]
    failed, stopped = [], False
    if not options.page_only:
        jobs = work.planned(chosen, budget, plan["processes"], plan["device"])
        _, failed, stopped = work.run_all(jobs, folder, workers)
    _write(folder, plan, options.commit)
    if stopped:
        print("stopped; the same command goes on from here", file=sys.stderr)
        return 130
    return 1 if failed else 0


def _only(results, names):
    """Return the results of some comparisons."""
    return {
        part: {name: content[name] for name in names if name in content}
        for part, content in results.items()
    }


def _write(folder, plan, commit):
    """Gather what is done, and write figures, page and, if asked, what the project keeps."""
    path = folder / "results.json"
    cases = work.gathered(folder, plan["comparisons"])
    dossier.write_results(path, {name: [about(plan)] for name in cases}, cases)
    results = dossier.read(path)
    _tell(folder, results)
    if commit:
        dossier.commit(results)


def _tell(folder, results):
    """Write figures and page, print the table; return the exit code."""
    dossier.write_figures(results, folder / "figures")
    page = dossier.write_page(results, folder / dossier.PAGE)
    print(dossier.table(results))
    print(f"page: {page}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
