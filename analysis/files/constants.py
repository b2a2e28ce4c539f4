"""The two constants of nature that the measurements need, the same numbers as in the engine.

``MU0`` is exactly ``4e-7 pi``; the value recommended since 2019 differs by 1.3e-10 of it.
"""

from __future__ import annotations

import math

BOLTZMANN = 1.380649e-23
"""Boltzmann constant in J/K (exact since 2019)."""

MU0 = 4e-7 * math.pi
"""Magnetic constant in T m/A."""
