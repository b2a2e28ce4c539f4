"""Arrays of films on a card: what kernels take, and places as whole numbers."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from analysis.common.blocks import blocks_of, of_each, on_all_cores
from sim.engines import cpu_arrays
from sim.engines.card.bead_arrays import beads_of
from sim.engines.card.memory import NEAR_ROOM
from sim.film.reduce import DRIFT_CAP, DRIFT_LIMIT
from sim.kernels.card import energies, layout, sorting
from sim.kernels.steps.step import FIELD_SIZE

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from sim.film.reduced_system import ReducedSystem
    from sim.film.state import FilmState

MOST_NEAR_SHARES = 2
"""Threads that share the near pairs of a slot in a small film."""
SPAN = 2
"""Cells that the reach of a list covers; smaller ones hold fewer candidates in vain."""
ENDLESS = 2**31 - 1
IN_REAL = ("unit_x", "unit_y", "unit_z", "back_x", "back_y", "back_z", "gap", "ahead")


def patch_of(system: ReducedSystem) -> Any:
    """Return the geometry of the film and of the cells that its slots are sorted into."""
    patch = cpu_arrays.patch_of(system)
    sides = system.sides[0], system.sides[1], system.thickness
    cells = [max(1, int(SPAN * side / patch.reach)) for side in sides]
    return patch._replace(cells_x=cells[0], cells_y=cells[1], cells_z=cells[2])


def bits_of(system: ReducedSystem) -> int:
    """Return how many bits a place has along an axis."""
    return 32 if system.precision == "float32" else 64


def periods_of(system: ReducedSystem) -> tuple[float, float, float]:
    """Return the periods that places are shares of."""
    return (*system.sides, cpu_arrays.patch_of(system).period_z)


def as_shares(positions: NDArray[Any], periods: tuple[float, ...], bits: int) -> NDArray[Any]:
    """Return positions as whole numbers, shares of the periods in units of 2^-bits."""

    def shares(positions: NDArray[Any]) -> NDArray[Any]:
        part: NDArray[Any] = positions / np.array(periods)
        part -= np.rint(part)
        part = np.where(part < 0.5, part, np.nextafter(0.5, 0.0))
        return np.asarray(part * 2.0**bits, np.int32 if bits == 32 else np.int64)

    return of_each(shares, positions)


def columns_of(rows: NDArray[Any], dtype: Any) -> NDArray[Any]:
    """Return rows (N, k) as columns (k, N) of another type."""
    made = np.empty(rows.shape[::-1], dtype)

    def turn(block: slice) -> None:
        made[:, block] = rows[block].T

    on_all_cores(turn, blocks_of(len(rows)))
    return made


def widened(rows: NDArray[Any], words: int) -> NDArray[Any]:
    """Return rows (N, k) with zeros behind them up to so many words."""
    return of_each(lambda some: np.pad(some, ((0, 0), (0, words - some.shape[1]))), rows)


def as_positions(
    shares: NDArray[Any], periods: tuple[float, ...], numbers: Any = np
) -> NDArray[np.float64]:
    """Return the positions of whole numbers, x and y from 0 to the side.

    ``numbers`` is the library of the array: numpy, or that of the card.
    """
    bits = 8 * shares.itemsize
    columns = [shares[:, k] * (period * 2.0**-bits) for k, period in enumerate(periods)]
    for axis in range(2):
        period, x = periods[axis], columns[axis]
        x = numbers.where(x < 0.0, x + period, x)
        columns[axis] = numbers.where(x >= period, 0.0, x)  # rounding
    positions: NDArray[np.float64] = numbers.stack(columns, axis=1)
    return positions


class Placed(NamedTuple):
    """The arrays of slots of a film that starts, as `layout.CardFilm` has them, row i in slot i."""

    rows: NDArray[Any]
    reference: NDArray[Any]
    directions: NDArray[Any]
    identity: NDArray[np.uint32]
    image: NDArray[np.int32]


def placed_of(system: ReducedSystem, state: FilmState) -> Placed:
    """Return what is put on the card of a film that starts."""
    shares = as_shares(state.positions, periods_of(system), bits_of(system))
    directions, identity = _directions_of(system, state), np.arange(system.count, dtype=np.uint32)
    return Placed(
        rows=rows_of(system, shares, directions, identity),
        reference=widened(shares, layout.REFERENCE_WORDS),
        directions=columns_of(directions, np.float64 if system.induced else system.precision),
        identity=identity,
        image=columns_of(state.image, np.int32),
    )


def _directions_of(system: ReducedSystem, state: FilmState) -> NDArray[np.float64]:
    """Return those of a start; induced moments are found before a step."""
    return np.zeros((system.count, 3)) if system.induced else state.directions


def total_of(system: ReducedSystem, state: FilmState) -> NDArray[np.float64]:
    """Return the moment of all particles, (3,)."""
    directions = _directions_of(system, state)
    moments = of_each(lambda size, of: size[:, None] * of, system.moment, directions)
    return np.asarray(np.sum(moments, axis=0))


def rows_of(
    system: ReducedSystem, shares: NDArray[Any], directions: NDArray[Any], identity: NDArray[Any]
) -> NDArray[Any]:
    """Return the rows of slots, (2, N, HALF): places and radius, then moments."""
    real = np.dtype(system.precision)

    def places_of(shares: NDArray[Any], identity: NDArray[Any]) -> NDArray[Any]:
        rows = np.zeros((len(shares), layout.HALF), shares.dtype)
        rows[:, :3] = shares
        rows.view(real)[:, 3] = system.radius[identity]
        return rows

    def moments_of(directions: NDArray[Any], identity: NDArray[Any]) -> NDArray[Any]:
        numbers = np.zeros((len(directions), layout.HALF), real)
        moment = system.moment[identity].astype(real)[:, None]
        numbers[:, :3] = moment * directions.astype(real)
        return numbers.view(shares.dtype)

    return np.stack(
        [of_each(places_of, shares, identity), of_each(moments_of, directions, identity)]
    )


def _sizes_of(system: ReducedSystem) -> NDArray[np.float64]:
    """Return what follows from a particle's size, a row for each, one row where all are equal."""
    names = ("moment", "mobility", "turning", "momentum_time", "spin_time")
    of_size = {name: getattr(system, name) for name in names if getattr(system, name) is not None}
    if all(values.min() == values.max() for values in of_size.values()):
        first = {name: values[:1] for name, values in of_size.items()}
        system = dataclasses.replace(system, radius=system.radius[:1], **first)
    table = np.zeros((system.count, layout.SIZE_WORDS))
    dt = system.inner_dt
    drag, spin_drag = system.drags()
    # with momenta these are what a move lasts, and the noise has its factor elsewhere
    share, spin_share = (drag, spin_drag) if system.has_momenta else 2 * (system.noise**2,)
    for column, values in (
        (layout.MOMENT, system.moment),
        (layout.PACE, dt * system.mobility),
        (layout.KICK, np.sqrt(2.0 * system.mobility * dt * share)),
        (layout.TURN, dt * system.turning * system.moment),
        (layout.TWIST, np.sqrt(2.0 * system.turning * dt * spin_share)),
        (layout.DRAG, drag),
        (layout.SPIN_DRAG, spin_drag),
    ):
        table[:, column] = values
    return table


