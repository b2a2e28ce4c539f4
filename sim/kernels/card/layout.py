"""How a film lies in the memory of a card: one named tuple of arrays and numbers, no behaviour.

Places are whole numbers, shares of the periods in units of 2^-bits, as in the rows of the
processor's pair loop: the wrap of an integer subtraction is the nearest image, and a place needs no
further digits. ``rows`` are the state: eight words a slot, twice, the step reads one buffer and
writes the other. What changes only when slots are sorted lies twice, too, by ``SIDE``.
"""

from typing import Any, NamedTuple

from numba.extending import register_jitable

WORDS, HALF = 8, 4
REFERENCE_WORDS = 4

# Flags, int64. STATUS: why no further step is made; what the step in work has found stands in
# STALE and THROWN until it is over; THROWN is 1 and the slot, and moves that were left times
# `THROWN_MOVE`. BUFFER, MADE: at the start of a step. FULL, CLOSEST: entries that a list needs, and
# how many of them may touch, where there is too little room. TARGET: moves after which no further
# one is made. LISTS: lists built. CHOSEN: whether the mesh is to be summed for this film, or its
# momenta drawn; `WHEN_DUE`: where SUM_DUE says so, at the start of every so many steps. DONE:
# blocks of threads that are done, while others work.
# Of induced moments, SETTLED: whether they are those of the present places; ROUND: sums begun to
# find them; SUMS and SEARCHES: sums made for moments that were found.
STATUS, STALE, THROWN, FULL, CAPPED, MADE, BUFFER, SIDE, KEPT, CLOSEST = range(10)
TARGET, LISTS, CHOSEN, SUM_DUE, DONE = range(10, 15)
SETTLED, ROUND, SUMS, SEARCHES = range(15, 19)
FLAGS = 19
WHEN_DUE = 2
THROWN_MOVE = 2**40
# LIST_DUE: slots are sorted before they are listed; LIST_AGAIN: they are sorted already.
GO, LIST_DUE, LIST_SHORT, HALTED, LIST_AGAIN = range(5)

# Of the clock: moves made at the start of a step, and the seed.
MOVE, SEED = 0, 1

# What follows from the size of a particle.
MOMENT, PACE, KICK, TURN, TWIST, DRAG, SPIN_DRAG = range(7)
SIZE_WORDS = 8

# Whole units of the largest moment in sums over slots: those of a block have 32 bits.
MOMENT_UNIT = 2.0**22
# A move reads the sum of the one before, adds up its own, empties that of the next; a power of 2.
MOMENT_SUMS = 4


class Shared(NamedTuple):
    """An array that all films of a batch have in common; their kernels see the array."""

    array: Any


class CardBeads(NamedTuple):
    """Search for the moments that beads induce in each other; see `sim.kernels.dipoles.induced`."""

    last_moments: Any  # (3, count) float64 the iterate before
    last_residual: Any  # (3, count) its response less itself
    moment_changes: Any  # (DEPTH, 3, count) how both changed in the last iterates
    residual_changes: Any
    partials: Any  # (blocks, columns) float64 sums of blocks of threads
    totals: Any  # (columns,) float64 their sums
    matrix: Any  # (DEPTH, DEPTH) float64 equations of the mixing
    weights: Any  # (DEPTH,) float64 their solution
    change: Any  # (1,) float64 how far the last iterate was from its response
    core_langevin: Any  # Langevin parameter of a core in a field of 1; of a batch (films,)
    tolerance: Any  # of ``change``; of a batch (films,)


