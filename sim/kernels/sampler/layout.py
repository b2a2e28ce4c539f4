"""How the sampler lays out a film: named tuples of arrays and of numbers, no behaviour.

Lengths in d0, energies in kT, moments as everywhere. A set of particles that is to be moved has
*members*, by *place* in the set; what is not moved is the *rest*.
"""

from typing import Any, NamedTuple

import numpy as np

# Columns of a row: place, moment, radius, size of the moment.
X, Y, Z, MX, MY, MZ, RADIUS, MOMENT = range(8)
COLUMNS = 8

# Kinds of moves; of numpy's type, because numba compiles a function that is given a plain number
# of the text anew for each value.
LOCAL, HOP, SPLICE, SEGMENT, SHIFT, EXCHANGE, SLIDE, TURN, BEND, SWING, SIZES = map(
    np.int64, range(11)
)
MOVES = (
    "local", "hop", "splice", "segment", "shift", "exchange", "slide", "turn", "bend", "swing",
    "sizes",
)  # fmt: skip

# Partner of a particle on one of its sides, where it is no particle.
NONE = -1
MANY = -2
BEHIND, AHEAD = 0, 1

# Work space of lists: close by, in range, and to be gone through while others are made.
CLOSE, IN_RANGE, KEPT = range(3)
LISTS = 3

# Sums over all moments: S, and F = sum of the factor of the missing field times the moment.
SUMS = 6
# What kernels find: change of the energy in a round, the whole energy, chains, squared lengths,
# a random number, distance to the nearest chain.
CHANGE, TOTAL, CHAINS, SQUARES, SHARE, SPACING = range(6)
FOUND = 6
# Words of the random numbers, see ``draws``.
WORDS = 10


class Cells(NamedTuple):
    """Particles by cells, as doubly linked lists."""

    head: Any  # (cells,) int64 first particle of a cell, or NONE
    links: Any  # (N, 3) int64 next, previous, cell
    x: int  # cells along each side
    y: int
    z: int
    reach: float  # one cell across is as long


class Walk(NamedTuple):
    """How far moves go, and how bonded places are proposed."""

    tail: float  # longest shift of a tail along an axis
    least_turn: float  # smallest and largest angle of turns and swings, rad
    turn: float
    shortest: float  # shortest and longest slide of a chain
    longest: float
    nearest: float  # bounds, centre and spread of the distance of a bonded place, in mean diameters
    farthest: float
    centre: float
    spread: float
    steepness: float  # of the cosine's exponential law in a bonded place
    anywhere: float  # share of proposals anywhere in the film
    ends: float  # share of hops that take a particle of an open end
    window: int  # ranks of size that an exchange goes at most
    worth: float  # members that a try to move a set takes on average, at most
    pieces: float  # mean length of the segments that are taken out of chains
    row: float  # one more than the longest row that is bent
    wave: float  # highest wave of a row with one particle that moves


class Film(NamedTuple):
    """All that the moves work on."""

    rows: Any  # (N, 8) see the columns
    fresh: Any  # (N + 1, 8) proposed rows, by place in the set
    members: Any  # (N,) int64 particles of the set
    group: Any  # (N,) int64 rigid part of each place; parts move against each other
    mark: Any  # (N,) int64, not zero for members
    chain: Any  # (N,) int64 chain of each particle, as last found
    beside: Any  # (3, N + 1) int64 work space: what stands near a place
    far: Cells  # for the range of dipoles and added forces
    near: Cells  # for repulsion and bonds
    bonds: Any  # (N, 2) int64 partner behind and ahead
    open: Any  # (2, N) int64 particles with nobody behind, and with nobody ahead
    open_place: Any  # (2, N) int64 where each stands there, or NONE
    open_count: Any  # (2,) int64
    sums: Any  # (6,) S and F
    found: Any  # (6,) see above
    chain_moves: Any  # (1,) int64 moves of chains in a round
    random: Any  # (10,) uint64
    counts: Any  # (11, 2) int64 tried and accepted, by kind of move
    step: Any  # (1,) longest local displacement along an axis
    mixture: Any  # (11,) cumulated shares of the moves that change chains
    rank: Any  # (N,) int64 place of each particle in the order of sizes
    by_rank: Any  # (N,) int64
    applied: Any  # (9,) field and gradient
    added: Any  # (laws,) work space: energies of the added pair laws
    side_x: float
    side_y: float
    thickness: float
    close: float  # pairs nearer than this are counted first
    slack: float  # places so far from each other have one list of what is in range
    nearest: float  # pairs nearer than this share of contact of cores are refused
    missing: float  # 1/(2 V), or 0 where no field beyond the cut-off counts
    laws: Any  # ``sim.kernels.steps.layout.Laws``
    walk: Walk
