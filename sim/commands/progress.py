"""How far a long command is: a bar on a terminal, a line a minute where there is none.

A line of a run says the share done, the film time, that per second and the time left; that
of a sampled run, which has no times, its sweeps and the independent structures in them. With `-q`
nothing of this is written, with `-v` lines come every ten seconds.
"""

from __future__ import annotations

import contextlib
import sys
import threading
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Self

from sim.commands.terminal import line_seconds, progress_line, sees_bars
from sim.files.clock import has_passed
from sim.run.bars import Bar
from sim.run.schedule import Always, Schedule

if TYPE_CHECKING:
    from sim.run.watchers import Scene
    from sim.sweeps.sweep import SweepProgress


class Waiting:
    """Shows that work goes on whose end nobody can tell, such as compiling, by its seconds.

    Parameters
    ----------
    text : str
        What is being done.
    hint : str
        What is added on a terminal, such as how long it usually takes.
    """

    def __init__(self, text: str, hint: str = "") -> None:
        self._text = text
        self._hint = f" ({hint})" if hint else ""
        self._over = threading.Event()
        self._thread: threading.Thread | None = None

    def __enter__(self) -> Waiting:
        """Begin to tell."""
        if line_seconds() is not None:
            self._thread = threading.Thread(target=self._tell, daemon=True)
            self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        """Tell no more."""
        self._over.set()
        if self._thread is not None:
            self._thread.join()

    def _tell(self) -> None:
        """Write until it is over; a reader of standard error who has left ends it."""
        began, bar = time.monotonic(), sees_bars()
        every = 1.0 if bar else line_seconds() or 60.0
        with contextlib.suppress(OSError, ValueError):
            if bar:
                sys.stderr.write(f"{self._text}{self._hint} ...")
                sys.stderr.flush()
            while not self._over.wait(every):
                seconds = f"{time.monotonic() - began:.0f} s"
                if bar:
                    sys.stderr.write(f"\r{self._text}{self._hint} ... {seconds}")
                    sys.stderr.flush()
                else:
                    progress_line(f"{self._text}: {seconds} so far")
            if bar:
                sys.stderr.write("\n")
                sys.stderr.flush()


class Phases:
    """Tells the phases of a run, as `sim.simulate` calls them; a context that ends the last."""

    def __init__(self) -> None:
        self._open = contextlib.ExitStack()

    def __enter__(self) -> Phases:
        """Wait for the first phase."""
        return self

    def __exit__(self, *error: object) -> None:
        """End the phase, however it ended."""
        self._open.close()

    def __call__(self, word: str) -> None:
        """Begin a phase."""
        self._open.close()
        if word == "compiling":
            self._open.enter_context(Waiting("compiling kernels", "10 to 20 s the first time"))


class RunLines:
    """A watcher that writes how far a run is, a line a minute, where no bar is seen.

    Parameters
    ----------
    seconds : float
        Wall time between two lines.
    clock : callable
        Gives the time in seconds; to be replaced in tests.
    """

    def __init__(self, seconds: float, clock: Callable[[], float] = time.monotonic) -> None:
        self.schedule: Schedule = Always()
        self._seconds = seconds
        self._clock = clock
        self._last: tuple[float, int] | None = None

    def look(self, scene: Scene) -> None:
        """Write a line if it is time."""
        now, step = self._clock(), scene.engine.step
        if self._last is None:  # the first look: a rate needs two
            self._last = now, step
        elif has_passed(self._seconds, self._last[0], now):
            before, since = self._last
            self._last = now, step
            progress_line(_run_line(scene, step, (step - since) / max(now - before, 1e-9)))

    def close(self, scene: Scene) -> None:
        """Do nothing: the summary follows."""


def _run_line(scene: Scene, step: int, rate: float) -> str:
    """Word how far a run is, at so many steps per second."""
    from sim.physics.units import format_quantity, wall_time_text

    dt, steps = scene.system.dt_s, scene.steps
    left = wall_time_text((steps - step) / rate) if rate > 0.0 else ""
    if scene.is_sampled:
        found = f", {scene.beside}" if scene.beside else ""
        words = f"sampling: {step} of at most {steps} sweeps{found}"
        if rate <= 0.0:
            return words
        return f"{words}, {rate:.3g} sweeps a second, at most {left} left"
    done = f"{100 * step // steps} % done, {_film_time(step * dt)} of {_film_time(steps * dt)}"
    if rate <= 0.0:
        return f"simulating: {done}"
    return f"simulating: {done}, {format_quantity(rate * dt, 'time')} a second, {left} left"


