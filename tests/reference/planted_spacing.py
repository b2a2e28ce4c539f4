"""Films of chains whose spacing is known, of every degree of order, one frame each.

Chains of 12 particles lie along x in rows of places across the film; every row is a realisation of
its own. Truths are closed forms: a row is a lattice with independent displacements, or a renewal
process (gaps independent), whose pair correlation and structure factor follow from the law of its
gaps. Nothing here imports the packages under test.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tests.reference.planted import DIAMETER, Planted, straight_chains

SPACING = 120e-9
LENGTH = 12
ROWS = 4
LINES = 40
PITCH = 1.25 * LENGTH * 1.02 * DIAMETER
SIDES = (ROWS * PITCH, LINES * SPACING)
THICK = 0.6e-6


@dataclass(frozen=True)
class Case:
    """A kind of film: its maker, and the true places in m (None: no order, nothing to be shown).

    ``pair`` is the first maximum of the pair correlation of axes, ``light`` 2 pi over the first
    maximum of the projected structure factor. In a patch a regular film holds a whole number of
    its spacings: which spacing it has in a wide cell is known within half a step of that number.
    ``squeezed`` films are judged against spacings drawn evenly from there.
    """

    make: object
    pair: float | None
    light: float | None
    squeezed: bool = False

    def light_of(self, seed):
        """Return the place of the light in m for the film of a seed, None without order."""
        if not self.squeezed:
            return self.light
        held = LINES * SPACING / self.light
        return LINES * SPACING / (held + np.random.default_rng([seed, 2]).uniform(-0.5, 0.5))


def planted(lanes, heights, seed, sides=SIDES, thickness=THICK) -> Planted:
    """Chains in ``ROWS`` rows at the given places across: (rows) of arrays of y and z in m."""
    # Particles of neighbouring chains are not in register: a line may pass between two of one.
    rng = np.random.default_rng([seed, 1])
    begin, bond = rng.random(), 1.02 * DIAMETER
    starts = [
        [(row + 0.2 * begin) * sides[0] / len(lanes) + rng.random() * bond, y % sides[1], z]
        for row, (ys, zs) in enumerate(zip(lanes, heights, strict=True))
        for y, z in zip(ys, zs, strict=True)
    ]
    return straight_chains(
        starts, [LENGTH] * len(starts), sides=sides, thickness=thickness, noise=0.3e-9, seed=seed
    )


def apart(rng, sites, share):
    """Jitter sites by ``share``, all in spacings, drawn again until no two chains touch."""
    while True:
        places = sites + share * rng.standard_normal(len(sites))
        if np.diff(places, append=places[0] + len(sites)).min() * SPACING > 1.6 * DIAMETER:
            return places


def jittered(share):
    """One layer; every chain off its lattice place by a normal amount of ``share`` spacings."""

    def make(seed):
        rng = np.random.default_rng(seed)
        lanes = [SPACING * apart(rng, np.arange(LINES), share) for _ in range(ROWS)]
        return planted(lanes, [np.full(LINES, 0.3e-6)] * ROWS, seed)

    distances = np.linspace(0.5, 1.5, 100_001)
    orders = np.arange(1, 5)[:, None]
    wide = math.sqrt(2) * share
    g = np.exp(-0.5 * ((distances - orders) / wide) ** 2).sum(axis=0)
    return Case(make, SPACING * distances[g.argmax()], SPACING, squeezed=True)


def cut(share):
    """A jittered lattice in a patch a quarter of a spacing too short: a seam of 0.75 spacings."""

    spacings = LINES - 0.25

    def make(seed):
        rng = np.random.default_rng(seed)
        lanes = [
            SPACING * (np.arange(LINES) + share * rng.standard_normal(LINES)) for _ in range(ROWS)
        ]
        sides = (SIDES[0], spacings * SPACING)
        return planted(lanes, [np.full(LINES, 0.3e-6)] * ROWS, seed, sides)

    return Case(make, SPACING, SPACING)


def renewal(gaps, characteristic, pair):
    """Rows of independent gaps; ``gaps(rng, n)`` in spacings, their characteristic function.

    Gaps are drawn as they are where n of them close the row: a film holds the number of chains
    that it has.
    """

    def make(seed):
        rng = np.random.default_rng(seed)
        lanes = [
            SPACING * (np.cumsum(gaps(rng, LINES)) + LINES * rng.random()) for _ in range(ROWS)
        ]
        return planted(lanes, [np.full(LINES, 0.3e-6)] * ROWS, seed)

    q = np.linspace(2.5, 12.0, 95_001)
    h = characteristic(q)
    s = ((1 + h) / (1 - h)).real
    top = int(s.argmax())
    light = 2 * math.pi / q[top] * SPACING if 0 < top < len(q) - 1 else None
    return Case(make, None if pair is None else pair * SPACING, light)


def paracrystal(scatter):
    """Gaps of mean one spacing that scatter by ``scatter`` of it."""
    distances = np.linspace(0.5, 1.5, 100_001)
    order = np.arange(1, 9)[:, None]
    g = np.exp(-0.5 * ((distances - order) / scatter) ** 2 / order) / np.sqrt(order)
    pair = float(distances[g.sum(axis=0).argmax()])

    # Normal gaps of a given sum are normal gaps less their mean.
    def gaps(rng, n):
        away = rng.standard_normal(n)
        return np.maximum(0.05, 1 + scatter * (away - away.mean()))

    return renewal(
        gaps,
        lambda q: np.exp(-1j * q - 0.5 * (q * scatter) ** 2),
        pair,
    )


def hard_core(contact):
    """Chains at random that keep ``contact`` spacings apart: rods on a line (Tonks 1936)."""
    free = 1 - contact

    # Exponential gaps of a given sum are the intervals between points at random on the ring.
    def gaps(rng, n):
        part = rng.standard_exponential(n)
        return contact + free * part / part.mean()

    return renewal(
        gaps,
        lambda q: np.exp(-1j * q * contact) / (1 + 1j * q * free),
        contact,
    )


def random_lines(seed):
    """Chains at random, drawn again until no two of a row touch."""
    rng = np.random.default_rng(seed)

    def row():
        while True:
            y, z = SIDES[1] * rng.random(LINES), 0.05e-6 + 0.5e-6 * rng.random(LINES)
            beside = y[:, None] - y
            beside -= SIDES[1] * np.round(beside / SIDES[1])
            apart = np.hypot(beside, z[:, None] - z)[np.triu_indices(LINES, 1)]
            if apart.min() > 1.6 * DIAMETER:
                return y, z

    return planted(*zip(*(row() for _ in range(ROWS)), strict=True), seed)


def lattice(shift, height, share=0.05, layers=4):
    """Layers ``height`` spacings apart, every other one aside by ``shift``; chains jittered."""

    def make(seed):
        rng = np.random.default_rng(seed)
        lanes, heights = [], []
        for _ in range(ROWS):
            layer, lane = np.meshgrid(np.arange(layers), np.arange(LINES), indexing="ij")
            off = share * rng.standard_normal((2, layers, LINES))
            lanes.append(SPACING * (lane + shift * (layer % 2) + off[0]).ravel())
            heights.append(0.06e-6 + SPACING * (height * layer + off[1]).ravel())
        return planted(lanes, heights, seed)

    return Case(make, SPACING, SPACING * (0.5 if shift else 1.0), squeezed=True)


def pairs(near=4.0, far=10.0, share=0.16):
    """Pairs of chains ``near`` diameters apart, ``far`` to the next pair: two populations."""

    count = int(SIDES[1] / ((near + far) * DIAMETER))
    cell = SIDES[1] / count

    def make(seed):
        rng = np.random.default_rng(seed)
        lanes = []
        for _ in range(ROWS):
            places = np.arange(count)[:, None] * cell + np.array([0, near * DIAMETER])
            lanes.append((places + share * DIAMETER * rng.standard_normal(places.shape)).ravel())
        return planted(lanes, [np.full(2 * count, 0.3e-6)] * ROWS, seed)

    # Of the orders of the cells, cos^2(q near/2) makes the first and the third alike: not judged.
    return Case(make, near * DIAMETER, None)


def nearest_distances(film, plane=False):
    """Distance of every chain to the nearest one beside it in m, by all pairs of one row, (n,).

    ``plane``: as seen through the film, whatever the heights.
    """
    chains = film.positions.reshape(-1, LENGTH, 3)
    turns = np.exp(2j * math.pi * chains[:, :, 1] / film.sides[1]).mean(axis=1)
    across = np.angle(turns) * film.sides[1] / (2 * math.pi)
    height = chains[:, :, 2].mean(axis=1) * (0.0 if plane else 1.0)
    row = np.round(chains[:, 5, 0] / film.sides[0] * ROWS - 0.5)
    apart = across[:, None] - across
    apart -= film.sides[1] * np.round(apart / film.sides[1])
    distance = np.hypot(apart, height[:, None] - height)
    distance[row[:, None] != row] = np.inf
    np.fill_diagonal(distance, np.inf)
    return distance.min(axis=1)


def clear_slits(film, lines=89):
    """Widths in m of the clear stretches on lines across the chains, covered ones merged, (n,).

    The number of lines is prime, so that they do not meet rows of particles always alike.
    """
    found = []
    radius = 0.5 * film.diameters
    for x in (np.arange(lines) + 0.5) / lines * film.sides[0]:
        beside = film.positions[:, 0] - x
        beside -= film.sides[0] * np.round(beside / film.sides[0])
        met = np.abs(beside) < radius
        if not met.any():
            continue
        half = np.sqrt(radius[met] ** 2 - beside[met] ** 2)
        begin = film.positions[met, 1] - half
        order = np.argsort(begin)
        begin, end = begin[order], (film.positions[met, 1] + half)[order]
        # Sweep twice round the line, and keep the second time: the border is then no end.
        begin = np.concatenate([begin, begin + film.sides[1], [begin[0] + 2 * film.sides[1]]])
        end = np.maximum.accumulate(np.concatenate([end, end + film.sides[1]]))
        widths = begin[1:] - end
        found.append(widths[len(order) - 1 : 2 * len(order) - 1])
    widths = np.concatenate(found)
    return widths[widths > 0]


CASES = {
    "sites jittered by 0.05": jittered(0.05),
    "sites jittered by 0.15": jittered(0.15),
    "sites jittered by 0.25": jittered(0.25),
    "sites jittered by 0.05, cut": cut(0.05),
    "sites jittered by 0.15, cut": cut(0.15),
    "gaps that scatter by 0.1": paracrystal(0.1),
    "gaps that scatter by 0.25": paracrystal(0.25),
    "hard core 0.5": hard_core(0.5),
    "hard core 0.7": hard_core(0.7),
    "square lattice in depth": lattice(0.0, 1.0),
    "hexagonal lattice in depth": lattice(0.5, math.sqrt(0.75)),
    "pairs 4 and 10 diameters apart": pairs(),
    "at random": Case(random_lines, None, None),
}