class CardFilm(NamedTuple):
    """All that kernels of the card read and write; ``count`` slots, lists by columns of them.

    That of a batch has an axis of films before those that are told here, but for numbers, which are
    equal in all films. Kernels see one film.
    """

    rows: Any  # (2 * 8 count,) whole numbers: see `row_at`
    reference: Any  # (2 * 4 count,) whole numbers: place when the list was built
    directions: Any  # (2, 3, count), of induced moments float64 shares of saturation
    identity: Any  # (2, count) uint32
    image: Any  # (2, 2, count) int32 periods left behind in x and y at sorts
    smooth: Any  # (2, 6, count) force and field of the mesh, or a token
    earlier: Any  # (2, 7, count) sums of the outer step before, or a token
    momentum: Any  # (2, 6, count) in thermal units, three to move and three to turn, or a token
    held: Any  # (7, count) sums that inner steps or beads keep, or a token
    sizes: Any  # (8 sizes,) see MOMENT to TWIST
    # Lists are those of threads, `Choice.shares` a slot; see `entry_at`.
    entries: Any  # int32 slots: far ones first, those that may touch from behind
    apart: Any  # int32 how many from the front
    close: Any  # int32 how many from behind
    near: Any  # ((near room + 1) * count,) int32 near pairs of an outer step
    near_count: Any  # (count,) int32
    key: Any  # (count,) int32 cells
    order: Any  # (count,) int32 slots by cells
    cell_start: Any  # (cells + 1,) int32
    cell_fill: Any  # (cells,) int32
    chunk_sum: Any  # (chunks of cells,) int32
    group_sum: Any  # (groups of chunks,) int32
    applied: Any  # (moves, 9) float64 the field of each move of a step, and its gradient
    magnetisation: Any  # (3,) float64 moment per volume of beads; that of others follows from
    # (3 MOMENT_SUMS,) int64 in units of MOMENT_UNIT to the largest; a mesh uses the third alone
    moments: Any
    clock: Any  # (2,) uint64
    flags: Any  # (FLAGS,) int64
    energies: Any  # (threads, columns) float64 partial sums
    patch: Any  # layout.Patch
    laws: Any  # layout.Laws
    programme: Any  # layout.FieldTable on the card
    count: Any  # int
    turn: Any  # int, which move of a step is made
    sum_every: Any  # int, moves from a sum of the mesh to the next
    room: Any  # int, entries a thread, a multiple of FOUR
    near_room: Any  # int, near pairs a slot
    several: Any  # int, 1 where particles have sizes of their own, else 0
    span: Any  # int, cells to each side that hold neighbours
    unit_x: Any  # lengths of one whole number
    unit_y: Any
    unit_z: Any
    gap: Any  # see ``sim.kernels.steps.near_pairs``
    ahead: Any  # see ``sim.kernels.steps.inner_steps``
    back_x: Any  # -1 over these lengths
    back_y: Any
    back_z: Any
    moment_unit: Any  # a moment of one whole unit; of a batch (films,), as its inverse
    units_a_moment: Any
    back_volume: Any  # 1 over it
    beads: Any = ()  # CardBeads where moments are induced, else nothing; a card takes no None


def rows_shape(count):
    """Return the shape of both buffers of ``rows``, table by table."""
    return 2, WORDS // HALF, count, HALF


@register_jitable(forceinline=True)
def row_at(film, buffer, i):
    """Return where place and bits of radius of a slot stand; its moment stands `moment_after`.

    Both are tables of four words a slot: rows of 16 bytes are gathered faster than rows of 32.
    """
    return (2 * buffer * film.count + i) * HALF


@register_jitable(forceinline=True)
def moment_after(film):
    """Return how far behind its place the bits of a slot's moment stand."""
    return film.count * HALF


WARP = 32
"""Threads that go in step; their lists lie together. 2^5."""
FOUR = 4
"""Entries of a list that are written and read at once, in 16 bytes. 2^2."""


@register_jitable(forceinline=True)
def entry_at(film, v, k):
    """Return where an entry of a thread's list stands; the next four are `FOUR * WARP` further.

    Threads read up to two fours beyond their room: there lies the list of the next warp, and after
    the last one as much. Lists that lay as columns of one table would have their entries megabytes
    apart, each in a piece of memory that other threads write to.
    """
    fours = film.room >> 2  # shifts: divisions of whole numbers are slow
    return ((((v >> 5) * fours + (k >> 2)) << 5) + (v & (WARP - 1))) * FOUR + (k & (FOUR - 1))


def films_of(batch):
    """Return how many films the arrays of a batch hold, or those of its mesh."""
    return getattr(batch, "film", batch).flags.shape[0]
