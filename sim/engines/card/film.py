"""A film in the memory of a card, and what kernels do with it there."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from sim.engines import cpu_arrays
from sim.engines.card.memory import NEAR_ROOM, first_room
from sim.engines.cpu_film import GROWTH
from sim.film.reduce import DRIFT_CAP, DRIFT_LIMIT
from sim.kernels.card import energies, layout, sorting, steps
from sim.kernels.card.pairs import Choice
from sim.kernels.steps.step import FIELD_SIZE

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from sim.film.reduced_system import ReducedSystem
    from sim.film.state import FilmState

__all__ = ["CardFilm", "as_positions", "as_shares", "choice_of"]


def choice_of(system: ReducedSystem) -> Choice:
    """Return what kernels of a film are compiled for."""
    return Choice(
        real=system.precision,
        surfactant=not system.repulsion.is_soft,
        laws=system.added.last_acting,
        cutoff=system.mesh is None,
        body=system.has_body_forces,
    )


def periods_of(system: ReducedSystem) -> tuple[float, float, float]:
    """Return the periods that places are shares of."""
    return (*system.sides, cpu_arrays.patch_of(system).period_z)


def as_shares(positions: NDArray[Any], periods: tuple[float, ...], bits: int) -> NDArray[Any]:
    """Return positions as whole numbers, shares of the periods in units of 2^-bits."""
    part: NDArray[Any] = positions / np.array(periods)
    part -= np.rint(part)
    part = np.where(part < 0.5, part, np.nextafter(0.5, 0.0))
    return np.asarray(part * 2.0**bits, np.int32 if bits == 32 else np.int64)


def as_positions(shares: NDArray[Any], periods: tuple[float, ...]) -> NDArray[np.float64]:
    """Return the positions of whole numbers, x and y from 0 to the side."""
    bits = 8 * shares.itemsize
    positions = shares * (np.array(periods) * 2.0**-bits)
    for axis in range(2):
        positions[:, axis] += np.where(positions[:, axis] < 0.0, periods[axis], 0.0)
        positions[positions[:, axis] >= periods[axis], axis] = 0.0  # rounding
    return np.asarray(positions)


def _sizes(system: ReducedSystem) -> NDArray[np.float64]:
    """Return what follows from a particle's size, a row for each, one row where all are equal."""
    table = np.zeros((system.count, layout.SIZE_WORDS))
    dt = system.inner_dt
    for column, values in (
        (layout.MOMENT, system.moment),
        (layout.PACE, dt * system.mobility),
        (layout.KICK, system.noise * np.sqrt(2.0 * system.mobility * dt)),
        (layout.TURN, dt * system.turning * system.moment),
        (layout.TWIST, system.noise * np.sqrt(2.0 * system.turning * dt)),
    ):
        table[:, column] = values
    return table[:1] if np.all(table == table[0]) else table


_made: dict[Any, Any] = {}


def kernels_of(make: Callable[..., Any], *given: Any) -> Any:
    """Return what makes kernels makes of constants, once in a process: they are slow to compile."""
    key = (make, *(v.tobytes() if isinstance(v, np.ndarray) else v for v in given))
    if key not in _made:
        _made[key] = make(*given)
    return _made[key]