def quick_of(content: layout.CardFilm) -> layout.CardFilm:
    """Return the same arrays with numbers of the rows' float type."""
    real = np.dtype(content.sizes.dtype).type
    numbers = {name: real(getattr(content, name)) for name in IN_REAL}
    return content._replace(
        laws=_in_real(content.laws, real), patch=_in_real(content.patch, real), **numbers
    )


def passing_of(systems: Sequence[ReducedSystem]) -> list[dict[str, tuple[tuple[int, ...], Any]]]:
    """Return shape and type of what is in use within a step, and while slots are sorted, by name.

    None of it where a film without inner steps keeps its sums.
    """
    system, films = systems[0], len(systems)
    if system.inner_steps == 1:
        return []
    count, real, whole = system.count, np.dtype(system.precision), np.dtype(np.int32)
    step = {
        "held": ((films, 7, count), real),
        "near": ((films, near_of(NEAR_ROOM, count)), whole),
        "near_count": ((films, count), whole),
    }
    return [step, dict.fromkeys(("key", "order"), ((films, count), whole))]


def content_of(
    systems: Sequence[ReducedSystem],
    queue: Any,
    shares: int,
    room: int,
    passing: Mapping[str, Any] | None = None,
) -> layout.CardFilm:
    """Return the arrays of all films, those of slots still empty.

    Parameters
    ----------
    systems : sequence of ReducedSystem
        Of one kind (`sim.engines.card.kinds`).
    queue : sim.kernels.card.queue.Queue
    shares : int
        Threads that share the neighbours of a slot.
    room : int
        Neighbours that the list of each thread has room for, from `room_for`.
    passing : mapping, optional
        Arrays of `passing_of` that are there already.
    """
    system, bits = systems[0], bits_of(systems[0])
    count, films, lists = system.count, len(systems), system.count * shares
    real = np.dtype(system.precision)
    whole = np.dtype(np.int32 if bits == 32 else np.int64)
    patch = patch_of(system)
    sizes = np.stack([_sizes_of(one).ravel() for one in systems])
    split, meshed = system.inner_steps > 1, system.mesh is not None
    cells = patch.cells_x * patch.cells_y * patch.cells_z
    unit = [float(period) * 2.0**-bits for period in periods_of(system)]
    largest = np.array([max(one.moment.max(), 1e-300) for one in systems])

    def zeros(shape: tuple[int, ...], dtype: Any) -> Any:
        return queue.zeros((films, *shape), dtype)

    def tall(rows: int, wanted: bool) -> Any:
        return zeros((2, rows, count if wanted else 1), real)

    made = layout.CardFilm(
        rows=zeros((2 * layout.WORDS * count,), whole),
        reference=zeros((2 * layout.REFERENCE_WORDS * count,), whole),
        directions=zeros((2, 3, count), np.float64 if system.induced else real),
        identity=zeros((2, count), np.uint32),
        image=zeros((2, 2, count), np.int32),
        smooth=tall(6, meshed),
        earlier=tall(7, split),
        momentum=tall(6, system.has_momenta),
        held=zeros((7, count if system.induced else 1), real),
        sizes=queue.put(sizes.astype(real)),
        entries=zeros((entries_of(room, lists),), np.int32),
        apart=zeros((lists,), np.int32),
        close=zeros((lists,), np.int32),
        near=zeros((1,), np.int32),
        near_count=zeros((1,), np.int32),
        key=zeros((1 if split else count,), np.int32),
        order=zeros((1 if split else count,), np.int32),
        cell_start=zeros((cells + 1,), np.int32),
        cell_fill=zeros((cells,), np.int32),
        chunk_sum=zeros((-(-cells // sorting.CHUNK),), np.int32),
        group_sum=zeros((-(-cells // sorting.GROUP),), np.int32),
        applied=zeros((system.inner_steps, FIELD_SIZE), np.float64),
        magnetisation=zeros((3,), np.float64),
        moments=zeros((3 * layout.MOMENT_SUMS,), np.int64),
        clock=zeros((2,), np.uint64),
        flags=zeros((layout.FLAGS,), np.int64),
        energies=zeros((min(count, energies.THREADS), energies.ALL_COLUMNS), np.float64),
        patch=_as_numbers(patch),
        laws=_laws_of(systems, queue),
        programme=_programmes_of(systems, queue),
        count=count,
        turn=0,
        sum_every=system.inner_steps * system.mesh_every,
        room=room,
        near_room=NEAR_ROOM if split else ENDLESS,  # none is asked for in plain steps
        several=int(sizes.shape[1] > layout.SIZE_WORDS),
        span=SPAN,
        unit_x=unit[0],
        unit_y=unit[1],
        unit_z=unit[2],
        gap=cpu_arrays.NEAR_GAP,
        ahead=0.5 * (system.inner_steps - 1) / system.inner_steps,
        back_x=-1.0 / unit[0],
        back_y=-1.0 / unit[1],
        back_z=-1.0 / unit[2],
        moment_unit=queue.put(largest / layout.MOMENT_UNIT),
        units_a_moment=queue.put(layout.MOMENT_UNIT / largest),
        back_volume=1.0 / float(system.sides[0] * system.sides[1] * system.thickness),
        beads=beads_of(systems, queue) if system.induced else (),
    )
    if not split:
        return made
    return made._replace(**(passing or queue.overlaid(passing_of(systems))))


def room_for(entries: float) -> int:
    """Return the room of a list of so many entries, in whole fours."""
    return math.ceil(entries / layout.FOUR) * layout.FOUR


def entries_of(room: int, lists: int) -> int:
    """Return the entries of so many lists with so much room; see `layout.entry_at`."""
    return (room * -(-lists // layout.WARP) + 2 * layout.FOUR) * layout.WARP


def near_of(room: int, count: int) -> int:
    """Return the near pairs of so many slots with so much room; threads look further ahead."""
    return (room + MOST_NEAR_SHARES) * count


def _laws_of(systems: Sequence[ReducedSystem], queue: Any) -> Any:
    """Return the constants of the laws; films have steps of their own."""
    laws = _as_numbers(cpu_arrays.laws_of(systems[0], DRIFT_CAP, DRIFT_LIMIT))
    return laws._replace(dt=queue.put(np.array([one.inner_dt for one in systems])))


def _programmes_of(systems: Sequence[ReducedSystem], queue: Any) -> Any:
    """Return the field programmes of all films."""
    tables = [_programme_of(one) for one in systems]
    return type(tables[0])(*(queue.put(np.stack(parts)) for parts in zip(*tables, strict=True)))


def _programme_of(system: ReducedSystem) -> Any:
    """Return the field programme of a film as arrays, none of them empty."""
    table = cpu_arrays.field_table(system.field, system.body.gradient)
    return type(table)(*(_not_empty(array) for array in table))


def _not_empty(array: NDArray[Any]) -> NDArray[Any]:
    """Return an array, one row of zeros in the place of none: cards have no empty arrays."""
    return array if array.size else np.zeros((1, *array.shape[1:]), array.dtype)


def _in_real(numbers: Any, real: Any) -> Any:
    """Return a named tuple with its floating-point numbers of another type."""
    if isinstance(numbers, tuple):
        made = [_in_real(number, real) for number in numbers]
        return type(numbers)(*made) if hasattr(numbers, "_fields") else tuple(made)
    return real(numbers) if isinstance(numbers, float) else numbers


def _as_numbers(numbers: Any) -> Any:
    """Return a named tuple whose numbers are Python's: others would lift what they meet."""
    if isinstance(numbers, tuple):
        made = [_as_numbers(number) for number in numbers]
        return type(numbers)(*made) if hasattr(numbers, "_fields") else tuple(made)
    if isinstance(numbers, bool | np.bool_):
        return bool(numbers)
    return int(numbers) if isinstance(numbers, int | np.integer) else float(numbers)
