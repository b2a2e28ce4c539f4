"""Rounds of moves: local ones, moves of chains, local ones again.

Moves of either sort are drawn at random and independent of each other. A round reads the same
forwards and backwards, so that it keeps detailed balance as each of its moves does: a whole round
can be accepted or refused by what its energies leave out. No checks by design.
"""

from numba import njit

from sim.kernels.sampler import bends, chain_moves, rigid_moves
from sim.kernels.sampler.bonds import chain_lengths, find_all_bonds
from sim.kernels.sampler.cells import fill
from sim.kernels.sampler.draws import begin_move, below, uniform
from sim.kernels.sampler.energies import pair_energy, sum_moments, total_energy
from sim.kernels.sampler.layout import (
    BEND,
    CHAINS,
    CHANGE,
    EXCHANGE,
    HOP,
    SEGMENT,
    SHARE,
    SHIFT,
    SIZES,
    SLIDE,
    SPACING,
    SPLICE,
    SQUARES,
    SWING,
    TOTAL,
    TURN,
)
from sim.kernels.sampler.local import local_move
from sim.kernels.sampler.spacing import nearest_chain
from sim.kernels.vectors.calls import kernel


@njit(cache=True, error_model="numpy")
def chain_move(film):
    """Try one move of a chain, of a kind drawn from the mixture."""
    random = film.random
    begin_move(random)
    share = uniform(random)
    kind = HOP
    while kind < SIZES and share >= film.mixture[kind]:
        kind += 1
    film.counts[kind, 0] += 1
    i = below(random, film.rows.shape[0])
    if kind == HOP:
        chain_moves.hop(film, i)
    elif kind == SPLICE:
        chain_moves.splice(film, i)
    elif kind == SEGMENT:
        chain_moves.segment(film, i)
    elif kind == SHIFT:
        chain_moves.shift(film, i)
    elif kind == EXCHANGE:
        chain_moves.exchange(film, i)
    elif kind == SLIDE:
        rigid_moves.slide(film, i)
    elif kind == TURN:
        rigid_moves.turn(film, i)
    elif kind == BEND:
        bends.bend(film, i)
    elif kind == SWING:
        bends.swing(film, i)
    else:
        chain_moves.exchange_sizes(film, i)


@kernel
def refresh(block, film):
    """Fill cells and sums from the rows, in an order that hangs on nothing else."""
    fill(film.far, film)
    fill(film.near, film)
    sum_moments(film)


@kernel
def make_round(local, film):
    """Try so many local moves, as many moves of chains as planned, as many local moves again.

    The change of the energy stands in ``found`` after it.
    """
    film.found[CHANGE] = 0.0
    for _ in range(local):
        local_move(film)
    if film.chain_moves[0] > 0:
        find_all_bonds(film)
        for _ in range(film.chain_moves[0]):
            chain_move(film)
    for _ in range(local):
        local_move(film)


@kernel
def draw_share(block, film):
    """Draw a number between 0 and 1 as the next move would."""
    begin_move(film.random)
    film.found[SHARE] = uniform(film.random)


@kernel
def find_structure(block, film):
    """Count chains and the squares of their lengths, and find how far the next chain stands.

    Cells must be those of the rows.
    """
    chains, squares = chain_lengths(film)
    film.found[CHAINS] = chains
    film.found[SQUARES] = squares
    film.found[SPACING] = nearest_chain(film)


@kernel
def find_energy(block, film):
    """Sum the energy of all particles as the moves count it; cells and sums must be fresh."""
    film.found[TOTAL] = total_energy(film)


@kernel
def find_pair_energy(block, film):
    """Find the energy of the first two proposed rows with each other."""
    film.found[TOTAL] = pair_energy(film, film.fresh[0], film.fresh[1])
