"""Runs the cases of comparisons side by side, keeps every run, and goes on where it stopped.

A folder holds `plan.json` (names and budget), `runs/COMPARISON/CASE/` (the runs as any other) and
`cases/COMPARISON/CASE.json` (what was measured in it, written when it is done).
"""

import concurrent.futures
import dataclasses
import heapq
import json
import multiprocessing
import os
import signal
import time
from pathlib import Path

from analysis.common.errors import InputError
from analysis.files.writing import write_text
from sim.files.folder import is_empty, make_writable

SHARE = 0.8
"""Of the budget that simulating may take; compiling, measuring and drawing take the rest."""
OVERHEAD_S = 8.0
"""Seconds that a case costs beside its simulation."""


class FolderInUse(InputError):
    """The folder holds something else than what is asked for."""


def processes():
    """Return how many cases may run side by side: the cores that there are."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def makespan(seconds, workers):
    """Return when the last of some jobs ends, taken in this order by whoever is free."""
    ends = [0.0] * workers
    for one in seconds:
        heapq.heapreplace(ends, ends[0] + one)
    return max(ends)


def planned(comparisons, minutes, workers, device="cpu"):
    """Return the cases of some comparisons, longest first, sized to end within the minutes.

    All sizes follow from the seconds of a case of weight 1, found by halving.
    """
    low, high = 0.5, 60.0 * minutes
    for _ in range(30):
        middle = 0.5 * (low + high)
        jobs = ordered(comparisons, middle, device)
        spans = [one.seconds + OVERHEAD_S for one in jobs]
        fits = makespan(spans, workers) < 60.0 * minutes * SHARE
        low, high = (middle, high) if fits else (low, middle)
    return ordered(comparisons, low, device)


def ordered(comparisons, seconds, device="cpu"):
    """Return all cases for this many seconds, the longest first."""
    jobs = []
    for one in comparisons:
        jobs += one.cases(seconds, device) if hasattr(one, "ON_CARD") else one.cases(seconds)
    return sorted(jobs, key=lambda case: -case.seconds)


def settle(folder, names, minutes, workers, device="cpu"):
    """Write down what a folder is for; raise `FolderInUse` where it is for something else."""
    path = folder / "plan.json"
    wanted = {
        "comparisons": list(names), "budget_min": minutes, "processes": workers, "device": device,
    }  # fmt: skip
    if path.exists():
        kept = _plan(path)
        if kept["budget_min"] != minutes:
            raise FolderInUse(
                f"--budget must be {kept['budget_min']:g}, as this folder was begun; received "
                f"{minutes:g}: go on with that, or choose another folder with -o."
            )
        more = [name for name in names if name not in kept["comparisons"]]
        wanted["comparisons"] = [*kept["comparisons"], *more]
        wanted |= {key: kept[key] for key in ("processes", "device")}
    claim(folder, path.exists())
    write_text(path, json.dumps(wanted, indent=1) + "\n")
    return wanted


def _plan(path):
    """Return what a folder is for, as `settle` wrote it down."""
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
        {key: kept[key] for key in ("comparisons", "budget_min", "processes", "device")}
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise FolderInUse(
            f"{path} is no plan of this command; choose another folder with -o."
        ) from error
    return kept


def claim(folder, own):
    """Make a folder; raise where it is a file, cannot be written, or has what is not our own."""
    if not is_empty(folder) and not own:
        raise FolderInUse(f"-o must name a new folder or one of this command; received {folder}.")
    make_writable(folder)


def kept_path(folder, case):
    """Return where the numbers of a case stand."""
    return folder / "cases" / case.comparison / f"{case.name}.json"


def needed(comparison):
    """Return the names of the sections that are measured in the runs of a comparison."""
    return ("equilibration", "chains", *getattr(comparison, "SECTIONS", ()))


def perform(case, folder):
    """Simulate and measure one case, in its own process; return its numbers, None if stopped."""
    import analysis
    import sim
    from analysis.measures.sections import SECTIONS
    from runs_demo.agreement.deadline import Deadline
    from runs_demo.agreement.every import COMPARISONS

    began = time.perf_counter()
    comparison = COMPARISONS[case.comparison]
    place = folder / "runs" / case.comparison / case.name
    run = None
    for film, directory, seconds in _in_a_row(case, place):
        if run is not None:
            film = {**film, "start": {"kind": "file", "path": str(run.directory.resolve())}}
        rule = None if seconds is None else Deadline(seconds)
        run = sim.simulate(
            _loaded(film, case.range_d), directory, threads=1, resume=True,
            stop_rules=[] if rule is None else [rule],
            on_start=None if rule is None else rule.begin,
            device=case.about.get("device", "cpu"),
        )  # fmt: skip
        if not run.ending.is_complete:
            return None
    sections = [one for one in SECTIONS if one.name in needed(comparison)]
    measured = analysis.measure(run, sections=sections)
    return {
        "about": case.about,
        "found": comparison.numbers(measured, case),
        "end": run.reason,
        "seconds": round(time.perf_counter() - began, 1),
    }


def _in_a_row(case, place):
    """Return (film, folder, seconds that it may take, or None) of the runs of a case, in order."""
    shares = case.shares or (None,) * len(case.before)
    rows = [
        (film, place / f"before_{k}", None if share is None else share * case.seconds)
        for k, (film, share) in enumerate(zip(case.before, shares, strict=True))
    ]
    left = case.seconds * (1.0 - sum(case.shares))
    sampled = case.film["run"].get("dynamics") == "monte_carlo"
    return [*rows, (case.film, place / "run", None if sampled else left)]


def _loaded(film, range_d):
    """Return a film as `sim.simulate` takes it; a range shorter than a file may ask for is set."""
    import sim

    if range_d is None:
        return film
    parameters = sim.load(film)
    dipoles = dataclasses.replace(parameters.dipoles, cutoff_diameters=range_d)
    return dataclasses.replace(parameters, dipoles=dipoles)


def keep(case, folder, done):
    """Write the numbers of a case down."""
    path = kept_path(folder, case)
    path.parent.mkdir(parents=True, exist_ok=True)
    write_text(path, json.dumps(done, indent=1) + "\n")


def run_all(jobs, folder, workers, tell=print):
    """Run what is not done yet; return (count done now, texts of what failed, whether stopped)."""
    left = [case for case in jobs if not kept_path(folder, case).exists()]
    tell(f"{len(jobs) - len(left)} of {len(jobs)} cases are there, {len(left)} to run")
    done, failed, stopped = 0, [], False
    if not left:
        return done, failed, stopped
    with concurrent.futures.ProcessPoolExecutor(
        min(workers, len(left)), multiprocessing.get_context("spawn")
    ) as pool:
        waiting = {pool.submit(perform, case, folder): case for case in left}
        try:
            for one in concurrent.futures.as_completed(waiting):
                case = waiting[one]
                try:
                    result = one.result()
                except Exception as error:  # one film must not cost the others
                    failed.append(f"{case.comparison} {case.name}: {type(error).__name__}: {error}")
                    tell(f"failed: {failed[-1]}")
                    continue
                if result is None:
                    stopped = True
                    break
                keep(case, folder, result)
                done += 1
                tell(
                    f"{done} of {len(left)}: {case.comparison} {case.name}, {result['seconds']:g} s"
                )
        except KeyboardInterrupt:
            stopped = True
        if stopped:
            # A second Ctrl-C must not cut off the runs that write their checkpoints now.
            before = signal.signal(signal.SIGINT, signal.SIG_IGN)
            try:
                pool.shutdown(wait=True, cancel_futures=True)
            finally:
                signal.signal(signal.SIGINT, before)
    return done, failed, stopped


def gathered(folder, names):
    """Return the numbers of all cases that are done, by comparison and case."""
    found = {}
    for name in names:
        paths = sorted((Path(folder) / "cases" / name).glob("*.json"))
        found[name] = {path.stem: json.loads(path.read_text(encoding="utf-8")) for path in paths}
    return found
