"""Figures of a run, and their style."""
