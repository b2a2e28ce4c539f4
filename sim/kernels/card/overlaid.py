"""Arrays that share memory because they are never in use at the same time."""

import math

import numpy as np

LINE = 512
"""Bytes on which each array begins, as those that a card lends."""


def _ends(group):
    """Return where each array of a group ends, rounded up."""
    sizes = [math.prod(shape) * np.dtype(dtype).itemsize for shape, dtype in group.values()]
    return np.cumsum([-(-size // LINE) * LINE for size in sizes]).tolist()


def bytes_of(groups):
    """Return the bytes that the largest group takes.

    Parameters
    ----------
    groups : sequence of dict
        Shape and type by name.
    """
    return max(1, *(_ends(group)[-1] for group in groups if group))


def parts_of(memory, groups):
    """Return the arrays of all groups, by name, within bytes of memory (of numpy or the card)."""
    found = {}
    for group in groups:
        begin = 0
        for (name, (shape, dtype)), end in zip(group.items(), _ends(group), strict=True):
            size = math.prod(shape) * np.dtype(dtype).itemsize
            found[name] = memory[begin : begin + size].view(dtype).reshape(shape)
            begin = end
    return found
