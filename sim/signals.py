"""SIGTERM and Ctrl-C while a command does something that has no orderly end of its own."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator
from types import FrameType

__all__ = ["signals_interrupt"]


@contextlib.contextmanager
def signals_interrupt() -> Iterator[list[int]]:
    """Make the first SIGINT or SIGTERM a KeyboardInterrupt, and the second one deadly at once.

    A batch system sends SIGTERM where a person types Ctrl-C: both let a command clean up. Whoever
    sends a second signal does not want to wait for that, nor to read a traceback. Outside the main
    thread, where Python hears no signals, nothing changes.

    Yields
    ------
    list of int
        The signal, once it was heard. Compiled libraries that call Python drop the exception, and
        what fails next would then look like a fault of the program.
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

    before = {number: signal.signal(number, hear) for number in numbers}
    try:
        yield heard
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
