"""The command `check`: what a file leads to and costs before it is simulated."""

from __future__ import annotations

import argparse
import dataclasses
import json

from sim.commands.errors import DONE, FAILED
from sim.commands.results import draw_pair
from sim.commands.terminal import notice_lines, say, say_on_terminal
from sim.commands.text import loaded, outlook_text, picture_of, table

READING_SECONDS = 5.0
LOOKING_SECONDS = 10.0
"""Time for the points of a sweep; what it is not enough for is left out, and told."""


def check(args: argparse.Namespace) -> int:
    """Say what a file leads to and costs, or compare two runs, and return the exit code."""
    from sim.commands.same import is_comparison, same_runs

    if is_comparison(args):
        text, same = same_runs(args)
        say(text)
        return DONE if same else FAILED
    from sim.sweeps.table import is_sweep

    many = "a sweep" if is_sweep(args.file) else "" if args.ensemble is None else "an ensemble"
    if many and args.device == "gpu":
        from sim.engines.card.ready import CardError

        raise CardError(f"--device must be cpu for a look ahead at {many}; received gpu")
    if is_sweep(args.file):
        say(_sweep(args))
        return DONE
    if args.ensemble is not None:
        from sim.commands.bottle.outlook import check_fluids

        check_fluids(args)
        return DONE
    parameters = loaded(args.file, args.seed)
    from sim.files.provenance import made_by
    from sim.files.record import resolved
    from sim.run.setup import RunSetup

    setup = RunSetup(parameters, args.threads, args.device)
    if args.device == "gpu":
        setup.require_ready()  # what a card cannot take is told before anything else
    expectations = setup.expectations
    if args.figure is not None:
        draw_pair(expectations, picture_of(args), args.file)
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


def _sweep(args: argparse.Namespace) -> str:
    """Look ahead at a sweep, and return what to print.

    Raises
    ------
    sim.parameters.toml.ParameterError
        If the file or one of its points holds mistakes.
    """
    from sim.commands.sweep_text import check_content, check_text
    from sim.sweeps.outlook import calibrate_sweep, look_ahead_of_points
    from sim.sweeps.table import load_sweep

    plan = load_sweep(args.file, args.seed, seconds=READING_SECONDS, ensemble=args.ensemble)
    notice_lines(plan.notices)
    say_on_terminal(f"looking ahead at {len(plan.points)} points ...")
    points = look_ahead_of_points(plan, LOOKING_SECONDS)
    cost = None
    if not args.no_timing:
        say_on_terminal("timing pieces of some runs (the first time, kernels are compiled) ...")
        cost = calibrate_sweep(plan, points, workers=args.threads)
    if args.json:
        return json.dumps(check_content(plan, points, cost), indent=2)
    return check_text(plan, points, cost)
