"""Published refractive indices of the cores by name: what [optics] core_table may choose.

Published k of magnetite in the visible differ several fold: films of natural or partly oxidised
samples absorb least. A polished face of magnetite reflects about 20 % of green and red light (as
ore microscopists tabulate, from memory), which by Fresnel's law asks for k near 0.6 beside n =
2.42; the table of Querry gives 16 %.
"""

from __future__ import annotations

from dataclasses import dataclass

AUTO = "auto"
"""The name that stands for the table of the material of the cores."""


@dataclass(frozen=True)
class CoreTable:
    """Index n + ik of a material against the wavelength.

    Attributes
    ----------
    material : str
        What it is the index of.
    lines : tuple of (float, float, float)
        Vacuum wavelength in um, n, k, rising; straight lines between.
    source : str
        Where it comes from, and how far it is to be trusted.
    """

    material: str
    lines: tuple[tuple[float, float, float], ...]
    source: str

    @property
    def ends_nm(self) -> tuple[float, float]:
        """Least and largest wavelength in nm."""
        return 1e3 * self.lines[0][0], 1e3 * self.lines[-1][0]


_QUERRY = (
    (0.40, 2.462, 0.062), (0.42, 2.440, 0.034), (0.44, 2.404, 0.026), (0.46, 2.374, 0.042),
    (0.48, 2.365, 0.063), (0.50, 2.359, 0.071), (0.52, 2.349, 0.083), (0.53, 2.346, 0.091),
    (0.54, 2.344, 0.099), (0.56, 2.342, 0.112), (0.58, 2.342, 0.125), (0.60, 2.346, 0.136),
    (0.62, 2.353, 0.144), (0.63, 2.358, 0.148), (0.64, 2.366, 0.145), (0.66, 2.363, 0.137),
    (0.68, 2.362, 0.131), (0.70, 2.355, 0.124), (0.75, 2.320, 0.118), (0.80, 2.279, 0.134),
    (0.85, 2.236, 0.155), (0.90, 2.196, 0.189), (1.00, 2.130, 0.292), (1.10, 2.106, 0.413),
    (1.20, 2.106, 0.542), (1.30, 2.143, 0.647), (1.40, 2.186, 0.747), (1.55, 2.278, 0.867),
)  # fmt: skip

CORE_TABLES = {
    "magnetite-querry": CoreTable(
        "magnetite",
        _QUERRY,
        "magnetite, Querry (1985), between the lines of its table; other published k of magnetite "
        "in the visible are several times larger (from memory), so choose core_table or give "
        "core_index where absorption matters",
        # M. R. Querry, Optical constants, report CRDC-CR-85034 (1985), looked up in the tables of
        # the public-domain refractive-index database (Fe3O4, Querry).
    ),
    "magnetite-huffman": CoreTable(
        "magnetite",
        ((0.40, 2.58, 0.58), (0.70, 2.58, 0.58)),
        "magnetite, one value for the visible after Huffman and Stapp (1973) as quoted for 550 nm "
        "in work on aerosols (from memory)",
    ),
    "magnetite-reflectance": CoreTable(
        "magnetite",
        ((0.47, 2.42, 0.63), (0.65, 2.42, 0.63)),
        "magnetite, k from a reflectance of 20 % of polished faces and n = 2.42 by Fresnel's law; "
        "both from handbooks of minerals (from memory)",
    ),
    "maghemite-rough": CoreTable(
        "maghemite",
        (
            (0.40, 2.70, 0.45), (0.45, 2.68, 0.28), (0.50, 2.65, 0.15), (0.532, 2.62, 0.10),
            (0.58, 2.58, 0.07), (0.633, 2.55, 0.05), (0.70, 2.52, 0.025),
        ),
        "maghemite, n between the 2.52 and 2.74 of handbooks, k within a factor of two from the "
        "absorption of thin films (from memory): give core_index where it matters",
    ),
}  # fmt: skip
"""Every table by its name."""

OF_MATERIAL = {"magnetite": "magnetite-querry", "maghemite": "maghemite-rough"}
"""Table that ``auto`` stands for, by material of the cores; other materials have none."""
