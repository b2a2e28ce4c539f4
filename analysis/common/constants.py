"""Physical constants, in SI, and a number, the same in the whole package."""

from __future__ import annotations

import math

BOLTZMANN = 1.380649e-23
"""Boltzmann constant in J/K (exact in the SI since 2019)."""

MU0 = 4e-7 * math.pi
"""Vacuum permeability in T m/A, the value 4 pi 1e-7 in the whole project (CODATA: +1.3e-10)."""

ELEMENTARY = 1.602176634e-19
"""Elementary charge in C (exact in the SI since 2019)."""

ZETA3 = 1.2020569031595943
"""zeta(3), the sum of 1/k^3: over the members of an endless chain to one side of a particle."""
