"""Where runs and publication part, and what a change of what was suspected showed."""

EXPLAINED: dict[str, tuple[str, ...]] = {}
"""Sentences below the figures of a comparison."""

LEAST: tuple[str, ...] = ()
"""The three comparisons that agree least."""
