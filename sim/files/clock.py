"""Seconds gone by on a clock that may be set back."""

from __future__ import annotations


def has_passed(seconds: float, since: float, now: float) -> bool:
    """Return whether so many seconds have gone by.

    A clock that was set back counts as that: nothing waits until it has caught up.
    """
    return not 0.0 <= now - since < seconds
