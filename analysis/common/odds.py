"""Odds for a reader."""

from __future__ import annotations

BAND_SIGMAS = 1.645
"""Half width of a band that holds 90 of 100 films, in standard deviations."""


def percent(share: float) -> str:
    """Return odds in per cent; never 0 or 100, which nobody knows."""
    if share < 0.01:
        return "below 1 %"
    return "above 99 %" if share > 0.99 else f"{100 * share:.0f} %"


def odds_of(share: float) -> str:
    """Return the same behind the word "odds"."""
    told = percent(share)
    return f"of {told}" if told[0].isdigit() else told
