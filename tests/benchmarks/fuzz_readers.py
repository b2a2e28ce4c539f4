"""Spoilt files through the two readers: how many were read, how many refused, and the faults.

Run from the top of the project:
python -m tests.benchmarks.fuzz_readers [--parameters N] [--runs N] [--seed N]

Hypothesis draws the cases, and what they reach guides them: a case that runs a line of the readers
for the first time is kept, and half of the cases are a kept one with further changes.

Exit code 1 if a case ended other than read or refused with one of our own errors. Faults are kept
in fault_1.toml, fault_1.h5, ... of the folder that is printed first, the case at work in case.toml
or case.h5, for the case of a crash.
"""

import argparse
import faulthandler
import os
import shutil
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from tests.benchmarks.machine import processor, versions
from tests.reference.guarded import outcome, read_parameters, read_run
from tests.reference.guide import Guide
from tests.reference.small_film import small_film
from tests.reference.spoilt_parameters import edited, edits, parameter_files
from tests.reference.spoilt_runs import records, spoil, spoilings, write_run

READERS = ("sim/parameter", "sim/sweep_", "sim/unit", "sim/field_", "sim/magnet", "sim/expectation",
           "sim/size_", "sim/material", "analysis/")  # fmt: skip
"""Files whose lines count, by the start of their path in the project."""
SHARES = st.floats(0, 1, exclude_max=True)
LONGEST = 6
"""Changes that are made to a run at most."""


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


def fuzz(name, count, start, strategy, build, read, folder, path):
    """Send cases through a reader; return whether all went well.

    `strategy` gives (case, changes, share, whether to build on a kept case), `build` makes a case
    of a kept one and what was drawn, `read` says how a case ended.
    """
    guide, counts, faults, began = Guide(READERS), Counter(), {}, time.perf_counter()

    def case(drawn):
        fresh, changes, share, builds = drawn
        kept = guide.kept
        made = build(kept[int(share * len(kept))], fresh, changes) if builds and kept else fresh
        (folder / "case.txt").write_text(repr(made)[:5000])
        with guide.watch(made):
            said = read(made)
        counts[said] += 1
        if said not in ("read", "refused"):
            faults.setdefault(said, made)
            shutil.copy(path, folder / f"fault_{len(faults)}{path.suffix}")

    cases(count, start, strategy, case)
    tell(name, counts, faults, began)
    print(f"  {len(guide.reached)} lines reached, {len(guide.kept)} cases kept to build on")
    sys.stdout.flush()
    return not faults


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
    path.write_text(small_film())
    read_parameters(path)  # imports, which look for a folder to write in

    def read(data):
        path.write_bytes(data)
        return outcome(read_parameters, path, folder)

    def build(kept, fresh, changes):
        # One line of the fresh file at the place of the first change, or the changes themselves.
        (_, share, _), *more = changes
        if more:
            return edited(kept, more)
        lines, others = kept.split(b"\n"), fresh.split(b"\n")
        lines.insert(int(share * len(lines)), others[int(share * len(others))])
        return b"\n".join(lines)

    strategy = st.tuples(parameter_files(), edits(), SHARES, st.booleans())
    return fuzz("parameter file", count, start, strategy, build, read, folder, path)


def fuzz_runs(count, start, folder):
    """Fuzz the run file; return whether all went well."""
    whole = write_run(folder / "run")
    content, known = whole.read_bytes(), records(whole)
    path = folder / "case.h5"
    (folder / "other.h5").write_bytes(content)
    os.mkfifo(folder / "pipe")
    path.write_bytes(content)
    read_run(path)  # imports and compiles

    def read(changes):
        path.write_bytes(content)
        spoil(path, changes)
        return outcome(read_run, path, folder)

    def build(kept, fresh, _changes):
        return [*kept, *fresh][-LONGEST:]

    strategy = st.tuples(spoilings(known), st.none(), SHARES, st.booleans())
    return fuzz("run file", count, start, strategy, build, read, folder, path)


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
