"""Plan of the flow sum: where smooth and near parts meet, grid, window, polynomials.

It follows from the film alone, never from timing, so that runs repeat their bits.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.interactions.flow.free import smooth_self, smooth_tensor
from sim.interactions.flow.slab import SlabModes, slab_modes

Floats = NDArray[np.float64]

# Width s of the smooth part in diameters. A wide one makes the grid cheap, and lets the smooth part
# be done at once for several steps, as touching particles hardly move against each other in it
# (8 % of their relative mobility at 1). A narrow one leaves more of the windows to the modes: flow
# along a thin film is right where s is small beside its thickness.
WIDTH = 1.0
WIDTH_OF_THICKNESS = 1.0 / 12.0
NARROWEST = 0.4
# Reach of the near part in s: what is left there is 4e-4 of a particle's own mobility.
REACH = 5.0
# Largest wave number in 1/s: beyond, 4e-4 of the smooth part's spectrum is left.
LARGEST = 3.2
# Grid points a wave of that number, in multiples of two; and points under the window.
FINER = 1.25
WINDOW = 5
LEAST_SIDE = 6.0
"""Least side of a patch, in mean diameters: the near part must end within half a side."""
# Of the least mobility of a particle in the middle, what the smooth part may be at most.
SMOOTH_SHARE = 0.8
WIDER = 1.05
# The smooth part is done at once for so many steps that its share of the mobility of a touching
# pair against each other, times steps, stays below this, and for so many at most.
PAIR_SHARE = 0.25
MOST_STEPS = 8


class FlowPlan(NamedTuple):
    """What the flow sum of a film is made of; lengths in d0.

    Attributes
    ----------
    sides : (float, float)
        Periods of the patch.
    thickness : float
        Distance of the windows.
    radius : float
        Radius of the spheres whose flow is summed, the mean of all.
    width : float
        Width s of the smooth part.
    reach : float
        Range of the near part.
    largest : float
        Largest wave number of the smooth part.
    points : (int, int)
        Grid points along the windows.
    window : int
        Grid points under the window, an axis.
    half : int
        Even polynomials across the film, and odd ones.
    """

    sides: tuple[float, float]
    thickness: float
    radius: float
    width: float
    reach: float
    largest: float
    points: tuple[int, int]
    window: int
    half: int

    def most_steps(self) -> int:
        """Return for how many steps the smooth part may be done at once, 1 or more."""
        contact = smooth_tensor(np.array([2.0 * self.radius]), self.radius, self.width)
        share = smooth_self(self.radius, self.width) - float(contact[0][0] + contact[1][0])
        return max(1, min(MOST_STEPS, int(0.5 / self.radius * PAIR_SHARE / share)))

    def modes(self) -> SlabModes:
        """Return the polynomials across the film."""
        return SlabModes(self.thickness, self.half)


def plan_flow(
    sides: tuple[float, float], thickness: float, radius: Floats, width: float | None = None
) -> FlowPlan:
    """Choose splitting, grid and polynomials.

    Parameters
    ----------
    sides : (float, float)
        Sides of the periodic patch, in d0.
    thickness : float
        In d0.
    radius : float64 (N,)
        Steric radii of the particles, which are those of their flow.
    width : float, optional
        Width s of the smooth part, for tests of the splitting.

    Returns
    -------
    FlowPlan

    Raises
    ------
    ValueError
        If the patch is narrower than `LEAST_SIDE` mean diameters, or sizes are too different.
    """
    from scipy.fft import next_fast_len

    mean, largest_radius = float(np.mean(radius)), float(np.max(radius))
    narrow = min(sides)
    if narrow < LEAST_SIDE * 2.0 * mean:
        raise ValueError(
            f"the flow needs a patch at least {LEAST_SIDE:g} mean diameters wide; received "
            f"{narrow / (2.0 * mean):.3g}."
        )
    least = SMOOTH_SHARE * 0.5 / largest_radius
    if width is None:
        width = max(2.0 * mean * NARROWEST, min(2.0 * mean * WIDTH, thickness * WIDTH_OF_THICKNESS))
        while smooth_self(mean, width) > least:
            width *= WIDER
        width = min(width, 0.5 * narrow / REACH)
    if smooth_self(mean, width) > least:
        raise ValueError(
            "the flow needs particles of similar size in a wide enough patch: the largest may be "
            f"{SMOOTH_SHARE * 0.5 / smooth_self(mean, width) / mean:.3g} times the mean size; "
            f"received {largest_radius / mean:.3g}."
        )
    largest = LARGEST / width
    points = [
        int(next_fast_len(max(math.ceil(side * largest * FINER / math.pi), WINDOW), real=True))
        for side in sides
    ]
    return FlowPlan(
        sides=(float(sides[0]), float(sides[1])),
        thickness=float(thickness),
        radius=mean,
        width=width,
        reach=REACH * width,
        largest=largest,
        points=(points[0], points[1]),
        window=WINDOW,
        half=slab_modes(thickness, largest).half,
    )
