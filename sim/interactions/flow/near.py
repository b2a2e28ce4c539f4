"""Near part of the flow: pairs in reach, summed directly, and functions of what they make."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sim.interactions.flow.free import near_tensor, rotne_prager, smooth_self
from sim.interactions.flow.krylov import apply_functions

if TYPE_CHECKING:
    from sim.interactions.flow.plan import FlowPlan
    from sim.interactions.flow.smooth import OwnFlow


Floats = NDArray[np.float64]

TABLE_POINTS = 2049  # one more is kept, so that the last distance lies between two
VECTORS = 2
"""Multiplied at once: momenta and noise."""
LEAST_SHARE = 0.02
"""Least share of its mobility far from windows that the near part of a particle keeps."""


class NearFlowSum:
    """The near part of the mobility over the mobilities far from windows, and its functions.

    Parameters
    ----------
    plan : FlowPlan
    own : OwnFlow
        What the smooth part gives a particle by itself.
    tolerance : float
        Of functions of the near part.
    """

    def __init__(self, plan: FlowPlan, own: OwnFlow, tolerance: float) -> None:
        self.plan = plan
        self.tolerance = tolerance
        self.products = 0
        step = plan.reach / (TABLE_POINTS - 1)
        distance = step * np.arange(TABLE_POINTS + 1, dtype=np.float64)
        self._table = np.ascontiguousarray(
            np.stack(near_tensor(distance, plan.radius, plan.width), axis=1)
        )
        whole = float(rotne_prager(np.zeros(1), plan.radius)[0][0])
        self._own = whole - smooth_self(plan.radius, plan.width)
        self._smooth = np.ascontiguousarray(np.stack([own.along, own.across], axis=1))
        self._film: Any = None
        self._made_of: tuple[Any, ...] = ()

    def see(self, slots: Any, neighbours: Any, count: int) -> None:
        """List the near pairs where the slots are now.

        Parameters
        ----------
        slots : Slots
            Of the step, with x, y, z, radius, mobility.
        neighbours : Neighbours
            A full list that reaches as far as the near part.
        count : int
            Particles.
        """
        from sim.kernels.flow import near
        from sim.kernels.flow.layout import BLOCKS

        made_of = (slots.x, neighbours.entries)
        if len(self._made_of) != 2 or any(
            a is not b for a, b in zip(made_of, self._made_of, strict=True)
        ):
            self._make_film(slots, neighbours, count)
            self._made_of = made_of
        self._film.run(BLOCKS, near.factors_part, near.list_part)

    def _make_film(self, slots: Any, neighbours: Any, count: int) -> None:
        from sim.kernels.flow import near
        from sim.kernels.flow.layout import NearFlow
        from sim.kernels.vectors.calls import Packed

        size, entries, plan = slots.x.size, neighbours.entries.size, self.plan
        self._film = Packed(
            NearFlow(
                count=count,
                x=slots.x, y=slots.y, z=slots.z, radius=slots.radius, mobility=slots.mobility,
                neighbours=neighbours,
                side_x=plan.sides[0], side_y=plan.sides[1], thickness=plan.thickness,
                reach2=plan.reach**2, table=self._table,
                points_per_length=(TABLE_POINTS - 1) / plan.reach,
                own=self._own, least=LEAST_SHARE,
                smooth=self._smooth,
                heights_per_length=(len(self._smooth) - 1) / plan.thickness,
                share=np.zeros((2, size)),
                diagonal=np.zeros((2, size)),
                pairs=np.zeros(size, np.int64),
                other=np.zeros(entries, np.int32),
                tensor=np.zeros((entries, 5), np.float32),
                vector=np.zeros((VECTORS, 3, count)),
                product=np.zeros((VECTORS, 3, count)),
            )
        )  # fmt: skip
        self._product = self._film.addresses(near.product_part)

    def multiply(self, vectors: Floats) -> Floats:
        """Return the near part times two vectors, (2, 3, count), in an array that is used again."""
        from sim.kernels.flow.layout import BLOCKS
        from sim.kernels.vectors.calls import on_blocks

        content = self._film.content
        content.vector[:] = vectors
        on_blocks(self._product, BLOCKS, self._film.address)
        self.products += 1
        product: Floats = content.product
        return product

    def friction(self, momentum: Floats, noise: Floats) -> Floats:
        """Return momenta after the friction and noise of a step.

        Parameters
        ----------
        momentum, noise : float64 (3, count)
            Momenta in thermal units; standard normals.

        Notes
        -----
        K p + (1 - K^2)^(1/2) noise with K = (M - 1)/(M + 1): see ``kernels.flow.motion``.
        """
        shape = (VECTORS, *momentum.shape)
        found, _ = apply_functions(
            lambda both: self.multiply(both.reshape(shape)).reshape(VECTORS, -1),
            np.stack([momentum.ravel(), noise.ravel()]),
            (lambda m: (m - 1.0) / (m + 1.0), lambda m: 2.0 * np.sqrt(m) / (m + 1.0)),
            self.tolerance,
        )
        return np.asarray(found.sum(axis=0).reshape(momentum.shape))
