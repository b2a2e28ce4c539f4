"""One line of the table: what is published, what was found, and whether both agree."""

import math
from dataclasses import dataclass

AGREES, DIFFERS, UNSURE, MISSING = "agrees", "differs", "undecided", "not reached"


@dataclass(frozen=True)
class Row:
    """One number beside its published value.

    Attributes
    ----------
    what, source : str
        What is compared, and author, journal, year, equation or figure.
    published : float or str
        A number, or a statement, which then has ``limits``.
    found, error : float or None
        The number of the runs, and one standard error.
    within : float
        By how much the law or measurement itself may be off, a share of it, for the stated reason;
        above 1 a factor, both ways.
    reason : str
        Why so much.
    limits : tuple of float
        For statements: between which numbers ``found`` agrees, in its unit; infinite where there is
        no limit on that side.
    found_text : str
        For statements: what was found, in words.
    """

    what: str
    source: str
    published: float | str
    found: float | None = None
    error: float | None = None
    within: float = 0.0
    reason: str = ""
    limits: tuple[float, float] | None = None
    found_text: str = ""

    @property
    def away(self):
        """By how much it is off, as a share of the published number; None for statements."""
        if isinstance(self.published, str) or self.found is None:
            return None
        return self.found / self.published - 1.0

    @property
    def verdict(self):
        """One of the four words.

        A number agrees up to two standard errors beyond what the law may be off by, and differs
        from four on; in between, and where its error is larger than 10 % and than that room,
        nothing is decided. What is published as a side alone (below, up) agrees from four standard
        errors inside on.
        """
        if self.found is None:
            return MISSING
        error = self.error or 0.0
        low, high = self._room
        beyond = max(low - self.found, self.found - high)
        if beyond > 4.0 * error:
            return DIFFERS
        if math.isinf(high - low):
            return AGREES if beyond <= -4.0 * error else UNSURE
        tenth = 0.0 if isinstance(self.published, str) else 0.1 * abs(self.published)
        wide = error > max(0.5 * (high - low), tenth)
        return UNSURE if wide or beyond > 2.0 * error else AGREES

    @property
    def _room(self):
        """Between which numbers the law holds, with what it may be off by."""
        low, high = self.limits or (self.published, self.published)
        if self.within > 1.0:
            return low / self.within, high * self.within
        room = self.within * abs(high) if self.within else 0.0  # a share of no limit is none
        return low - room, high + room

    @property
    def texts(self):
        """What is published, found, and the deviation, as texts."""
        if isinstance(self.published, str):
            return self.published, self.found_text or "-", ""
        if self.found is None:
            return f"{self.published:.3g}", "-", ""
        found = f"{self.found:.3g}" + ("" if self.error is None else f" ± {self.error:.2g}")
        return f"{self.published:.3g}", found, f"{100.0 * self.away:+.0f} %".replace("-", "−")
