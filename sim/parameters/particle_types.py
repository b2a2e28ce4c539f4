"""The magnetic particles of one run, in SI."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from sim.physics.sizes import Sizes, whole_volume_fraction

__all__ = ["ParticleParameters"]


@dataclass(frozen=True)
class ParticleParameters:
    """The magnetic particles.

    Attributes
    ----------
    material : str
        Name of the core material, or "custom".
    magnetisation : float
        Saturation magnetisation of the cores in A/m.
    anisotropy : float
        Anisotropy constant in J/m3.
    attempt_time : float
        Attempt time of the Neel reversal in s.
    density : float
        Mass density of the cores in kg/m3.
    moment : str
        "blocked", "superparamagnetic" or "multicore".
    core_diameter : float
        Number median of the core diameter in m, whatever basis the file used. The core is what
        lies under the shell: of a multicore particle the bead with all its small cores.
    size_spread : float
        Standard deviation of ln(core diameter); the law is cut at 3 of them.
    dead_layer : float
        Non-magnetic skin of the core in m.
    shell_thickness : float
        Thickness of the surfactant shell in m.
    volume_fraction, core_volume_fraction, fluid_saturation : float or None
        The amount of particles: fraction of whole particles, fraction of cores, or saturation
        mu0 M of the fluid in T. Exactly one is given.
    shell_density : float
        Mass density of the shell in kg/m3.
    size_table : tuple of tuple of float
        Core diameters in m and shares by number that add up to 1, ascending, where the file gives
        a table of sizes; core_diameter and size_spread then are those of the table.
    small_core_diameter : float or None
        Diameter in m of the small cores inside a multicore bead; None for other particles.
    magnetic_share : float
        Share of a bead's volume that its small cores, dead layers included, fill.
    """

    material: str
    magnetisation: float
    anisotropy: float
    attempt_time: float
    density: float
    moment: Literal["blocked", "superparamagnetic", "multicore"]
    core_diameter: float
    size_spread: float
    dead_layer: float
    shell_thickness: float
    volume_fraction: float | None = None
    core_volume_fraction: float | None = None
    fluid_saturation: float | None = None
    shell_density: float = 900.0
    size_table: tuple[tuple[float, float], ...] = ()
    small_core_diameter: float | None = None
    magnetic_share: float = 1.0

    @property
    def is_multicore(self) -> bool:
        """Whether the particles are beads with many small cores, magnetised by the field."""
        return self.moment == "multicore"

    @property
    def body_density(self) -> float:
        """Mass density in kg/m3 under the shell; what fills a bead counts as shell."""
        return self.magnetic_share * self.density + (1.0 - self.magnetic_share) * self.shell_density

    @property
    def sizes(self) -> Sizes:
        """The law of sizes."""
        return Sizes(
            self.core_diameter,
            self.size_spread,
            self.dead_layer,
            self.shell_thickness,
            self.size_table,
            self.small_core_diameter,
            self.magnetic_share,
        )

    @property
    def diameter(self) -> float:
        """Median steric diameter (core and shell) in m."""
        return self.core_diameter + 2.0 * self.shell_thickness

    @property
    def mean_volume(self) -> float:
        """Mean volume of a whole particle in m3 over the law of sizes."""
        return math.pi / 6.0 * self.sizes.mean_cube(2.0 * self.shell_thickness)

    @property
    def whole_volume_fraction(self) -> float:
        """Volume fraction of whole particles, from whichever of the three keys is given."""
        return whole_volume_fraction(
            self.sizes,
            self.magnetisation,
            whole=self.volume_fraction,
            cores=self.core_volume_fraction,
            saturation=self.fluid_saturation,
        )
