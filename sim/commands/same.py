"""`chainfilm check --same`: whether two runs are the same, in plain sentences."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

from sim.commands.text import UsageError, paragraphs

if TYPE_CHECKING:
    from sim.files.comparison import Comparison

SHOWN = 20
"""So many differences of a kind are printed; JSON has all."""
HEADINGS = {
    "parameters": "Parameters",
    "seed": "Seed",
    "versions": "Versions",
    "machine": "Machine",
    "ending": "Ending",
    "frames": "Frames",
    "measured": "Measured numbers",
}


def is_comparison(args: argparse.Namespace) -> bool:
    """Return whether `check` is to compare two runs.

    Raises
    ------
    UsageError
        If neither two runs nor a parameter file are given, or both.
    """
    if args.same is None:
        if args.file is None:
            raise UsageError("check needs FILE, a parameter file, or --same DIR DIR, two runs")
        return False
    others = {
        "FILE": args.file is not None,
        "--threads": args.threads is not None,
        "--seed": args.seed is not None,
        "--figure": args.figure is not None,
        "--no-timing": args.no_timing,
    }
    for name, given in others.items():
        if given:
            raise UsageError(f"{name} does not go with --same, which compares runs as they are")
    return True


def same_runs(args: argparse.Namespace) -> tuple[str, bool]:
    """Compare the two runs of `--same`.

    Returns
    -------
    str
        What to print.
    bool
        Whether the trajectories are the same bit for bit.

    Raises
    ------
    RunFileError
        If one of the two is no run.
    """
    from sim.files.comparison import compare_runs

    found = compare_runs(*(Path(folder) for folder in args.same))
    text = json.dumps(found.to_json(), indent=2) if args.json else comparison_text(found)
    return text, found.same


def comparison_text(found: Comparison) -> str:
    """Return the verdict and what differs, each kind under its heading."""
    first, second = found.folders
    head = (
        f"the trajectories are the same bit for bit ({found.frames[0]} frames)"
        if found.same
        else "the trajectories differ"
    )
    parts = [f"first run: {first}\nsecond run: {second}\n{head}"]
    for section, heading in HEADINGS.items():
        sentences = [one.sentence for one in found.of(section)]
        if section == "measured" and not all(found.measured):
            sentences = [_unmeasured(found)]
        if len(sentences) > SHOWN:
            more = f"and {len(sentences) - SHOWN} more; --json lists all"
            sentences = [*sentences[:SHOWN], more]
        if sentences:
            parts.append(f"{heading}\n{paragraphs(sentences)}")
    agree = [word.lower() for key, word in HEADINGS.items() if not found.of(key)]
    if not all(found.measured):
        agree.remove("measured numbers")
    if agree:
        parts.append(f"the same in both: {', '.join(agree)}")
    return "\n\n".join(parts)


def _unmeasured(found: Comparison) -> str:
    if not any(found.measured):
        return "neither run has been measured"
    which = "second" if found.measured[0] else "first"
    return f"the {which} run has not been measured"
