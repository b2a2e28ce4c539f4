"""Types of arrays and vectors, by the names that both packages give them."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = NDArray[np.float64]
Integers: TypeAlias = NDArray[np.int64]
Vector: TypeAlias = tuple[float, float, float]
