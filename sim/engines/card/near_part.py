"""The near part of the flow on a card: the arrays that it works on, its noise, and the step."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from sim.engines.card.kept import keep_kernels, kernels_of
from sim.engines.card.recordings import Recordings
from sim.interactions.flow.krylov import MOST_PRODUCTS, TINY, Weights
from sim.interactions.flow.near import FLOW_TOLERANCE, LEAST_SHARE, near_tables, steps_held
from sim.kernels.card import near_flow
from sim.kernels.card.layout import MOVE, Shared
from sim.kernels.flow.layout import LANES

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from sim.engines.card.film import CardFilm
    from sim.interactions.flow.smooth import SmoothTables
    from sim.kernels.card import layout

__all__ = ["NearPart"]

FIRST_PRODUCTS = 5
"""Asked for at once in the first search for noise; later on as many as the last one took."""
ROWS = 64
"""Slots whose numbers are added up before those of all."""
keep_kernels(near_flow)


class NearPart:
    """Moves the slots of a film by the near part of the flow.

    Its noise is found from products with several vectors (`sim.interactions.flow.krylov`). They are
    made on the card with all that follows from each; this machine looks at their lengths when as
    many are made as the search before took, and chooses those that count.

    Parameters
    ----------
    films : sim.engines.card.film.CardFilm
        One film, with a plan of the flow.
    tables : SmoothTables
    held : array of the card, (1, 7, N)
        Where force and field of pairs and mesh are summed.
    sum_pairs : callable
        Sums them there, if that is not done before a step.

    Attributes
    ----------
    products : int
        Made so far, of those that counted.
    recordings : Recordings
        Of the parts of a search for noise.
    """

    def __init__(
        self,
        films: CardFilm,
        tables: SmoothTables,
        held: Any,
        sum_pairs: Callable[[layout.CardFilm], None],
    ) -> None:
        self._films, self._queue, self._sum_pairs = films, films.queue, sum_pairs
        self._kernels = kernels_of(near_flow.near_kernels, films.choice)
        self.recordings = Recordings(films.queue)
        self._hold = steps_held(films.system.flow_every)
        self.products, self._usual = 0, FIRST_PRODUCTS
        self._arrays = self._of_slots(tables, held)
        queue, shape = self._queue, self._arrays["vector"].shape[1:]
        self._basis = [queue.zeros(shape, np.float64)]
        self._factors = queue.view(queue.zeros((shape[0], 3, 1), np.float64))
        # length of the vectors, then what each product tells: see `Weights`
        self._told = queue.zeros((1 + 2 * MOST_PRODUCTS, LANES), np.float64)
        self._weights = queue.zeros((MOST_PRODUCTS, LANES), np.float64)
        self._lanes = queue.zeros((LANES,), np.float64)
        self._steps = 0  # of which noise is asked for

    def _of_slots(self, tables: SmoothTables, held: Any) -> dict[str, Any]:
        """Lay out what kernels work on."""
        queue, system, plan = self._queue, self._films.system, tables.plan
        count, made = system.count, near_tables(tables.plan, tables.own)
        rows = -(-count // ROWS) * ROWS

        def zeros(*shape: int) -> Any:
            return queue.zeros((1, *shape), np.float64)

        return {
            "held": held,
            "z": zeros(count),
            "radius": zeros(count),
            "mobility": zeros(count),
            "radii": queue.put(system.radius[None]),
            "mobilities": queue.put(system.mobility[None]),
            "share": zeros(2, count),
            "tilt": zeros(2, count),
            "drift": zeros(3, count),
            "pushed": zeros(3, count),
            "carried": zeros(self._films.choice.shares, 3, count),
            "vector": zeros(rows, 3, LANES),
            "product": zeros(rows, 3, LANES),
            "noise": zeros(LANES, count, 3),
            "begun": queue.zeros((1,), np.uint64),
            "table": Shared(queue.put(made.pair)),
            "smooth": Shared(queue.put(made.smooth)),
            "points_per_length": made.points_per_length,
            "heights_per_length": made.heights_per_length,
            "thickness": plan.thickness,
            "reach2": plan.reach**2,
            "own": made.own,
            "least": LEAST_SHARE,
            "drift_time": system.noise**2 * system.dt,
        }

    def _near_of(self, content: layout.CardFilm) -> near_flow.CardNearFlow:
        return near_flow.CardNearFlow(film=content, **self._arrays)

    def compile(self, idle: layout.CardFilm) -> None:
        """Compile what noise needs, on films without a slot."""
        kernels, near = self._kernels, self._near_of(idle)
        for one in (near_flow.factors, kernels.drifts, near_flow.draw, kernels.multiply):
            self._queue.run(one, 1, near)

    def ask_for_step(self, content: layout.CardFilm) -> None:
        """Ask for the kernels of a step, all but its end."""
        near, slots, films = self._near_of(content), content.count or 1, self._films
        self._sum_pairs(content)
        self._queue.run(self._kernels.turn, slots, near)
        self._queue.run(self._kernels.push, films.lists_in(content), near)
        self._queue.run(self._kernels.travel, slots, near)

    def _ask(self, name: str, work: Callable[[], None]) -> None:
        self.recordings.ask(name, self._films.content, work)

    def find(self, at: int) -> None:
        """Find factors and drift of the slots as they are listed, and noise up to the next list.

        Parameters
        ----------
        at : int
            Step from which on noise is found.

        Raises
        ------
        UnsettledFlowError
            If the noise cannot be found.
        """
        queue, steps = self._queue, self._hold - at % self._hold
        if steps != self._steps:
            queue.set(self._lanes, np.arange(LANES) < steps)
            self._steps = steps
        self._ask("begin", self._begin)
        weights, lengths = self._weigh()
        self._usual = kept = weights.made
        self.products += kept
        scale = self._films.system.noise * lengths
        queue.set(self._weights, weights.values.T * scale, slice(kept))
        self._ask(f"combine {kept}", partial(self._combine, kept))

    def _begin(self) -> None:
        """Find factors and drift, draw normals, and make the first vectors of the basis of them."""
        queue, near = self._queue, self._near_of(self._films.content)
        count, numbers = self._films.system.count, queue.numbers
        queue.run(near_flow.factors, count, near)
        queue.run(self._kernels.drifts, count, near)
        queue.run(near_flow.draw, count * LANES, near)
        told, factors, share = queue.view(self._told), self._factors, queue.view(near.share)[0]
        with queue.whole():
            queue.view(near.begun)[...] = queue.view(near.film.clock)[:, MOVE]
            factors[:count, :2, 0] = share[0][:, None]
            factors[:count, 2, 0] = share[1]
            drawn = queue.view(near.vector)[0] * queue.view(self._lanes)
            self._add_up(drawn * drawn, told[0])
            numbers.sqrt(told[0], out=told[0])
            self._of_basis(0)[...] = drawn / numbers.maximum(told[0], TINY)

    def _add_up(self, numbers: Any, total: Any) -> None:
        """Write the sum over all slots and axes of each vector, in an order of its own."""
        numbers.reshape(-1, 3 * ROWS, LANES).sum(axis=1).sum(axis=0, out=total)

    def _of_basis(self, k: int) -> Any:
        return self._queue.view(self._basis[k])

    def _make_room(self, vectors: int) -> None:
        """Have memory for so many vectors of the basis."""
        while len(self._basis) < vectors:
            self._basis.append(self._queue.zeros(self._arrays["vector"].shape[1:], np.float64))

    def _weigh(self) -> tuple[Weights, NDArray[np.float64]]:
        """Make products until noise can be told; return their weights, and lengths of normals."""
        asked, wanted, weights = 0, self._usual, None
        while True:
            self._make_room(wanted + 1)
            for k in range(asked, wanted):
                self._ask(f"product {k}", partial(self._multiply, k))
            told = self._queue.get(self._told)
            if weights is None:
                size = 3 * self._films.system.count
                weights = Weights(told[0], size, np.sqrt, FLOW_TOLERANCE)
            for k in range(asked, wanted):
                if weights.take(told[1 + 2 * k], told[2 + 2 * k]):
                    return weights, told[0]
            asked, wanted = wanted, min(wanted + 1, MOST_PRODUCTS)

    def _multiply(self, k: int) -> None:
        """Make a product with the vectors k of the basis, and the next ones of it."""
        queue, near = self._queue, self._near_of(self._films.content)
        numbers, newest, following = queue.numbers, self._of_basis(k), self._of_basis(k + 1)
        diagonal, step = queue.view(self._told)[1 + 2 * k : 3 + 2 * k]
        with queue.whole():
            numbers.multiply(newest, self._factors, out=queue.view(near.vector)[0])
        queue.run(self._kernels.multiply, self._films.system.count * LANES, near)
        with queue.whole():
            product = queue.view(near.product)[0]
            if k > 0:
                product -= queue.view(self._told)[2 * k] * self._of_basis(k - 1)
            self._add_up(newest * product, diagonal)
            numbers.multiply(diagonal, newest, out=following)
            numbers.subtract(product, following, out=following)
            self._add_up(following * following, step)
            numbers.sqrt(step, out=step)
            following /= numbers.maximum(step, TINY)

    def _combine(self, kept: int) -> None:
        """Make the noise of the vectors of the basis by their weights."""
        queue, count = self._queue, self._films.system.count
        weights, noise = queue.view(self._weights), queue.view(self._arrays["noise"])[0]
        with queue.whole():
            total = weights[0] * self._of_basis(0)
            for k in range(1, kept):
                total += weights[k] * self._of_basis(k)
            noise[...] = total[:count].transpose(2, 0, 1)
