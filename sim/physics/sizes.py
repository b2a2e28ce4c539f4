"""The law of particle sizes and the averages that follow from it.

Core diameters follow a log-normal law, cut on both sides at `LARGEST_DEVIATION` standard deviations
of ln(diameter). Volume fractions count whole particles, core and shell.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.common.constants import MU0

LARGEST_DEVIATION = 3.0
"""The log-normal law of sizes is cut at this many standard deviations on both sides."""


def number_median(volume_median: float, size_spread: float) -> float:
    """Convert the median by volume of a log-normal law into the median by number.

    Parameters
    ----------
    volume_median : float
        Diameter below which half of the volume lies, in m.
    size_spread : float
        Standard deviation of ln(diameter).

    Returns
    -------
    float
        Diameter below which half of the particles lie, in m.

    Notes
    -----
    volume median = number median x exp(3 s^2): T. Hatch and S. P. Choate, Journal of the Franklin
    Institute vol 207, p 369 (1929), from memory.
    """
    return volume_median * math.exp(-3.0 * size_spread**2)


def largest_core_diameter(core_diameter: float, size_spread: float) -> float:
    """Core diameter at which the law of sizes is cut.

    Parameters
    ----------
    core_diameter : float
        Number median of the core diameter in m.
    size_spread : float
        Standard deviation of ln(diameter).

    Returns
    -------
    float
        Largest core diameter in m.
    """
    return core_diameter * math.exp(LARGEST_DEVIATION * size_spread)


def _cut_moment(order: int, spread: float) -> float:
    """Mean of (d/median)^order over the log-normal law cut at `LARGEST_DEVIATION`.

    Completing the square moves the normal law by order*spread, so the cut one gives
    exp(k^2 s^2/2) [Phi(c - k s) - Phi(-c - k s)]/[Phi(c) - Phi(-c)].
    """
    root = math.sqrt(2.0)
    cut, shift = LARGEST_DEVIATION, order * spread
    share = math.erf((cut - shift) / root) + math.erf((cut + shift) / root)
    return math.exp(0.5 * shift**2) * share / (2.0 * math.erf(cut / root))


def mean_cubed_diameter(core_diameter: float, size_spread: float, layers: float = 0.0) -> float:
    """Mean of (core diameter + layers)^3 over the law of sizes.

    Parameters
    ----------
    core_diameter : float
        Number median of the core diameter in m.
    size_spread : float
        Standard deviation of ln(core diameter).
    layers : float
        Length in m added to every diameter: twice the shell, or minus twice the dead layer.

    Returns
    -------
    float
        Mean cube in m3; times pi/6 it is the mean volume.
    """
    first, second, third = (_cut_moment(order, size_spread) for order in (1, 2, 3))
    core = core_diameter
    return (
        core**3 * third
        + 3.0 * core**2 * second * layers
        + 3.0 * core * first * layers**2
        + layers**3
    )


@dataclass(frozen=True)
class Sizes:
    """The law of sizes and the layers of a particle, all lengths in m.

    Attributes
    ----------
    core_diameter : float
        Number median of the core diameter, or of that of the bead that holds many small cores.
    size_spread : float
        Standard deviation of ln(core diameter).
    dead_layer, shell_thickness : float
        Non-magnetic skin of the core, or of each small core, and shell around it all.
    table : tuple of tuple of float
        Core diameters and shares by number that add up to 1, ascending, instead of the law.
    small_core : float or None
        Diameter of the small cores of a bead, all alike; None where a particle is one core.
    share : float
        Share of a bead's volume that its small cores fill.
    """

    core_diameter: float
    size_spread: float
    dead_layer: float
    shell_thickness: float
    table: tuple[tuple[float, float], ...] = ()
    small_core: float | None = None
    share: float = 1.0

    @property
    def single_core(self) -> float:
        """Diameter in m of one core: a small one, or the median."""
        return self.core_diameter if self.small_core is None else self.small_core

    @property
    def core_cube(self) -> float:
        """Mean over the particles of the volume of their cores, times 6/pi, in m3."""
        return self.share * self.mean_cube(0.0)

    @property
    def magnetic_cube(self) -> float:
        """The same of the cores without their dead layers."""
        if self.small_core is None:
            return self.mean_cube(-2.0 * self.dead_layer)
        return self.core_cube * (1.0 - 2.0 * self.dead_layer / self.small_core) ** 3

    @property
    def largest_core(self) -> float:
        """Largest core diameter in m."""
        if self.table:
            return self.table[-1][0]
        return largest_core_diameter(self.core_diameter, self.size_spread)

    def mean_cube(self, layers: float) -> float:
        """Mean of (core diameter + layers)^3 in m3."""
        if self.table:
            return sum(share * (core + layers) ** 3 for core, share in self.table)
        return mean_cubed_diameter(self.core_diameter, self.size_spread, layers)


def tabulated(
    rows: tuple[tuple[float, float], ...], by_volume: bool, dead_layer: float, shell: float
) -> Sizes:
    """Make the law of sizes of a table.

    Parameters
    ----------
    rows : tuple of tuple of float
        Core diameters in m and shares, in any order and of any sum.
    by_volume : bool
        Whether the shares count core volumes, not particles.
    dead_layer, shell : float
        Layers in m.

    Returns
    -------
    Sizes
        Shares by number; the median is the smallest diameter up to which half of the particles
        lie, and the spread the standard deviation of ln(diameter).
    """
    counts: dict[float, float] = {}
    for core, share in rows:
        if share > 0.0:
            counts[core] = counts.get(core, 0.0) + (share / core**3 if by_volume else share)
    total = sum(counts.values())
    table = tuple((core, counts[core] / total) for core in sorted(counts))
    below, median = 0.0, table[-1][0]
    for core, share in table:
        below += share
        if below >= 0.5 * (1.0 - 1e-12):
            median = core
            break
    mean = sum(share * math.log(core) for core, share in table)
    variance = sum(share * (math.log(core) - mean) ** 2 for core, share in table)
    return Sizes(median, math.sqrt(variance), dead_layer, shell, table)


def whole_volume_fraction(
    sizes: Sizes,
    magnetisation: float,
    *,
    whole: float | None = None,
    cores: float | None = None,
    saturation: float | None = None,
) -> float:
    """Volume fraction of whole particles (core and shell), however the amount is given.

    Parameters
    ----------
    sizes : Sizes
        Law of sizes and layers.
    magnetisation : float
        Saturation magnetisation of the cores in A/m.
    whole, cores, saturation : float, optional
        Fraction of whole particles, fraction of cores, or saturation mu0 M of the fluid in T; the
        first that is given counts.

    Returns
    -------
    float
        phi = n <pi d^3/6>.

    Raises
    ------
    ValueError
        If none of the three is given.

    Notes
    -----
    The fluid saturates at mu0 M_s times the volume fraction of its magnetic cores (without dead
    layer).
    """
    if whole is not None:
        return whole
    steric = sizes.mean_cube(2.0 * sizes.shell_thickness)
    if cores is not None:
        return cores * steric / sizes.core_cube
    if saturation is not None:
        magnetic = saturation / (MU0 * magnetisation)
        return magnetic * steric / sizes.magnetic_cube
    raise ValueError("one of whole, cores and saturation must be given; received none.")