def _film_time(seconds: float) -> str:
    from sim.physics.units import format_quantity

    return format_quantity(seconds, "time")


def going_on(step: int, steps: int, dt: float | None) -> None:
    """Say from which step and film time a run goes on; nothing of one that starts.

    Parameters
    ----------
    step, steps : int
        Step that it goes on from, and the last one.
    dt : float or None
        Time step in s; None of a sampled run, whose steps are sweeps.
    """
    if step <= 0 or line_seconds() is None:
        return
    if dt is None:
        progress_line(f"going on from sweep {step} of at most {steps}")
    else:
        times = f"{_film_time(step * dt)} of {_film_time(steps * dt)}"
        progress_line(f"going on from step {step} of {steps}, {times}")


class _Count:
    """A bar that is drawn at the first look, or, off a terminal, a line when it is time.

    Parameters
    ----------
    text : str
        What is counted.
    clock : callable
        Gives the time in seconds; to be replaced in tests.
    shape : keyword arguments
        How `sim.run.bars.Bar` looks.
    """

    def __init__(self, text: str, clock: Callable[[], float], **shape: str) -> None:
        self._text = text
        self._clock = clock
        self._shape = shape
        self._bar: Bar | None = None
        self._last = clock()

    def __enter__(self) -> Self:
        """Wait for the first look."""
        return self

    def __exit__(self, *error: object) -> None:
        """Leave the bar as it stands."""
        if self._bar is not None:
            self._bar.close()

    def _tell(self, done: float, total: float, beside: str, line: Callable[[], str]) -> None:
        """Move the bar, or write a line if it is time."""
        seconds = line_seconds()
        if seconds is None:
            return
        if sees_bars():
            if self._bar is None:
                self._bar = Bar(self._text, total, done, **self._shape)
            self._bar.move(done, beside)
        elif has_passed(seconds, self._last, self._clock()):
            self._last = self._clock()
            progress_line(f"{self._text}: {line()}")


class MeasuringBar(_Count):
    """A bar over the frames that are measured or drawn, or a line a minute."""

    def __init__(
        self, doing: str = "measuring", clock: Callable[[], float] = time.monotonic
    ) -> None:
        super().__init__(doing, clock, unit="frame")

    def show(self, frame: int, frames: int) -> None:
        """Tell that so many of all frames are done."""
        self._tell(frame, frames, "", lambda: f"{frame} of {frames} frames")


class SweepBar(_Count):
    """A bar over the runs of a sweep, those in work counted by their steps, or a line a minute."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        shape = "{desc}: {percentage:3.0f}% |{bar}| {postfix} [{elapsed}<{remaining}]"
        super().__init__("sweep", clock, bar_format=shape)
        self._began: tuple[float, float] | None = None

    def show(self, progress: SweepProgress) -> None:
        """Move the bar, or write a line if it is time."""
        share = round(min(progress.share, progress.runs), 4)
        if self._began is None:
            self._began = self._clock(), share
        steps = ", ".join(f"{step}/{steps}" for step, steps in progress.steps_of_runs)
        beside = _runs_done(progress) + (f"; steps {steps}" if steps else "")
        self._tell(share, progress.runs, beside, lambda: self._line(progress, share))

    def _line(self, progress: SweepProgress, share: float) -> str:
        """Word how far a sweep is, at the rate since its first look."""
        since, before = self._began or (self._last, share)
        rate = (share - before) / max(self._last - since, 1e-9)
        left = ""
        if rate > 0.0:
            from sim.physics.units import wall_time_text

            left = f", {wall_time_text((progress.runs - share) / rate)} left"
        done = int(100 * share / progress.runs)
        return f"{done} % done, {_runs_done(progress)}{left}"


def _runs_done(progress: SweepProgress) -> str:
    failed = f", {progress.failed} failed" if progress.failed else ""
    return f"{progress.ended} of {progress.runs} runs{failed}"
