"""Keys of [particles] for beads that hold many small cores."""

from __future__ import annotations

from typing import Annotated

from sim.parameters.table import Table
from sim.parameters.values import Number, Quantity

__all__ = ["CLOSE_PACKING", "BeadKeys"]

CLOSE_PACKING = 0.74
"""Volume fraction of the densest packing of equal spheres."""


class BeadKeys(Table):
    """What only beads have (moment = "multicore")."""

    bead_diameter: Annotated[
        float | None,
        Quantity(
            "length",
            10e-9,
            10e-6,
            "100 nm",
            "Median diameter of beads with many small cores, without the shell; size_spread and "
            'size_basis are those of the beads. For moment = "multicore".',
        ),
    ] = None
    magnetic_share: Annotated[
        float | None,
        Number(
            1e-4,
            CLOSE_PACKING,
            0.2,
            'Share of a bead\'s volume that its cores fill. For moment = "multicore".',
            note=" (close packing)",
        ),
    ] = None
