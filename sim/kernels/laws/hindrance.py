"""How the windows slow a particle near them: mobilities relative to those far away.

One window: the rational forms in the gap g = (h - a)/a between a sphere of radius a, its centre
at h, and the wall; across the window (6 g^2 + 2 g)/(6 g^2 + 9 g + 2) (M. A. Bevan and D. C. Prieve,
J. Chem. Phys. 113, 1228 (2000)), along it (368 g^3 + 559 g^2 + 81 g)/(368 g^3 + 779 g^2 + 250 g),
within 1 % of the exact series. Two windows: their extra drags add, 1/mu = 1/mu_1 + 1/mu_2 - 1
(C. W. Oseen's superposition, from memory). Turning is not slowed. No checks by design.
"""

from numba.extending import register_jitable

from sim.kernels.vectors.ops import where

# Windows are soft and shells are no hard walls: nearer than this gap, nothing changes any more.
LEAST_GAP = 0.05


@register_jitable(forceinline=True)
def along_window(gap):
    """Return the relative mobility along one window at a gap in radii."""
    return (368.0 * gap * gap + 559.0 * gap + 81.0) / (368.0 * gap * gap + 779.0 * gap + 250.0)


@register_jitable(forceinline=True)
def across_window(gap):
    """Return the relative mobility towards and away from one window at a gap in radii."""
    return (6.0 * gap * gap + 2.0 * gap) / (6.0 * gap * gap + 9.0 * gap + 2.0)


@register_jitable(forceinline=True)
def hindered(z, thickness, radius):
    """Return the relative mobilities (along, across) at height z between the two windows."""
    below = z / radius - 1.0
    above = (thickness - z) / radius - 1.0
    below = where(below > LEAST_GAP, below, LEAST_GAP)
    above = where(above > LEAST_GAP, above, LEAST_GAP)
    along = 1.0 / (1.0 / along_window(below) + 1.0 / along_window(above) - 1.0)
    across = 1.0 / (1.0 / across_window(below) + 1.0 / across_window(above) - 1.0)
    return along, across
