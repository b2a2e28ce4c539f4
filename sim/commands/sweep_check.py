"""The command `check` for a file with a [sweep] table: what its points lead to and cost."""

from __future__ import annotations

import argparse
import json

from sim.commands import sweep_text
from sim.commands.terminal import notice_lines, say_on_terminal
from sim.sweeps import outlook as sweep_outlook
from sim.sweeps.table import load_sweep

__all__ = ["check_sweep"]

READING_SECONDS = 5.0
LOOKING_SECONDS = 10.0
"""Time for the points of a sweep; what it is not enough for is left out, and told."""


def check_sweep(args: argparse.Namespace) -> str:
    """Look ahead at a sweep, and return what to print.

    Raises
    ------
    sim.parameters.toml.ParameterError
        If the file or one of its points holds mistakes.
    """
    plan = load_sweep(args.file, args.seed, seconds=READING_SECONDS)
    notice_lines(plan.notices)
    say_on_terminal(f"looking ahead at {len(plan.points)} points ...")
    points = sweep_outlook.look_ahead_of_points(plan, LOOKING_SECONDS)
    cost = None
    if not args.no_timing:
        say_on_terminal("timing pieces of some runs (the first time, kernels are compiled) ...")
        cost = sweep_outlook.calibrate_sweep(plan, points, workers=args.threads)
    if args.json:
        return json.dumps(sweep_text.check_content(plan, points, cost), indent=2)
    return sweep_text.check_text(plan, points, cost)
