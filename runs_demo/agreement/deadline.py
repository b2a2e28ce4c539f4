"""Ends a run when its time of the clock is used up; what was simulated counts."""

from sim.files.record import Ending
from sim.run.schedule import ByClock
from sim.run.watchers import Stop


class Deadline:
    """A stop rule, as `sim.simulate` takes it.

    Parameters
    ----------
    seconds : float
        Of the clock, from the first step on: compiling does not count.
    """

    def __init__(self, seconds):
        self._seconds = max(1.0, seconds)
        self.begin()

    def begin(self, *_):
        """Count from now on; takes what `sim.simulate` gives its ``on_start``."""
        self.schedule = ByClock(self._seconds)

    def look(self, scene):
        """End the run."""
        raise Stop(Ending.STOPPED, f"its share of the budget is used up, step {scene.engine.step}")

    def close(self, scene):
        """Do nothing."""
