"""A film as the moves see it: the named tuple of arrays, from a reduced system and a state."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sim.engines import cpu_arrays
from sim.film.reduce import DRIFT_CAP, DRIFT_LIMIT
from sim.kernels.laws.pairs import ADDED
from sim.kernels.sampler import bonds, draws, layout, rounds, spacing
from sim.kernels.steps.layout import CUTOFF
from sim.kernels.vectors.calls import Packed

if TYPE_CHECKING:
    from sim.film.reduced_system import ReducedSystem

__all__ = ["RANGE", "make_film", "range_of"]

Floats = NDArray[np.float64]

RANGE = 6.0
"""Range in d0 of the dipoles that single moves see, where the whole sum is a mesh or exact."""
CLOSEST_CORES = 0.75
"""Cores are hard: pairs nearer than this share of their contact are no states.

Layers that hold, or springs, cost 25 kT and more there (`sim.film.core_contact`); deeper still two
point dipoles would win.
"""
CLOSEST_SOFT = 0.5
"""The same of soft cores, in contact distances; they cost 16 000 strengths there."""
FAR_CELLS = 2
"""Cells each way in the plane within the range of the dipoles: finer ones hold less beyond it."""
SLACK = 0.25
"""Moves that go no further find what is in range of both places at once."""
FIRST_STEP = 0.12
TAIL_SHIFT = 0.12
LEAST_TURN, LARGEST_TURN = 0.03, 3.1
SHORTEST_SLIDE, LONGEST_SLIDE = 0.05, 4.0
ANYWHERE = 0.3
ENDS = 0.9
"""Share of hops that begin at an open end; where chains are long, hardly any other is taken."""
LEAST_RATIO, LARGEST_RATIO = 0.6, 1.299
WIDEST = 4.0
"""Bonded places are proposed within so many spreads of their mean distance."""
LEAST_SPREAD = 0.01
STEEPNESS = 1.5
SIZE_WINDOW = 0.1
MIXTURE = (0.0, 0.55, 0.14, 0.12, 0.05, 0.03, 0.03, 0.04, 0.24, 0.05, 0.30)
"""Shares of the moves that change chains, by `layout.MOVES`."""
WORTH = 12.0
"""Longer sets are tried more rarely, so that a try moves no more members than this on average."""
PIECES = 6.0
"""Mean length of the segments that are taken out of chains."""
LONGEST_ROW, WAVE = 250.0, 0.15
"""Rows of fewer particles are bent, by so much times the root of the number of those that move."""
STREAM = 16
"""First stream of random numbers of the sampler; the noise of steps has 0 and 1."""


def range_of(system: ReducedSystem) -> float:
    """Return the range of the dipoles that single moves see."""
    if system.dipole_sum == "cutoff":
        return system.cutoff
    return min(RANGE, 0.499 * min(system.sides))


def make_film(
    system: ReducedSystem, positions: Floats, directions: Floats, seed: int, stream: int
) -> layout.Film:
    """Return the arrays of a film for the moves.

    Parameters
    ----------
    system : ReducedSystem
        With moments of fixed size in a steady field.
    positions, directions : float64 (N, 3)
        Where the particles are and how their moments point, reduced.
    seed, stream : int
        Of the random numbers; films of one run have streams of their own.

    Returns
    -------
    layout.Film
        Cells, bonds and sums are still empty.
    """
    count, reach = system.count, range_of(system)
    laws = cpu_arrays.laws_of(system, DRIFT_CAP, DRIFT_LIMIT)._replace(
        cutoff=reach, long_range=CUTOFF
    )
    rows = np.zeros((count, layout.COLUMNS))
    rows[:, :3] = positions
    rows[:, 3:6] = system.moment[:, None] * directions
    rows[:, layout.RADIUS], rows[:, layout.MOMENT] = system.radius, system.moment
    order = np.argsort(system.radius, kind="stable")
    rank = np.empty(count, np.int64)
    rank[order] = np.arange(count)
    widest = 2.0 * float(system.radius.max())
    near = max(system.repulsion.reach(0.5 * widest), bonds.DISTANCE * widest)
    # what stands level with a particle within the range of the dipoles is looked for, too
    far = max(math.hypot(reach, spacing.LEVEL * widest), max(reach, system.added_reach) + SLACK)
    random = np.zeros(layout.WORDS, np.uint64)
    random[draws.SEED], random[draws.STREAM] = seed, STREAM + stream
    applied = cpu_arrays.field_table(system.field, system.body.gradient)
    film = layout.Film(
        rows=rows,
        fresh=np.zeros((count + 1, layout.COLUMNS)),
        members=np.zeros(count + 1, np.int64),
        group=np.zeros(count, np.int64),
        mark=np.zeros(count, np.int64),
        chain=np.zeros(count, np.int64),
        beside=np.zeros((layout.LISTS, count + 1), np.int64),
        far=_cells(system, far, FAR_CELLS),
        near=_cells(system, near, 1),
        bonds=np.full((count, 2), layout.NONE, np.int64),
        open=np.zeros((2, count), np.int64),
        open_place=np.full((2, count), layout.NONE, np.int64),
        open_count=np.zeros(2, np.int64),
        sums=np.zeros(layout.SUMS),
        found=np.zeros(layout.FOUND),
        chain_moves=np.zeros(1, np.int64),
        random=random,
        counts=np.zeros((len(layout.MOVES), 2), np.int64),
        step=np.array([FIRST_STEP]),
        mixture=_mixture(system),
        rank=rank,
        by_rank=order.astype(np.int64),
        applied=np.concatenate([applied.first[0], applied.slope]),
        added=np.zeros(len(ADDED)),
        side_x=system.sides[0],
        side_y=system.sides[1],
        thickness=system.thickness,
        close=near,
        slack=SLACK,
        nearest=CLOSEST_SOFT if system.repulsion.is_soft else CLOSEST_CORES,
        missing=0.5 / (system.sides[0] * system.sides[1] * system.thickness),
        laws=laws,
        walk=layout.Walk(
            tail=TAIL_SHIFT, least_turn=LEAST_TURN, turn=LARGEST_TURN,
            shortest=SHORTEST_SLIDE, longest=LONGEST_SLIDE,
            nearest=LEAST_RATIO, farthest=LARGEST_RATIO, centre=1.0, spread=0.1, steepness=3.0,
            anywhere=ANYWHERE, ends=ENDS, window=max(1, int(SIZE_WINDOW * count)),
            worth=WORTH, pieces=PIECES, row=LONGEST_ROW, wave=WAVE,
        ),
    )  # fmt: skip
    return film._replace(walk=_fitted(film, system))


def _cells(system: ReducedSystem, reach: float, wide: int) -> layout.Cells:
    """Return empty cells; so many each way in the plane, and one across, hold a range.

    Films are thin: finer cells across would leave little out, and short lists cost more to begin.
    """
    x, y = (max(1, int(wide * side / reach)) for side in system.sides)
    z = max(1, int(system.thickness / reach))
    head = np.full(x * y * z, layout.NONE, np.int64)
    return layout.Cells(head, np.zeros((system.count, 3), np.int64), x, y, z, reach)


def _mixture(system: ReducedSystem) -> Floats:
    """Return the cumulated shares of the moves; sizes are exchanged where they differ."""
    shares = np.array(MIXTURE)
    if np.ptp(system.radius) == 0.0 and np.ptp(system.moment) == 0.0:
        shares[layout.SIZES] = 0.0
    return np.asarray(np.cumsum(shares / shares.sum()))


def _fitted(film: layout.Film, system: ReducedSystem) -> layout.Walk:
    """Return the walk with bonded places as a median pair has them, head to tail."""
    walk: layout.Walk = film.walk
    radius, moment = float(np.median(system.radius)), float(np.median(system.moment))
    ratios = np.linspace(LEAST_RATIO, LARGEST_RATIO, 400)
    first = np.array([0.0, 0.0, 0.0, moment, 0.0, 0.0, radius, moment])
    energy = np.empty(len(ratios))
    packed = Packed(film)
    film.fresh[:2] = first
    for k, ratio in enumerate(ratios):
        film.fresh[1, layout.X] = 2.0 * radius * ratio
        packed.call(rounds.find_pair_energy, 0)
        energy[k] = film.found[layout.TOTAL]
    weight = ratios**2 * np.exp(np.minimum(energy.min() - energy, 0.0))
    weight /= weight.sum()
    centre = float(weight @ ratios)
    spread = max(LEAST_SPREAD, math.sqrt(float(weight @ (ratios - centre) ** 2)))
    spread += float(np.std(system.radius) / radius) * spread
    coupling = moment**2 / (2.0 * radius * centre) ** 3
    return walk._replace(
        centre=centre,
        spread=spread,
        nearest=max(LEAST_RATIO, centre - WIDEST * spread),
        farthest=min(LARGEST_RATIO, centre + WIDEST * spread),
        steepness=max(2.0, STEEPNESS * coupling),
    )
