"""Long times in the unit that a reader would choose: minutes, hours, days, years."""

from __future__ import annotations

MINUTE, HOUR, DAY, WEEK = 60.0, 3_600.0, 86_400.0, 604_800.0
YEAR = 365.25 * DAY
"""A year of 365.25 days (IAU Style Manual, from memory)."""

_FROM = ((366.0 * DAY, YEAR, "years"), (2.0 * DAY, DAY, "days"), (2.0 * HOUR, HOUR, "h"),
         (2.0 * MINUTE, MINUTE, "min"))  # fmt: skip


def long_unit(seconds: float) -> tuple[float, str] | None:
    """Return length in s and name of the unit for a time; None under two minutes."""
    for least, length, name in _FROM:
        if abs(seconds) >= least:
            return length, name
    return None
