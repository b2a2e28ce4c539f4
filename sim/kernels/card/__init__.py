"""Loops of the step on a graphics card, around the same laws and formulas as those of processors."""
