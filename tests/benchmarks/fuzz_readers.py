"""Spoilt files through the two readers: how many were read, how many refused, and the faults.

Run from the top of the project:
python -m tests.benchmarks.fuzz_readers [--parameters N] [--runs N] [--seed N]

Exit code 1 if a case ended other than read or refused with one of our own errors. The case at work
is kept in case.toml or case.h5 of the folder that is printed first, for the case of a crash.
"""

import argparse
import faulthandler
import os
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from hypothesis import HealthCheck, Phase, given, seed, settings

from tests.benchmarks.machine import processor, versions
from tests.reference.guarded import outcome, read_parameters, read_run
from tests.reference.spoilt_parameters import parameter_files
from tests.reference.spoilt_runs import records, spoil, spoilings, write_run


def cases(count, start, strategy, case):
    """Give hypothesis' cases to a function that never raises, all of them and without shrinking."""
    plan = settings(
        max_examples=count, deadline=None, database=None, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip

    @seed(start)
    @plan
    @given(strategy)
    def run(drawn):
        case(drawn)

    run()


def tell(name, counts, faults, began):
    """Print the counts of one reader and each kind of fault with one case."""
    total, taken = sum(counts.values()), time.perf_counter() - began
    print(
        f"{name}: {total} cases in {taken:.0f} s: {counts['read']} read, "
        f"{counts['refused']} refused, {total - counts['read'] - counts['refused']} faults"
    )
    for said, case in faults.items():
        print(f"  {counts[said]} x {said[:300]}\n    {case!r:.1500}")
    sys.stdout.flush()


def fuzz_parameters(count, start, folder):
    """Fuzz the parameter file; return whether all went well."""
    path = folder / "case.toml"
    counts, faults, began = Counter(), {}, time.perf_counter()

    def case(data):
        path.write_bytes(data)
        said = outcome(read_parameters, path, folder)
        counts[said] += 1
        if said not in ("read", "refused"):
            faults.setdefault(said, data)

    cases(count, start, parameter_files(), case)
    tell("parameter file", counts, faults, began)
    return not faults


def fuzz_runs(count, start, folder):
    """Fuzz the run file; return whether all went well."""
    whole = write_run(folder / "run")
    content, known = whole.read_bytes(), records(whole)
    path = folder / "case.h5"
    (folder / "other.h5").write_bytes(content)
    os.mkfifo(folder / "pipe")
    path.write_bytes(content)
    read_run(path)  # imports and compiles
    counts, faults, began = Counter(), {}, time.perf_counter()

    def case(changes):
        path.write_bytes(content)
        (folder / "changes.txt").write_text(repr(changes)[:5000])
        spoil(path, changes)
        said = outcome(read_run, path, folder)
        counts[said] += 1
        if said not in ("read", "refused"):
            faults.setdefault(said, changes)

    cases(count, start, spoilings(known), case)
    tell("run file", counts, faults, began)
    return not faults


def main():
    """Fuzz both readers."""
    faulthandler.enable()
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--parameters", type=int, default=20_000, help="parameter files")
    parser.add_argument("--runs", type=int, default=5_000, help="run files")
    parser.add_argument("--seed", type=int, default=1, help="seed of hypothesis")
    options = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="fuzz-"))
    print(f"{processor()}, {versions()}; seed {options.seed}; {folder}")
    good = [True]
    if options.parameters:
        good.append(fuzz_parameters(options.parameters, options.seed, folder))
    if options.runs:
        good.append(fuzz_runs(options.runs, options.seed, folder))
    return 0 if all(good) else 1


if __name__ == "__main__":
    sys.exit(main())
