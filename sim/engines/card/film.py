"""Films of a batch in the memory of a card, and what kernels do with them there."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from sim.engines import cpu_arrays
from sim.engines.card.arrays import (
    MOST_NEAR_SHARES,
    SPAN,
    content_of,
    entries_of,
    near_of,
    patch_of,
    periods_of,
    placed_of,
    quick_of,
    room_for,
    rows_of,
    total_of,
)
from sim.engines.card.kept import keep_kernels, kernels_of
from sim.engines.card.memory import first_room, growth_of
from sim.engines.card.recordings import Recordings
from sim.kernels.card import energies, layout, listing, sorting, steps
from sim.kernels.card.pairs import Choice
from sim.kernels.card.tools import BLOCK

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from sim.engines.card.arrays import Placed
    from sim.film.reduced_system import ReducedSystem
    from sim.film.state import FilmState

__all__ = ["CardFilm", "choice_of", "lists_in_step"]

MOST_SHARES = 4
MOST_IN_STEP = 3.0
"""Candidates of a warp over those of a slot up to which its threads look at all of them."""
MOST_ROUNDS = 8
"""Steps in one recording, a power of 2."""
ENOUGH_THREADS = 160_000
"""Threads that keep a card busy."""


def choice_of(system: ReducedSystem) -> Choice:
    """Return what kernels of a film are compiled for."""
    split = system.inner_steps > 1
    is_shared = split or system.induced or system.flow is not None
    shares = shares_of(system.count) if is_shared else 1
    return Choice(
        real=system.precision,
        surfactant=not system.repulsion.is_soft,
        laws=system.added.last_acting,
        cutoff=system.mesh is None,
        body=system.has_body_forces,
        momenta=system.has_momenta,
        hindered=system.hindered,
        shares=shares,
        induced=system.induced,
        near_shares=min(shares, MOST_NEAR_SHARES) if split else 1,
    )


def shares_of(count: int) -> int:
    """Return how many threads share the neighbours of a slot in a film of so many."""
    shares = 1
    while shares < MOST_SHARES and count * shares < ENOUGH_THREADS:
        shares *= 2
    return shares


def lists_in_step(system: ReducedSystem, shares: int) -> bool:
    """Say whether a film's neighbours are listed by threads in step (`listing.list_kernel`).

    Where several share a slot, and the candidates of a warp are few times those of a slot: not in
    high, dilute films. One thread a slot was slower in step, and lists by itself.
    """
    patch = patch_of(system)
    around = 2 * SPAN + 1
    a_column = system.count / (patch.cells_x * patch.cells_y)
    columns = min(patch.cells_x, around + layout.WARP / shares / a_column)
    alone = min(patch.cells_x, around) * min(1.0, around / patch.cells_z)
    return bool(shares > 1 and columns < MOST_IN_STEP * alone)


keep_kernels(sorting, steps)


class CardFilm:
    """Arrays of the films of a batch on a card, and the kernels that work on all of them at once.

    Parameters
    ----------
    systems : sequence of ReducedSystem
        Of one kind (`sim.engines.card.kinds`).
    queue : sim.kernels.card.tools.Queue
    tables : pair of arrays, optional
        What a mesh leaves to the pairs, in the precision of the pairs and in float64.
    passing : mapping, optional
        Arrays that share memory with those of a mesh.

    Attributes
    ----------
    content : layout.CardFilm
        All arrays, and numbers in double precision; a longer list replaces its entries.
    quick : layout.CardFilm
        The same with numbers of the rows' float type, which lists and pairs take.
    choice : Choice
        What its kernels are compiled for.
    stir : callable or None
        What asks for a step where the flow of others carries the particles.
    recorded : dict
        Steps recorded for this content, by name.
    seen : int64 (films, FLAGS)
        The flags as this machine has last seen them.
    """

    def __init__(
        self,
        systems: Sequence[ReducedSystem],
        queue: Any,
        tables: tuple[NDArray[Any], NDArray[Any]] | None = None,
        passing: Mapping[str, Any] | None = None,
    ) -> None:
        self.systems = systems
        self.system = system = systems[0]
        self.queue = queue
        self.periods = periods_of(system)
        self.recorded: dict[str, Callable[[], None]] = {}
        self._fills = Recordings(queue)
        self.seen = np.zeros((len(systems), layout.FLAGS), np.int64)
        self.choice = choice = choice_of(system)
        self.stir: Callable[[layout.CardFilm], None] | None = None
        pair_table, table = tables or (None, None)
        self.kernels = kernels_of(steps.step_kernels, choice, pair_table)
        in_step = lists_in_step(system, choice.shares)
        self._list_pairs = kernels_of(listing.list_kernel, system.precision, choice.shares, in_step)
        self._lists = system.count * choice.shares
        self._sum_energies = kernels_of(energies.energy_kernel, choice, table)
        self._take(
            content_of(
                systems, queue, choice.shares, room_for(first_room(system) / choice.shares), passing
            )
        )

    def _take(self, content: layout.CardFilm) -> None:
        """Take arrays and numbers for those in use."""
        self.content = content
        self.quick = quick_of(content)

    def fill(self, film: int, state: FilmState, placed: Placed | None = None) -> None:
        """Write the state that a film starts from, row i in slot i; its list is due.

        One whose particles are nowhere yet is halted until it is restored.
        """
        system, queue, content = self.systems[film], self.queue, self.content
        if not state.is_placed:
            halted = np.zeros(layout.FLAGS, np.int64)
            halted[layout.STATUS] = layout.HALTED
            queue.set(content.flags, halted, film)
            return
        placed = placed or placed_of(system, state)
        for name in placed._fields:
            queue.set_halves(getattr(content, name), getattr(placed, name), film)
        total = total_of(system, state) * content.back_volume
        self.set_magnetisation(film, total, state.step * system.inner_steps)
        self.set_clock(film, state.step, state.seed)
        flags = np.zeros(layout.FLAGS, np.int64)
        flags[layout.STATUS] = layout.LIST_DUE
        flags[layout.MADE] = state.step * system.inner_steps
        queue.set(content.flags, flags, film)
        if system.has_momenta:
            self._start_momenta(film, state)

    def set_clock(self, film: int, step: int, seed: int) -> None:
        """Set the step that the noise of a film counts from."""
        clock = cpu_arrays.clock_of(self.systems[film], step, seed)
        self.queue.set(self.content.clock, clock, film)

    def _start_momenta(self, film: int, state: FilmState) -> None:
        """Give the particles of a film the momenta of a state, else those of equilibrium."""
        system, queue, momentum = self.systems[film], self.queue, self.content.momentum
        self.set_flag(layout.CHOSEN, np.arange(len(self.systems)) == film)
        self.run(steps.draw_momenta)
        found = queue.get(momentum, film)
        for rows, given, rate in (
            (slice(0, 3), state.velocities, system.thermal_velocity),
            (slice(3, 6), state.spins, system.thermal_spin),
        ):
            if given is not None and rate is not None:
                found[:, rows] = (given / rate[:, None]).T
        queue.set(momentum, found, film)

    def magnetisation(self, film: int) -> NDArray[np.float64]:
        """Return the moment per volume of a film, (3,)."""
        queue, content = self.queue, self.content
        if self.system.induced:
            return np.asarray(queue.get(content.magnetisation, film))
        at = int(queue.get(content.clock, film)[layout.MOVE]) % layout.MOMENT_SUMS * 3
        unit = float(queue.get(content.moment_unit)[film]) * content.back_volume
        return np.asarray(queue.get(content.moments, film)[at : at + 3] * unit)

    def set_magnetisation(self, film: int, total: NDArray[np.float64], move: int) -> None:
        """Write the moment per volume of a film before a move."""
        queue, content = self.queue, self.content
        unit = float(queue.get(content.moment_unit)[film]) * content.back_volume
        queue.set(content.magnetisation, total, film)
        sums = np.zeros((layout.MOMENT_SUMS, 3), np.int64)
        sums[move % layout.MOMENT_SUMS] = np.rint(total / unit)
        queue.set(content.moments, sums.ravel(), film)

    def write_rows(
        self, film: int, shares: NDArray[Any], directions: NDArray[Any], identity: NDArray[Any]
    ) -> None:
        """Write both buffers of a film's rows from places and directions, slot by slot."""
        rows = rows_of(self.systems[film], shares, directions, identity)
        self.queue.set_halves(self.content.rows, rows, film)

    def run(
        self, kernel: Any, threads: int | None = None, content: layout.CardFilm | None = None
    ) -> None:
        """Run a kernel in a thread a slot of each film, or so many, on these films or such."""
        content = content or self.quick
        self.queue.run(kernel, threads or content.count or 1, content)

    def flags(self) -> NDArray[np.int64]:
        """Return the flags, (films, FLAGS), once all that was asked for is done."""
        self.seen = self.queue.get(self.content.flags)
        return self.seen

    def ask_for_lists(self) -> None:
        """Ask for sorted slots and the list of their neighbours, in all films where it is due."""
        self.ask("list", self._fresh)

    @property
    def has_few_cells(self) -> bool:
        """Whether one block of threads counts through the cells of a film."""
        return bool(self.content.cell_fill[0].size <= sorting.FEW_CELLS)

    def _fresh(self) -> None:
        """Ask for the kernels of sort and list; the status tells where there is too little room."""
        if self.has_few_cells:
            self.run(sorting.count_and_start)
        else:
            chunks = self.content.chunk_sum[0].size
            self.run(sorting.count_cells)
            self.run(sorting.add_chunks, chunks)
            self.run(sorting.start_groups, BLOCK)
            self.run(sorting.start_cells, chunks)
        self.run(sorting.place_slots)
        self.run(sorting.gather_slots)
        self.run(self._list_pairs, self._lists)

    def list_again(self, films: NDArray[np.bool_]) -> None:
        """Have films whose slots are sorted list their neighbours again, as after a restart."""
        status = self.flags()[:, layout.STATUS]
        sorted_now = (status == layout.GO) | (status == layout.LIST_SHORT)
        status[films & sorted_now] = layout.LIST_AGAIN
        self.set_flag(layout.STATUS, status)

    def set_flag(self, flag: int, values: NDArray[Any]) -> None:
        """Write a flag of all films."""
        made = self.queue.put(np.asarray(values, np.int64))
        with self.queue.whole():
            self.queue.view(self.content.flags)[:, flag] = self.queue.view(made)

    def fill_flag(self, flag: int, value: int) -> None:
        """Write one value to a flag of all films; this machine does not wait for it."""

        def fill() -> None:
            with self.queue.whole():
                self.queue.view(self.content.flags)[:, flag] = value

        self._fills.ask(f"{flag} {value}", self.content, fill)

    def lengthen_lists(self) -> None:
        """Make room for what the lists of all films need; all of them list again.

        Nothing else may hold the old lists, so that the new ones can take their memory.
        """
        films, count = len(self.systems), self.content.count
        needed, closest = self.flags()[:, [layout.FULL, layout.CLOSEST]].max(axis=0).tolist()
        self.recorded.clear()
        for array, size, wanted, length_of, lists in (
            ("entries", "room", needed, entries_of, self._lists),
            ("near", "near_room", closest, near_of, count),
        ):
            if wanted <= getattr(self.content, size):
                continue
            room = room_for(growth_of(self.system) * wanted)
            for length in (1, length_of(room, lists)):  # the old one goes first
                made = self.queue.zeros((films, length), np.int32)
                self._take(self.content._replace(**{array: made, size: room}))
                self.queue.tidy()
        self.list_again(np.ones(films, bool))

    def ask(self, name: str, work: Callable[[], None]) -> None:
        """Repeat work that is recorded when it is first asked for."""
        if name not in self.recorded:
            self.recorded[name] = self.queue.record(work)
        self.recorded[name]()

    def ask_for_step(self) -> None:
        """Ask for one step; where the list is too old, or no step is left, it does nothing."""
        self.ask("step", self._step)

    def ask_for_rounds(self, rounds: int) -> None:
        """Ask for steps, and for lists where they are due; rounds too many do nothing.

        Many are asked for at once, as small films step faster than they can be asked for.
        """
        while rounds:
            some = min(1 << (rounds.bit_length() - 1), MOST_ROUNDS)
            self.ask(f"{some} rounds", partial(self._round, some))
            rounds -= some

    def _round(self, rounds: int) -> None:
        for _ in range(rounds):
            self._fresh()
            self._step()

    def _step(self, content: layout.CardFilm | None = None) -> None:
        """Ask for the kernels of one step."""
        kernels, inner = self.kernels, self.system.inner_steps
        content = content or self.content
        quick = quick_of(content)
        if self.stir is not None:
            self.stir(content)
        elif self.system.induced:
            self.run(kernels.settled, content=quick)
        elif inner == 1:
            self.run(kernels.plain, content=quick)
        else:
            self.run(kernels.far, self.lists_in(content), quick)
            near_threads = self.choice.near_shares * content.count
            for turn in range(inner):
                self.run(kernels.inner, near_threads, quick._replace(turn=turn))
        conclude = steps.conclude_settled if self.system.induced else steps.conclude_step
        self.run(conclude, BLOCK, content)

    def lists_in(self, content: layout.CardFilm) -> int:
        """Return the lists of a film, 1 where it has no slots."""
        return self._lists if content.count else 1

    def idle(self) -> layout.CardFilm:
        """Return these films without a slot, and halted: kernels compile and do nothing."""
        flags = np.zeros((len(self.systems), layout.FLAGS), np.int64)
        flags[:, layout.STATUS] = layout.HALTED
        return self.content._replace(flags=self.queue.put(flags), count=0)

    def apply_fields(self) -> None:
        """Write the fields of the moves of the next step, as the clocks stand."""
        self.run(steps.apply_fields, BLOCK, self.content)

    def compile(self) -> None:
        """Compile the kernels of steps, lists and energies; lists that are due are made."""
        idle = self.idle()
        self._step(idle)
        self._fresh()
        self.apply_fields()
        if self.system.has_momenta:
            self.run(steps.draw_momenta, 1, quick_of(idle))
        self.run(self._sum_energies, 1, idle)
        self.queue.wait()

    def sums(self) -> NDArray[np.float64]:
        """Return force and field of pairs and mesh, (films, 6, N), slot by slot."""
        if self.system.induced:  # those of the moments that were found
            return np.asarray(self.queue.get(self.content.held)[:, :6], np.float64)
        films, count = len(self.systems), self.content.count
        found = self.queue.zeros((films, 7, count), np.dtype(self.system.precision))
        self.hold_sums(self.content, found)
        return np.asarray(self.queue.get(found)[:, :6], np.float64)

    def hold_sums(self, content: layout.CardFilm, held: Any) -> None:
        """Ask for force and field of pairs and mesh in an array (films, 7, N)."""
        quick = quick_of(content)._replace(held=held)
        self.queue.run(self.kernels.sums, self.lists_in(content), quick)

    def energies(self) -> NDArray[np.float64]:
        """Return the energies of all films in kT in the present field, then their moments."""
        self.apply_fields()
        parts = self.content.energies.shape[1]
        self.run(self._sum_energies, parts, self.content)
        found = self.queue.get(self.content.energies)
        total = np.zeros((len(self.systems), energies.ALL_COLUMNS))
        for k in range(parts):
            total += found[:, k]
        return total
