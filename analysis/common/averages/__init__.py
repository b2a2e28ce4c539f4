"""Averages over values that remember each other: how long they do, and the error of their mean."""
