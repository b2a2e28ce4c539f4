"""SIGTERM and Ctrl-C while a command does something that has no orderly end of its own."""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from types import FrameType

__all__ = ["signals_interrupt"]

RENEWAL = 0.02
"""Seconds after which an interruption that a callback dropped is raised anew."""


@contextlib.contextmanager
def signals_interrupt() -> Iterator[list[int]]:
    """Make the first SIGINT or SIGTERM a KeyboardInterrupt, and the second one deadly at once.

    A batch system sends SIGTERM where a person types Ctrl-C: both let a command clean up. Whoever
    sends a second signal does not want to wait for that, nor to read a traceback. Outside the main
    thread, where Python hears no signals, nothing changes.

    Yields
    ------
    list of int
        The signal, once it was heard. What fails in a compiled library because of it would
        otherwise look like a fault of the program.
    """
    heard: list[int] = []
    if threading.current_thread() is not threading.main_thread():
        yield heard
        return
    numbers = (signal.SIGINT, signal.SIGTERM)

    def hear(number: int, frame: FrameType | None) -> None:  # noqa: ARG001
        for each in numbers:
            signal.signal(each, signal.SIG_DFL)
        heard.append(number)
        raise KeyboardInterrupt(signal.Signals(number).name)

    def renew(number: int, frame: FrameType | None) -> None:  # noqa: ARG001
        raise KeyboardInterrupt(signal.Signals(heard[0]).name)

    before = {number: signal.signal(number, hear) for number in numbers}
    try:
        with _dropped_interruptions_renewed(renew):
            yield heard
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        if heard:
            # An interruption that crosses text run by `exec` (named tuples, data classes) leaves a
            # mark in the interpreter, which then kills itself by SIGINT instead of giving the exit
            # code, though the exception was caught. The next `exec` of a text clears the mark.
            exec("")


@contextlib.contextmanager
def _dropped_interruptions_renewed(
    renew: Callable[[int, FrameType | None], None],
) -> Iterator[None]:
    """Raise a KeyboardInterrupt again that died in a callback from compiled code.

    The compiler of the kernels calls Python; what is raised there cannot pass through its frames:
    Python prints it with a traceback and goes on.
    """
    if not hasattr(signal, "SIGALRM"):  # pragma: no cover - a system without timers by signal
        yield
        return
    hook = sys.unraisablehook

    def catch(unraisable: sys.UnraisableHookArgs) -> None:
        if isinstance(unraisable.exc_value, KeyboardInterrupt):
            signal.setitimer(signal.ITIMER_REAL, RENEWAL)  # after the callback has returned
        else:
            hook(unraisable)

    alarm = signal.signal(signal.SIGALRM, renew)
    sys.unraisablehook = catch
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, alarm)
        sys.unraisablehook = hook
