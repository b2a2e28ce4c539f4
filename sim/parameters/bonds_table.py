"""The table of the bond rule, by which chains are told from neighbours."""

from __future__ import annotations

from typing import Annotated

from sim.parameters.table import Table, default
from sim.parameters.values import Choice, Number, Quantity

__all__ = ["BondsTable"]


class BondsTable(Table):
    """When two particles count as bonded in a chain."""

    kind: Annotated[
        str,
        Choice(
            ("distance", "energy"),
            "Bonded by distance and alignment, or by the dipolar energy of the pair.",
        ),
    ] = default("distance")
    distance: Annotated[
        float,
        Number(1.0, 2.0, 1.3, "Largest distance in units of the mean diameter of the two."),
    ] = default(1.3)
    alignment: Annotated[
        float,
        Number(-1.0, 1.0, 0.5, "Least product of the two cosines between moment and pair axis."),
    ] = default(0.5)
    energy: Annotated[
        str,
        Quantity(
            "energy",
            -1000.0,
            -0.5,
            "-4 kT",
            'Largest dipolar energy of a bonded pair; "auto" is half that of the two touching '
            "head to tail, at least 1 kT below zero.",
            has_auto=True,
            keeps_text=True,
        ),
    ] = default("auto")
