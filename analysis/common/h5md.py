"""Names that H5MD 1.1 leaves to those who write a file, once for who writes and who reads them."""

from __future__ import annotations

GROUP = "film"
"""Group of the particles."""
DIAMETER, CORE_DIAMETER, MOMENT_SIZE = "diameter", "core_diameter", "moment_magnitude"
FIXED = (DIAMETER, CORE_DIAMETER, MOMENT_SIZE)
"""What does not change in time, below the group."""
WHOLE, ORIGIN = "whole", "origin"
"""Where frames hold a cut-out: the group of all particles, and the corner of the cut-out."""
