"""The magnetic particles: their keys in the file, and their values in SI."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar, Literal, TypeAlias, get_args

from sim.parameters.compound import Diameters
from sim.parameters.keys import ABSENT, NEEDED, REQUIRED, key
from sim.parameters.values import Choice, Number, Quantity
from sim.physics.sizes import Sizes, whole_volume_fraction

MOST_PARTICLES = 200_000_000
"""A film of (20 um)^3 holds 5.6e7; four bytes number the neighbours of 5e8 (`list_block`)."""

RANDOM_PACKING = 0.64
"""Volume fraction of randomly packed equal spheres: no suspension is denser."""

CLOSE_PACKING = 0.74
"""Volume fraction of the densest packing of equal spheres."""

Moment: TypeAlias = Literal["blocked", "superparamagnetic", "multicore"]


def _fraction(note: str, example: float) -> Number:
    return Number(0.0, RANDOM_PACKING, example, is_open=True, note=note)


@dataclass(frozen=True, kw_only=True)
class ParticleParameters:
    """The magnetic particles and how many there are.

    Attributes
    ----------
    magnetisation, anisotropy, attempt_time, density : float
        Where the file leaves them out, those of the material.
    core_diameter, size_spread : float
        Number median in m, whatever basis the file used, and standard deviation of its logarithm;
        of a table of sizes those of the table. The core is what lies under the shell: of a
        multicore particle the bead with all its small cores.
    volume_fraction, core_volume_fraction, fluid_saturation : float or None
        Exactly one is given.
    size_table : tuple of tuple of float
        Core diameters in m and shares by number that add up to 1, ascending, where the file gives
        a table of sizes.
    small_core_diameter : float or None
        Diameter in m of the small cores inside a multicore bead; None for other particles.
    magnetic_share : float
        Share of a bead's volume that its small cores, dead layers included, fill; else 1.
    """

    material: str = key(
        Choice(("magnetite", "custom")),
        "Material of the cores; magnetite is 446 kA/m, 11 kJ/m^3, 1 ns, 5180 kg/m^3, custom "
        "needs magnetisation, anisotropy and density.",
        "magnetite",
    )
    magnetisation: float = key(
        Quantity("magnetisation", 1e3, 2.5e6, "446 kA/m"),
        "Saturation magnetisation of the cores, instead of that of the material.",
        None,
        inside=REQUIRED,
    )
    anisotropy: float = key(
        Quantity("energy_density", 0.0, 1e7, "11 kJ/m^3"),
        "Anisotropy constant of the cores, instead of that of the material.",
        None,
        inside=REQUIRED,
    )
    attempt_time: float = key(
        Quantity("time", 1e-13, 1e-6, "1 ns"),
        "Attempt time of the Neel reversal.",
        None,
        inside=REQUIRED,
    )
    density: float = key(
        Quantity("density", 500.0, 25e3, "5180 kg/m^3"),
        "Mass density of the cores, instead of that of the material.",
        None,
        inside=REQUIRED,
    )
    moment: Moment = key(
        Choice(get_args(Moment)),
        "Whether a moment is fixed in its particle and turns with it (blocked), turns inside "
        "it (superparamagnetic), or is that of a bead with many small cores, which the local "
        "field magnetises (multicore).",
        "blocked",
    )
    bead_diameter: ClassVar[float | None] = key(
        Quantity("length", 10e-9, 10e-6, "100 nm"),
        "Median diameter of beads with many small cores, without the shell; size_spread and "
        "size_basis are those of the beads.",
        NEEDED,
        only=("moment", "multicore"),
        inside=ABSENT,
    )
    magnetic_share: float = key(
        Number(1e-4, CLOSE_PACKING, 0.2, note=" (close packing)"),
        "Share of a bead's volume that its cores fill.",
        NEEDED,
        inside=1.0,
        only=("moment", "multicore"),
    )
    core_diameter: float = key(
        Diameters(Quantity("length", 2e-9, 1e-6, "20 nm")),
        "Median diameter of the magnetic cores, or that of all small ones (multicore); or a "
        'table of diameters and shares, or { file = "sizes.csv" } with such a pair a line.',
    )
    size_basis: ClassVar[str] = key(
        Choice(("number", "volume")),
        "Whether core_diameter is the median, or its shares count, by number or by volume.",
        "number",
        inside=ABSENT,
    )
    size_spread: float = key(
        Number(0.0, 0.6, 0.1),
        "Standard deviation of ln(core diameter); the log-normal law is cut at 3 of them.",
        0.0,
    )
    dead_layer: float = key(
        Quantity("length", 0.0, 100e-9, "0.8 nm"), "Non-magnetic skin of the cores.", "0 nm"
    )
    shell_thickness: float = key(
        Quantity("length", 0.0, 100e-9, "2 nm"), "Thickness of the surfactant shell.", "2 nm"
    )
    shell_density: float = key(
        Quantity("density", 100.0, 25e3, "900 kg/m^3"),
        "Mass density of the shell, and of what fills a multicore bead between its cores.",
        "900 kg/m^3",
    )
    volume_fraction: float | None = key(
        _fraction(" (random packing)", 0.03),
        "Volume fraction of whole particles, core and shell; or one of the next two.",
        None,
    )
    core_volume_fraction: float | None = key(
        _fraction("", 0.02), "Volume fraction of the cores alone.", None
    )
    fluid_saturation: float | None = key(
        Quantity("field", 1e-6, 1.0, "5 mT"),
        "Saturation mu0 M of the whole fluid, as suppliers state it.",
        None,
    )
    size_table: tuple[tuple[float, float], ...] = ()
    small_core_diameter: float | None = None

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