class CardFilm:
    """Arrays of one film on a card, and the kernels that work on it.

    Parameters
    ----------
    system : ReducedSystem
    state : FilmState
        Where it starts; row i in slot i until the first sort.
    queue : sim.kernels.card.tools.Queue
    tables : pair of arrays, optional
        What a mesh leaves to the pairs, in the precision of the pairs and in float64.

    Attributes
    ----------
    content : layout.CardFilm
        What kernels are called with; a longer list replaces its entries.
    lists_built : int
    recorded : dict
        Steps recorded for this content, by name.
    """

    def __init__(
        self,
        system: ReducedSystem,
        state: FilmState,
        queue: Any,
        tables: tuple[NDArray[Any], NDArray[Any]] | None = None,
    ) -> None:
        self.system = system
        self.queue = queue
        self.periods = periods_of(system)
        self.bits = 32 if system.precision == "float32" else 64
        self.lists_built = 0
        self.recorded: dict[str, Callable[[], None]] = {}
        choice, (pair_table, table) = choice_of(system), tables or (None, None)
        self.kernels = kernels_of(steps.step_kernels, choice, pair_table)
        self._list_pairs = kernels_of(sorting.list_kernel, system.precision)
        self._sum_energies = kernels_of(energies.energy_kernel, choice, table)
        self.content = self._content(state)
        volume = system.sides[0] * system.sides[1] * system.thickness
        total = np.sum(system.moment[:, None] * state.directions, axis=0) / volume
        queue.set(self.content.magnetisation, total)
        self.run(steps.apply_field, 1)

    def _content(self, state: FilmState) -> layout.CardFilm:
        """Return the arrays of a state."""
        system, queue, count = self.system, self.queue, self.system.count
        real = np.dtype(system.precision)
        whole = np.dtype(np.int32 if self.bits == 32 else np.int64)
        patch = cpu_arrays.patch_of(system)
        sizes = _sizes(system)
        room = first_room(system)
        split, meshed = system.inner_steps > 1, system.mesh is not None
        cells = patch.cells_x * patch.cells_y * patch.cells_z
        flags = np.zeros(layout.FLAGS, np.int64)
        flags[layout.STATUS] = layout.LIST_DUE
        flags[layout.MADE] = state.step * system.inner_steps
        unit = [float(period) * 2.0**-self.bits for period in self.periods]
        programme = cpu_arrays.field_table(system.field, system.body.gradient)

        largest = float(max(system.moment.max(), 1e-300))

        def tall(rows: int, wanted: bool) -> Any:
            return queue.zeros((2, rows, count if wanted else 1), real)

        content = layout.CardFilm(
            rows=queue.zeros(2 * layout.WORDS * count, whole),
            reference=queue.zeros(2 * layout.REFERENCE_WORDS * count, whole),
            directions=queue.zeros((2, 3, count), real),
            identity=queue.zeros((2, count), np.uint32),
            image=queue.zeros((2, 2, count), np.int32),
            smooth=tall(6, meshed),
            earlier=tall(7, split),
            held=queue.zeros((7, count if split else 1), real),
            sizes=queue.put(sizes.ravel().astype(real)),
            entries=queue.zeros(room * count, np.int32),
            apart=queue.zeros(count, np.int32),
            close=queue.zeros(count, np.int32),
            near=queue.zeros(NEAR_ROOM * count if split else 1, np.int32),
            near_count=queue.zeros(count if split else 1, np.int32),
            key=queue.zeros(count, np.int32),
            order=queue.zeros(count, np.int32),
            cell_start=queue.zeros(cells + 1, np.int32),
            cell_fill=queue.zeros(cells, np.int32),
            chunk_sum=queue.zeros(-(-cells // sorting.CHUNK), np.int32),
            applied=queue.zeros(FIELD_SIZE, np.float64),
            magnetisation=queue.zeros(3, np.float64),
            moments=queue.zeros(3, np.int64),
            clock=queue.put(cpu_arrays.clock_of(system, state.step, state.seed)),
            flags=queue.put(flags),
            energies=queue.zeros((min(count, energies.THREADS), energies.ALL_COLUMNS), np.float64),
            patch=_as_numbers(patch),
            laws=_as_numbers(cpu_arrays.laws_of(system, DRIFT_CAP, DRIFT_LIMIT)),
            programme=type(programme)(*(queue.put(_not_empty(array)) for array in programme)),
            count=count,
            room=room,
            near_room=NEAR_ROOM if split else count,  # none is asked for in plain steps
            several=int(len(sizes) > 1),
            unit_x=unit[0],
            unit_y=unit[1],
            unit_z=unit[2],
            gap=cpu_arrays.NEAR_GAP,
            ahead=0.5 * (system.inner_steps - 1) / system.inner_steps,
            back_x=-1.0 / unit[0],
            back_y=-1.0 / unit[1],
            back_z=-1.0 / unit[2],
            moment_unit=largest / layout.MOMENT_UNIT,
            units_a_moment=layout.MOMENT_UNIT / largest,
            volume=float(system.sides[0] * system.sides[1] * system.thickness),
        )
        self._fill(content, state)
        return content

    def _fill(self, content: layout.CardFilm, state: FilmState) -> None:
        """Write places, directions and images of a state, row i in slot i."""
        queue, count = self.queue, self.system.count
        shares = as_shares(state.positions, self.periods, self.bits)
        self.write_rows(content, shares, state.directions, np.arange(count))
        reference = np.zeros((2, count, layout.REFERENCE_WORDS), shares.dtype)
        reference[:, :, :3] = shares
        queue.set(content.reference, reference.ravel())
        queue.set(content.directions, np.broadcast_to(state.directions.T, (2, 3, count)))
        queue.set(content.identity, np.broadcast_to(np.arange(count, dtype=np.uint32), (2, count)))
        queue.set(content.image, np.broadcast_to(state.image.T, (2, 2, count)))

    def write_rows(
        self,
        content: layout.CardFilm,
        shares: NDArray[Any],
        directions: NDArray[Any],
        identity: NDArray[Any],
    ) -> None:
        """Write both buffers of rows from places and directions, slot by slot."""
        system, real = self.system, np.dtype(self.system.precision)
        rows = np.zeros((2, system.count, layout.WORDS), shares.dtype)
        rows[:, :, :3] = shares
        numbers = rows.view(real)
        numbers[:, :, 3] = system.radius[identity]
        moment = system.moment[identity].astype(real)[:, None]
        numbers[:, :, 4:7] = moment * directions.astype(real)
        self.queue.set(content.rows, rows.ravel())

    def run(
        self, kernel: Any, threads: int | None = None, content: layout.CardFilm | None = None
    ) -> None:
        """Run a kernel in a thread a slot, or so many, on this film or one like it."""
        content = content or self.content
        self.queue.run(kernel, threads or content.count or 1, content)

    def flags(self) -> NDArray[np.int64]:
        """Return the flags, once all that was asked for is done."""
        found: NDArray[np.int64] = self.queue.get(self.content.flags)
        return found

    def ask_for_list(self) -> None:
        """Ask for slots sorted into cells, and for the list of their neighbours."""
        self._ask("list", self._fresh)
        self.lists_built += 1

    def _fresh(self) -> None:
        """Ask for the kernels of sort and list."""
        self.run(sorting.settle)
        self._count_cells()
        self.run(sorting.place_slots)
        self.run(sorting.order_cells, self.content.cell_fill.size)
        self.run(sorting.gather_slots)
        self.run(sorting.turn_over, 1)
        self._list()

    def _count_cells(self) -> None:
        """Count the slots of all cells, and where each cell begins."""
        cells, chunks = self.content.cell_fill.size, self.content.chunk_sum.size
        self.run(sorting.empty_cells, cells)
        self.run(sorting.count_cells)
        self.run(sorting.add_chunks, chunks)
        self.run(sorting.start_chunks, 1)
        self.run(sorting.start_cells, chunks)

    def _list(self) -> None:
        """List the neighbours of sorted slots; the status tells where there is too little room."""
        self.run(sorting.open_list, 1)
        self.run(self._list_pairs)

    def list_again(self) -> None:
        """List the neighbours of slots that are sorted already, as after a restart."""
        self._count_cells()
        self._list()

    def lengthen_list(self, flags: NDArray[np.int64]) -> None:
        """Make room for what a list needs, and list again."""
        count, content = self.content.count, self.content
        needed, closest = int(flags[layout.FULL]), int(flags[layout.CLOSEST])
        if needed > content.room:
            room = math.ceil(GROWTH * needed)
            content = content._replace(room=room, entries=self.queue.zeros(room * count, np.int32))
        if closest > content.near_room:
            room = math.ceil(GROWTH * closest)
            content = content._replace(
                near_room=room, near=self.queue.zeros(room * count, np.int32)
            )
        self.content = content
        self.recorded.clear()
        self.queue.tidy()
        self._list()

    def _ask(self, name: str, work: Callable[[], None]) -> None:
        """Repeat work that is recorded when it is first asked for."""
        if name not in self.recorded:
            self.recorded[name] = self.queue.record(work)
        self.recorded[name]()

    def ask_for_step(self) -> None:
        """Ask for one step; one that is due after the list is too old does nothing."""
        self._ask("step", self._step)

    def _step(self, content: layout.CardFilm | None = None) -> None:
        """Ask for the kernels of one step."""
        kernels, inner = self.kernels, self.system.inner_steps
        if inner == 1:
            self.run(kernels.plain, content=content)
        else:
            self.run(kernels.far, content=content)
            for _ in range(inner - 1):
                self.run(kernels.inner, content=content)
                self.run(steps.conclude_inner, 1, content)
            self.run(kernels.inner, content=content)
        self.run(steps.conclude_step, 1, content)

    def idle(self) -> layout.CardFilm:
        """Return this film without a slot, and halted: kernels compile for it and do nothing."""
        flags = np.zeros(layout.FLAGS, np.int64)
        flags[layout.STATUS] = layout.HALTED
        return self.content._replace(flags=self.queue.put(flags), count=0)

    def compile(self) -> None:
        """Compile the kernels of steps and of energies."""
        idle = self.idle()
        self._step(idle)
        self.run(self._list_pairs, 1, idle)
        self.run(self._sum_energies, 1, idle)
        self.queue.wait()

    def sums(self) -> NDArray[np.float64]:
        """Return force and field of pairs and mesh, (6, N), slot by slot."""
        whole = self.content
        found = self.queue.zeros((7, whole.count), np.dtype(self.system.precision))
        self.queue.run(self.kernels.sums, whole.count, whole._replace(held=found))
        return np.asarray(self.queue.get(found)[:6], np.float64)

    def energies(self) -> NDArray[np.float64]:
        """Return the total energies in kT in the present field, then the sum of the moments."""
        self.run(steps.apply_field, 1)
        self.run(self._sum_energies, self.content.energies.shape[0])
        total = np.zeros(energies.ALL_COLUMNS)
        for part in self.queue.get(self.content.energies):
            total += part
        return total


def _not_empty(array: NDArray[Any]) -> NDArray[Any]:
    """Return an array, one row of zeros in the place of none: cards have no empty arrays."""
    return array if array.size else np.zeros((1, *array.shape[1:]), array.dtype)


def _as_numbers(numbers: Any) -> Any:
    """Return a named tuple whose numbers are Python's: others would lift what they meet."""
    if isinstance(numbers, tuple):
        made = [_as_numbers(number) for number in numbers]
        return type(numbers)(*made) if hasattr(numbers, "_fields") else tuple(made)
    if isinstance(numbers, bool | np.bool_):
        return bool(numbers)
    return int(numbers) if isinstance(numbers, int | np.integer) else float(numbers)
