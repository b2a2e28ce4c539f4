"""Errors of averages and fits."""
