"""What both packages count by: rest, a patch that is wide enough, bonds, light.

Defaults of the parameter file hold for files of other origin too.
"""

from __future__ import annotations

SETTLING_LIVES = 10.0
"""Bond lives of the largest tenth that a film needs to forget how it began."""
SPACINGS_WANTED, LENGTHS_WANTED = 20.0, 5.0
"""Chain spacings that a patch should hold across the field, and mean lengths along it."""
BOND_DISTANCE, BOND_ALIGNMENT = 1.3, 0.5
"""Largest bond in mean diameters, and least product of its two cosines, where nobody says."""
WAVELENGTHS = (532e-9, 633e-9)
"""Vacuum wavelengths in m, where nobody says."""
CARRIER_INDEX, SHELL_INDEX, OUTER_INDEX = 1.43, 1.45, 1.0
"""A light oil, oleic acid (both from memory) and air."""
MATRIX_INDEX = 1.59
"""Polystyrene (from memory) between the cores of a bead."""
NUMERICAL_APERTURE = 0.9
NO_CHAINS, IN_PLANE, STANDING = 0, 1, 2
"""What chains do at a place of a cell; values of the column ``state``."""
