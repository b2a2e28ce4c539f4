"""Ctrl-C and SIGTERM: heard once, for an orderly end or as an interruption."""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
from collections.abc import Iterator
from types import FrameType
from typing import Any, Self

SIGNALS = (signal.SIGINT, signal.SIGTERM)
RENEWAL = 0.02
"""Seconds after which an interruption that a callback dropped is raised anew."""


class Listener:
    """Hears the first Ctrl-C (SIGINT) or SIGTERM; a second one acts as if nobody listened.

    Used as a context: what hangs can still be ended. A batch system sends SIGTERM where a person
    types Ctrl-C. Outside the main thread, where Python hears no signals, it is idle.

    Attributes
    ----------
    heard : str
        Name of the signal, "" before.
    """

    def __init__(self) -> None:
        self.heard = ""
        self._before: dict[int, Any] = {}

    def __enter__(self) -> Self:
        """Listen."""
        if threading.current_thread() is threading.main_thread():
            for number in SIGNALS:
                self._before[number] = signal.signal(number, self._hear)
        return self

    def __exit__(self, *error: object) -> None:
        """Listen no more."""
        for number, handler in self._before.items():
            signal.signal(number, handler)
        self._before = {}

    @property
    def listens(self) -> bool:
        """Whether it would hear a signal."""
        return bool(self._before)

    def pass_on(self) -> None:
        """Give a signal that was heard to whoever listened before; call it after the context."""
        if self.heard:
            signal.raise_signal(signal.Signals[self.heard])

    def _hear(self, number: int, frame: FrameType | None) -> None:  # noqa: ARG002
        self.heard = signal.Signals(number).name
        self.__exit__()


class _Interrupting(Listener):
    """Raises a KeyboardInterrupt for the first signal, and lets the second one kill."""

    def _hear(self, number: int, frame: FrameType | None) -> None:  # noqa: ARG002
        for each in SIGNALS:
            signal.signal(each, signal.SIG_DFL)
        self.heard = signal.Signals(number).name
        raise KeyboardInterrupt(self.heard)


@contextlib.contextmanager
def signals_interrupt() -> Iterator[Listener]:
    """Make the first SIGINT or SIGTERM a KeyboardInterrupt, and the second one deadly at once.

    Both let a command clean up. Whoever sends a second signal does not want to wait for that, nor
    to read a traceback.

    Yields
    ------
    Listener
        What it heard: what fails in a compiled library because of a signal would otherwise look
        like a fault of the program.
    """
    listener = _Interrupting()
    try:
        with listener, _dropped_interruptions_renewed(listener):
            yield listener
    finally:
        if listener.heard:
            # An interruption that crosses text run by `exec` (named tuples, data classes) leaves a
            # mark in the interpreter, which then kills itself by SIGINT instead of giving the exit
            # code, though the exception was caught. The next `exec` of a text clears the mark.
            exec("")


@contextlib.contextmanager
def _dropped_interruptions_renewed(listener: Listener) -> Iterator[None]:
    """Raise a KeyboardInterrupt again that died in a callback from compiled code.

    The compiler of the kernels calls Python; what is raised there cannot pass through its frames:
    Python prints it with a traceback and goes on.
    """
    if not (listener.listens and hasattr(signal, "SIGALRM")):  # else there are no timers by signal
        yield
        return

    def renew(number: int, frame: FrameType | None) -> None:  # noqa: ARG001
        raise KeyboardInterrupt(listener.heard)

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
