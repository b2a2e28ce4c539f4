"""Outer steps of several inner ones: far pairs are kept while near ones are summed again.

Multiple time stepping (W. B. Streett, D. J. Tildesley and G. Saville, Mol. Phys. 35, 639 (1978)):
what is stiff needs short steps, what is far changes slowly. At the start of an outer step the far
pairs are summed and the near ones listed. Each inner step sums the near pairs, adds what is
kept, and moves. Parts that hang on a particle's own moment (F + S m, m x B) follow the moment in
each inner step.

What is kept unchanged is late, on average by (n - 1)/2 of the n inner steps, and a late force
warms what it holds: the energy of far neighbours with stiffness K comes out too weak by the share
K D t (n - 1)/(2 n), of first order in the outer step t. So the sums are continued from those of
the outer step before, a + (n - 1)/(2 n) (a - a'), which for many inner steps is the formula of
Adams and Bashforth. In reversible motion, turning included, this takes away all of the bias of
first order: what a kept a misses in the mean of a test function is made up for by the mean of
(a - a') times what a acts on, as both are the carre du champ of the two. It asks that a changes
smoothly with the places, so near pairs fade into far ones (see ``near_pairs``).
No checks by design, except the guards of ``step``.
"""

import numpy as np

from sim.kernels.steps.inner_motion import add_body, add_held, move_inner
from sim.kernels.steps.layout import LIST_FULL, STEP_DONE, THROWN
from sim.kernels.steps.near_pairs import far_sums, near_sums
from sim.kernels.steps.pair_sums import CHOICES
from sim.kernels.steps.step import BUFFER, KEPT, MADE, MOVE, STATUS, bounds, conclude, most
from sim.kernels.vectors.calls import address_of, call, get_thread_id, kernel, on_blocks
from sim.kernels.vectors.rows import WORDS


def _far_pair_part(equal_sizes):
    @kernel
    def far_pair_part(block, film):
        """Sum the far pairs of a block and list the near ones."""
        first, end = bounds(block, film)
        now, me = film.flags[BUFFER], get_thread_id()
        pairs, sums = film.pairs[me], film.scratch.sums[me]
        film.split.near.needed[block] = far_sums(
            block, first, end, film.rows[now], film.row_words[now], film.neighbours, film.patch,
            film.laws, film.screening, film.split.near, pairs, equal_sizes,
        )  # fmt: skip
        for k in range(WORDS * (end - first)):
            sums[k] = pairs[k]

    return far_pair_part


# By whether all particles are of one size, as those of ``step``.
far_pair_parts = {equal_sizes: _far_pair_part(equal_sizes) for equal_sizes in (False, True)}


# Values of the flag KEPT: there is no step before; its sums are kept; so are those of this step.
NOTHING, EARLIER, PRESENT = 0, 1, 2


@kernel
def hold_part(block, film):
    """Keep the sums of a block for the inner steps, continued from those of the step before."""
    first, end = bounds(block, film)
    sums, held, earlier = film.scratch.sums[get_thread_id()], film.split.held, film.slots.earlier
    ahead = film.split.ahead if film.flags[KEPT] == EARLIER else 0.0
    for axis in range(7):
        for k in range(end - first):
            now = sums[WORDS * k + axis]
            held[axis, first + k] = now + ahead * (now - earlier[axis, first + k])
            earlier[axis, first + k] = now


def _near_pair_part(surfactant, equal_sizes):
    @kernel
    def near_pair_part(block, film):
        """Sum the near pairs of a block, and add what is kept."""
        first, end = bounds(block, film)
        now, me = film.flags[BUFFER], get_thread_id()
        pairs, sums = film.pairs[me], film.scratch.sums[me]
        near_sums(
            first, end, film.rows[now], film.split.near, film.patch, film.laws, film.screening,
            pairs, surfactant, equal_sizes,
        )  # fmt: skip
        add_held(first, end - first, film.slots, film.split.held, pairs, sums)

    return near_pair_part


near_pair_parts = {choice: _near_pair_part(*choice) for choice in CHOICES}


@kernel
def body_part(block, film):
    """Add weight and the field's gradient, which hang on height and moment alone."""
    first, end = bounds(block, film)
    sums = film.scratch.sums[get_thread_id()]
    add_body(first, end - first, film.slots, film.patch, film.laws, film.applied, sums)


@kernel
def inner_motion(block, film):
    """Move and turn a block by an inner step."""
    first, end = bounds(block, film)
    me, scratch = get_thread_id(), film.scratch
    move_inner(
        first, end - first, film.slots, scratch.sums[me], scratch.fresh[me], film.applied,
        film.magnetisation, film.patch, film.laws, scratch.drift2[me], scratch.travel2[me],
    )  # fmt: skip


@kernel
def advance_split(steps, film):
    """Make up to ``steps`` outer steps, as ``step.advance`` makes single ones."""
    flags, calls, here = film.flags, film.calls, address_of(film)
    split, blocks = film.split, film.totals.thrown.size
    flags[MADE] = 0
    flags[STATUS] = STEP_DONE
    while flags[MADE] < steps:
        call(calls.fresh[0], 0, here)
        if flags[STATUS] == LIST_FULL:
            return
        if flags[KEPT] == PRESENT:  # only the near list had too little room
            on_blocks(split.outer[:1], blocks, here)
        else:
            on_blocks(split.outer, blocks, here)
            flags[KEPT] = PRESENT
        if most(split.near.needed) > split.near.entries.size // blocks:
            flags[STATUS] = LIST_FULL
            return
        flags[KEPT] = EARLIER
        for _ in range(split.inner):
            call(calls.field[0], 0, here)
            on_blocks(calls.parts, blocks, here)
            if conclude(film):
                flags[STATUS] = THROWN
                return
            film.clock[MOVE] += np.uint64(1)
        flags[MADE] += 1
