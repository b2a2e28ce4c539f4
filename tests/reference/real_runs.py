"""The command as a process of its own, with the real engine: for tests that stop or kill it."""

import os
import subprocess
import sys
import time
from pathlib import Path

import h5py

ROOT = Path(__file__).parents[2]
PATIENCE = 600.0
"""Seconds to wait: kernels may have to be compiled, and the machine may be busy."""

HASTY = """
import sys
from functools import partial
from sim.run import simulate as one_run
from sim.command_line import main
every = float(sys.argv.pop(1))
one_run.CheckpointByClock = partial(one_run.CheckpointByClock, seconds=every, share=1.0)
sys.exit(main())
"""
"""The command, with a checkpoint every so many seconds instead of every minute."""

UNMEASURED = """
import sim.commands.run as command
command.results.measure_into = command._print_summary = lambda *_, **more: None
"""
"""What makes a command leave the trajectory as it is: to measure it takes as long as to make it."""


def start(*words, checkpoints=None, measured=True, **environment):
    """Start `chainfilm` with these words."""
    if checkpoints is None and measured:
        program = ["-m", "sim"]
    else:
        program = ["-c", ("" if measured else UNMEASURED) + HASTY, str(checkpoints or 60.0)]
    return subprocess.Popen(
        [sys.executable, *program, *map(str, words)],
        cwd=ROOT,
        env=os.environ | environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def finish(*words, **options):
    """Run `chainfilm` to its end; return exit code and what it said on standard error."""
    process = start(*words, **options)
    try:
        _, told = process.communicate(timeout=PATIENCE)
    finally:
        process.kill()  # nothing happens where it has ended
        process.wait()
    return process.returncode, told


def wait_until(process, condition):
    """Wait until a condition holds; the process must not end before."""
    deadline = time.monotonic() + PATIENCE
    while not condition():
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < deadline, "nothing happened"
        time.sleep(0.01)


def frames_in(path):
    """Return the frames that a reader finds while the file is being written."""
    try:
        with h5py.File(path, "r", locking=False) as file:
            return int(file["parameters/frames_complete"][()])
    except (OSError, KeyError, RuntimeError):
        return 0


def ending_of(path):
    """Return the ending that a reader finds while the file is being written."""
    try:
        with h5py.File(path, "r", locking=False) as file:
            return str(file["parameters"].attrs["ending"])
    except (OSError, KeyError, RuntimeError):
        return ""
