"""From the command line to a command and its exit code.

Exit codes: 0 done; 1 a run that failed; 2 bad input; 130 interrupted, checkpoint saved. Results go
to standard output, everything else (progress, notices, one message for an error) to standard
error. Heavy modules are imported where they are used, so that `chainfilm --help` answers at once.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from functools import partial
from importlib import import_module

from sim.commands.errors import DONE, INTERRUPTED, explain
from sim.commands.run import measure_point, run_and_measure
from sim.commands.standard_streams import OutputError, with_streams
from sim.commands.terminal import error_line, set_loudness
from sim.run.signals import Listener, signals_interrupt

__all__ = ["main", "measure_point", "run_and_measure"]


COMMANDS = {
    "new": "new.new",
    "check": "check.check",
    "run": "run.run",
    "sweep": "sweep.sweep",
    "measure": "measure.measure",
    "plot": "measure.plot",
    "export": "measure.export",
    "micrograph": "micrograph.measure_micrograph",
    "map": "map.map_cell_into",
    "fluid": "bottle.fluid.find_fluid",
    "design": "wish.design.design",
}
"""Module of `sim.commands` and function of each command, loaded on use."""


def _perform(name: str, args: argparse.Namespace) -> int:
    module, _, function = COMMANDS[name].rpartition(".")
    return int(getattr(import_module(f"sim.commands.{module}"), function)(args))


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
    return with_streams(partial(_command, argv))


def _command(argv: Sequence[str] | None) -> int:
    """Run one command; what standard output raises is left to the caller."""
    from sim.commands.options import parser

    words = parser({name: partial(_perform, name) for name in COMMANDS})
    if not (sys.argv[1:] if argv is None else argv):  # nothing asked for: say what could be
        words.print_help()
        return DONE
    try:
        args = words.parse_args(argv)
    except SystemExit as end:  # argparse's way to answer --help and bad options
        return int(end.code or 0)
    set_loudness(quiet=getattr(args, "quiet", False), verbose=getattr(args, "verbose", False))
    signals = Listener()
    try:
        with signals_interrupt() as signals:
            return int(args.function(args))
    except KeyboardInterrupt:
        error_line("interrupted")
        return INTERRUPTED
    except Exception as error:
        if os.environ.get("CHAINFILM_TRACEBACK") or isinstance(error, OutputError):
            raise
        if signals.heard:
            error_line("interrupted")
            return INTERRUPTED
        code, text = explain(error)
        error_line(text)
        return code


if __name__ == "__main__":
    sys.exit(main())
