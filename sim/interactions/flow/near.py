"""Near part of the flow: pairs in reach, summed directly, and the noise that goes with them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.interactions.flow.free import near_tensor, rotne_prager, smooth_self
from sim.interactions.flow.krylov import apply_function
from sim.kernels.flow import near
from sim.kernels.flow.layout import BLOCKS, FIRST, LANE, LANES, MovedSlots, NearFlow
from sim.kernels.vectors.calls import Packed

if TYPE_CHECKING:
    from sim.interactions.flow.plan import FlowPlan
    from sim.interactions.flow.smooth import OwnFlow
    from sim.kernels.vectors.calls import Kernel


Floats = NDArray[np.float64]

TABLE_POINTS = 2049  # one more is kept, so that the last distance lies between two
LEAST_SHARE = 0.02
"""Least share of its mobility far from windows that the near part of a particle keeps."""
FLOW_TOLERANCE = 3e-3
"""Of the noise of the near part, relative."""


def steps_held(every: int) -> int:
    """Return the steps from one list of the near part to the next, whole times ``every``.

    Parameters
    ----------
    every : int
        Steps from one move by the smooth part to the next.
    """
    return every * max(1, LANES // every)


class NearTables(NamedTuple):
    """What the near part of a film is made of, on any processor.

    Attributes
    ----------
    pair : float64 (TABLE_POINTS + 1, 2)
        A and B of near pairs by distance, up to the reach of the plan.
    points_per_length : float
    own : float
        The near part of a sphere's own mobility.
    smooth : float64 (HEIGHTS, 2)
        The smooth part of a particle's mobility by height, along and across the windows.
    heights_per_length : float
    """

    pair: Floats
    points_per_length: float
    own: float
    smooth: Floats
    heights_per_length: float


def near_tables(plan: FlowPlan, own: OwnFlow) -> NearTables:
    """Return the tables of a plan, from what the smooth part gives a particle by itself."""
    step = plan.reach / (TABLE_POINTS - 1)
    distance = step * np.arange(TABLE_POINTS + 1, dtype=np.float64)
    pair = np.ascontiguousarray(np.stack(near_tensor(distance, plan.radius, plan.width), axis=1))
    whole = float(rotne_prager(np.zeros(1), plan.radius)[0][0])
    smooth = np.ascontiguousarray(np.stack([own.along, own.across], axis=1))
    return NearTables(
        pair=pair,
        points_per_length=(TABLE_POINTS - 1) / plan.reach,
        own=whole - smooth_self(plan.radius, plan.width),
        smooth=smooth,
        heights_per_length=(len(smooth) - 1) / plan.thickness,
    )


class NearFlowSum:
    """The near part of the mobility over the mobilities far from windows, of the listed places.

    Parameters
    ----------
    plan : FlowPlan
    own : OwnFlow
        What the smooth part gives a particle by itself.
    drift_time : float
        For how long kT div M acts in a step: the step, or 0 without noise.
    tolerance : float
        Of the noise.

    Attributes
    ----------
    products : int
        Made so far, each with `LANES` vectors.
    """

    def __init__(self, plan: FlowPlan, own: OwnFlow, drift_time: float, tolerance: float) -> None:
        self.plan = plan
        self.tolerance = tolerance
        self.products = 0
        self._drift_time = drift_time
        self._tables = near_tables(plan, own)
        self._film: Any = None
        self._made_of: tuple[Any, ...] = ()

    @property
    def drift(self) -> Floats:
        """Return div M, (3, count), of the listed places."""
        found: Floats = self._film.content.drift
        return found[:, : self._film.content.count]

    def see(self, slots: Any, neighbours: Any, force: Floats, count: int) -> None:
        """List the near pairs where the slots were listed.

        Parameters
        ----------
        slots : Slots
            Of the step.
        neighbours : Neighbours
            A full list that reaches as far as the near part.
        force : float64 (3, >= count)
            Where the forces of a step will be.
        count : int
            Particles.
        """
        made_of = (slots.x, neighbours.entries, force)
        if len(self._made_of) != len(made_of) or any(
            a is not b for a, b in zip(made_of, self._made_of, strict=True)
        ):
            self._make_film(slots, neighbours, force, count)
            self._made_of = made_of
        self._run(near.factors_part)
        self._run(near.list_part)
        share, count = self._film.content.share, self._film.content.count
        self._factors = np.ascontiguousarray(share[[0, 0, 1], :count].T[:, :, None])

    def _run(self, one: Kernel) -> None:
        self._film.run(BLOCKS, one)

    def _make_film(self, slots: Any, neighbours: Any, force: Floats, count: int) -> None:
        size, entries, plan = slots.x.size, neighbours.entries.size, self.plan
        made = self._tables
        self._film = Packed(
            NearFlow(
                count=count,
                x=slots.reference_x, y=slots.reference_y, z=slots.reference_z,
                radius=slots.radius, mobility=slots.mobility, kick=slots.kick,
                identity=slots.identity,
                neighbours=neighbours,
                side_x=plan.sides[0], side_y=plan.sides[1], thickness=plan.thickness,
                reach2=plan.reach**2, table=made.pair,
                points_per_length=made.points_per_length,
                own=made.own, least=LEAST_SHARE,
                smooth=made.smooth,
                heights_per_length=made.heights_per_length,
                share=np.zeros((2, size)),
                tilt=np.zeros((2, size)),
                drift=np.zeros((3, size)),
                pairs=np.zeros(size, np.int64),
                other=np.zeros(entries, np.int32),
                tensor=np.zeros((entries, 5), np.float32),
                vector=np.zeros((count, 3, LANES)),
                product=np.zeros((count, 3, LANES)),
                pushed=np.zeros((count, 3)),
                moved=MovedSlots(slots.x, slots.y, slots.z, slots.momentum, force),
                noise=np.zeros((LANES, size, 3)),
                clock=np.zeros(3, np.uint64),
                drift_time=self._drift_time,
            )
        )  # fmt: skip

    def multiply(self, vectors: Floats) -> Floats:
        """Return the near part times vectors, (LANES, 3 count), x, y, z of each in turn."""
        content = self._film.content
        by_particle = vectors.reshape(LANES, content.count, 3).transpose(1, 2, 0)
        np.multiply(by_particle, self._factors, out=content.vector)
        self._run(near.product_part)
        self.products += 1
        return np.ascontiguousarray(content.product.transpose(2, 0, 1)).reshape(vectors.shape)

    def noise(self, normals: Floats) -> Floats:
        """Return the root of the near part times normals, (LANES, 3 count)."""
        found, _ = apply_function(self.multiply, normals, np.sqrt, self.tolerance)
        return found

    def draw(self, at: int, seed: int, lanes: int, size: float) -> None:
        """Find the noise of the steps from one on.

        Parameters
        ----------
        at : int
            The first of them.
        seed : int
        lanes : int
            How many steps, `LANES` at most.
        size : float
            Factor on the noise.
        """
        content = self._film.content
        content.clock[:] = seed, at, 0
        self._run(near.draw_part)
        noise, count = content.noise, content.count
        noise[lanes:] = 0.0
        found = size * self.noise(noise[:, :count].reshape(LANES, 3 * count))
        noise[:, :count] = found.reshape(LANES, count, 3)

    def move(self, at: int) -> None:
        """Move the slots by the near flow of a step for which noise is at hand."""
        clock = self._film.content.clock
        clock[LANE] = np.uint64(at) - clock[FIRST]
        self._run(near.push_part)
        self._run(near.move_part)
