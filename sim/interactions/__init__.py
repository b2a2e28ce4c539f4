"""Interactions: one file a force, from the words of the user to the constants of the kernels."""
