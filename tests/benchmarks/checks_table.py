"""All checks against the world: published and found values, as a table in Markdown.

Run from the top of the project:  python -m tests.benchmarks.checks_table [--slow] [--write]

Runs the tests in tests/published, reads what they recorded with the fixture `tell` beside their
verdicts, and prints the table; with --write it also replaces the one in tests/published/README.md.
Exit code 1 if a test failed, 2 if pytest itself could not run.
"""

import argparse
import datetime
import json
import math
import subprocess
import sys
import tempfile
import xml.etree.ElementTree as ElementTree
from pathlib import Path

from tests.benchmarks import markers
from tests.benchmarks.machine import processor, versions

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "tests" / "published" / "README.md"
TABLE = "table of checks"
"""Name of its markers on the page."""
HEAD = "| check | source | published | found | deviation | passed | test |"


def run_tests(junit, slow):
    """Run the published checks, their report into the file ``junit``; return pytest's code."""
    command = [sys.executable, "-m", "pytest", "tests/published", "-q", f"--junitxml={junit}"]
    if slow:
        command += ["-m", "slow or not slow"]
    # The table alone goes to the standard output.
    return subprocess.run(command, cwd=ROOT, stdout=sys.stderr, check=False).returncode


def read_rows(junit):
    """Return (rows as dictionaries with test and verdict, count of passed, of failed tests)."""
    rows, passed, failed = [], 0, 0
    for case in ElementTree.parse(junit).getroot().iter("testcase"):
        bad = case.find("failure") is not None or case.find("error") is not None
        if case.find("skipped") is not None:
            continue
        passed, failed = passed + (not bad), failed + bad
        for told in case.iter("property"):
            if told.get("name") == "check":
                name = case.get("classname").rpartition(".")[2]
                rows.append({**json.loads(told.get("value")), "test": name, "passed": not bad})
    return rows, passed, failed


def decimals(error):
    """Return the decimals that show two digits of an error."""
    return max(0, 1 - math.floor(math.log10(error)))


def number(value, places=None):
    """Return a value in words, with a minus sign that is one."""
    text = f"{value:.6g}" if places is None else f"{value:.{places}f}"
    return text.replace("-", "−")


def deviation(row):
    """Return found less published in standard errors, or relative where there is no error."""
    published, found, error = row["published"], row["found"], row["error"]
    if isinstance(published, str):
        return ""
    away = found - published
    if error:
        return f"{away / error:+.1f} σ".replace("-", "−")
    if away == 0.0:
        return "0"
    return f"{away / abs(published) if published else away:+.1e}".replace("-", "−")


def line_of(row):
    """Return one line of the table."""
    error, unit = row["error"], f" {row['unit']}" if row["unit"] else ""
    places = decimals(error) if error else None
    found = number(row["found"], places) + (f" ± {error:.{places}f}" if error else "")
    published = row["published"]
    if not isinstance(published, str):
        published = number(published, places)
    cells = (
        row["check"], row["source"], published + unit, found + unit, deviation(row),
        "yes" if row["passed"] else "NO", f"`{row['test']}.py`",
    )  # fmt: skip
    return "| " + " | ".join(cell.replace("|", "/") for cell in cells) + " |"


def table(rows):
    """Return the table."""
    return "\n".join([HEAD, "|---|---|---|---|---|---|---|", *map(line_of, rows)])


def main():
    """Print the table, and write it where that was asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--slow", action="store_true", help="run the long checks too (minutes)")
    parser.add_argument("--write", action="store_true", help="replace the table in tests/published")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        junit = Path(folder) / "checks.xml"
        code = run_tests(junit, options.slow)
        if code not in (0, 1):
            return 2
        rows, passed, failed = read_rows(junit)
    extent = "the long ones included" if options.slow else "without the long ones"
    today = datetime.datetime.now().astimezone().date()
    text = (
        f"{today}, {processor()}, {versions()}; "
        f"{passed} tests passed, {failed} failed, {extent}.\n\n{table(rows)}"
    )
    print(text)
    if options.write:
        markers.write(PAGE, TABLE, text)
    return code


if __name__ == "__main__":
    sys.exit(main())
