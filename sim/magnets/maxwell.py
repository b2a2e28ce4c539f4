"""What is wrong with a measured field though it is used: a cell beyond it, Maxwell's laws."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from analysis.common.arrays import Floats

if TYPE_CHECKING:
    from sim.parameters.types import CellParameters
from sim.magnets.measured import ROUNDING, MeasuredField

LARGEST_DEFECT = 0.05
"""Share of the gradient up to which div B and curl B of a measured field count as small; common
practice."""

_PLACES = 24
"""Places a side of the table at which they are looked at."""


class Defects(NamedTuple):
    """How far a measured field is from one in free space; root mean squares over the table.

    Attributes
    ----------
    divergence : float
        Of div B over the gradient; NaN for a scan of one plane, which does not tell it.
    curl : float
        Of curl B over the gradient; of a scan of one plane its part across the plane.
    gradient : float
        The gradient (root of the sum of squares of its parts) in T/m that both are compared with,
        at least the field over the longest side of the table, so that the noise of an even field
        does not count.
    """

    divergence: float
    curl: float
    gradient: float


def maxwell_defects(source: MeasuredField) -> Defects:
    """Compare div B and curl B of a measured field with its gradient.

    Both vanish where no current flows (Maxwell's equations; Jackson, section 5.3). They are those
    of the splines through the table.

    Parameters
    ----------
    source : MeasuredField
        The field of a table.

    Returns
    -------
    Defects
        Shares of the gradient, and the gradient in T/m.
    """
    axes = [np.linspace(low, high, _PLACES if low < high else 1) for low, high in source.ranges]
    places = np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 3)
    slope = source.gradient(places)
    extent = max(high - low for low, high in source.ranges)
    field = _mean(np.linalg.norm(source.field(places), axis=1))
    if not source.is_deep:
        size = max(_mean(np.linalg.norm(slope[:, :2, :2], axis=(1, 2))), field / extent)
        return Defects(np.nan, _mean(slope[:, 1, 0] - slope[:, 0, 1]) / max(size, 1e-30), size)
    size = max(_mean(np.linalg.norm(slope, axis=(1, 2))), field / extent, 1e-30)
    curl = np.stack([slope[:, a, b] - slope[:, b, a] for a, b in ((2, 1), (0, 2), (1, 0))], axis=1)
    divergence = _mean(np.trace(slope, axis1=1, axis2=2))
    return Defects(divergence / size, _mean(np.linalg.norm(curl, axis=1)) / size, size)


def measured_notices(label: str, source: MeasuredField, where: CellParameters) -> Iterator[str]:
    """Say where a measured field leaves the cell without one, and what breaks Maxwell's laws.

    Parameters
    ----------
    label : str
        How messages call the table.
    source : MeasuredField
        The field of a table, which covers the film at the patch.
    where : CellParameters
        The cell, sides in m.

    Yields
    ------
    str
        One sentence each.
    """
    beyond, spans = False, []
    for name, side, (low, high) in zip("xy", where.width, source.ranges, strict=False):
        slack = ROUNDING * (high - low)
        beyond |= low - slack > -0.5 * side or high + slack < 0.5 * side
        spans.append(f"{name} from {1e3 * low:.6g} to {1e3 * high:.6g} mm")
    if beyond:
        width, height = (f"{1e3 * side:.6g}" for side in where.width)
        yield (
            f"{label} file covers {' and '.join(spans)} and not the whole cell of {width} mm x "
            f"{height} mm: chainfilm map needs a smaller [cell] width or a larger table."
        )
    found = maxwell_defects(source)
    if max(np.nan_to_num(found.divergence), found.curl) > LARGEST_DEFECT:
        parts = [f"curl B of {100.0 * found.curl:.2g} %"]
        if source.is_deep:
            parts.insert(0, f"div B of {100.0 * found.divergence:.2g} %")
        yield (
            f"{label} file has a {' and a '.join(parts)} of its gradient ({found.gradient:.3g} "
            f"T/m; root mean squares), more than {100.0 * LARGEST_DEFECT:g} % (common practice), "
            "where both vanish in free space (Maxwell): look for exchanged axes or signs, wrong "
            "places or noise; the pull on particles is no better than that."
        )


def _mean(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2)))
