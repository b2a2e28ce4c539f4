"""Loops of the step on a graphics card, around the laws and formulas of all processors."""
