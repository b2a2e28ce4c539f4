"""Films of a few particles for the sampler, and what quadrature says of one pair."""

import numpy as np
from scipy.integrate import quad, trapezoid

from sim.kernels.sampler import draws, layout, rounds
from sim.kernels.vectors.calls import Packed
from sim.sampler.film import make_film


class Moves:
    """A film with moves of chosen kinds."""

    def __init__(
        self, system, positions, directions=None, seed=1, missing=True, row=None, **shares
    ):
        count = system.count
        directions = np.tile([1.0, 0.0, 0.0], (count, 1)) if directions is None else directions
        film = make_film(system, np.asarray(positions, float), directions, seed, 0)
        mixture = np.zeros(len(layout.MOVES))
        for name, share in shares.items():
            mixture[layout.MOVES.index(name)] = share
        if shares:
            film.mixture[:] = np.cumsum(mixture / mixture.sum())
        # far moves, so that those that change bonds are tried often
        far = film.walk._replace(
            tail=0.8, turn=3.1, shortest=0.3, longest=3.0, pieces=1.0, worth=3.0
        )
        film = film._replace(walk=far if row is None else far._replace(row=row))
        self.film = film if missing else film._replace(missing=0.0)
        self.packed = Packed(self.film)
        self.sweep = 0

    def call(self, kernel, number=0):
        """Run one kernel."""
        self.packed.call(kernel, number)

    def round(self, local, chains):
        """Make one round and return its change of the energy."""
        self.sweep += 1
        self.film.random[draws.SWEEP], self.film.random[draws.MOVE] = self.sweep, 0
        self.film.chain_moves[0] = chains
        self.call(rounds.refresh)
        self.call(rounds.make_round, local)
        return self.film.found[layout.CHANGE]

    def energy(self):
        """Return the energy of the film."""
        self.call(rounds.refresh)
        self.call(rounds.find_energy)
        return self.film.found[layout.TOTAL]

    def accepted(self, name):
        """Return how many moves of a kind were taken."""
        return self.film.counts[layout.MOVES.index(name), 1]


def soft_core(r, diameter=1.0, strength=1.0):
    """Return the soft core, 12-6 cut and shifted at its minimum (Weeks and others, 1971)."""
    x6 = (diameter / np.maximum(r, 0.3)) ** 6
    return np.where(r < 2 ** (1 / 6) * diameter, strength * (4.0 * (x6 - 1.0) * x6 + 1.0), 0.0)


def window_weight(z, thickness, radius=0.5, strength=1.0):
    """Return exp(-U) of a particle between two windows."""
    energy = soft_core(z + radius, 2 * radius, strength)
    return np.exp(-energy - soft_core(thickness - z + radius, 2 * radius, strength))


def turned_pair(coupling):
    """Return the mean of exp(-U) over all directions of two dipoles, U = m^2/r^3 times the angles.

    Over the second direction it is sinh(t g)/(t g), g^2 = 1 + 3 c^2 with the cosine c of the first;
    the rest is a quadrature.
    """

    def part(c):
        g = coupling * np.sqrt(1.0 + 3.0 * c * c)
        return np.sinh(g) / g

    return quad(part, 0.0, 1.0, epsabs=1e-10)[0]


def pair_distribution(edges, moment2, sides, thickness, cutoff, points=1500):
    """Return the chance that two equal dipoles in a film stand at distances between the edges.

    Two dimensions, the difference of heights and the distance in the plane, by the trapezoidal
    rule; heights enter by the correlation of what the windows leave.
    """
    z = np.linspace(-0.2, thickness + 0.2, 4001)
    weight = window_weight(z, thickness)
    step = z[1] - z[0]
    both = np.correlate(weight, weight, "full") * step
    gaps = step * (np.arange(len(both)) - len(z) + 1)
    whole = weight.sum() * step
    r = np.linspace(0.5, cutoff, points)
    strength = np.exp(-soft_core(r)) * np.array([turned_pair(moment2 / x**3) for x in r])
    # at distance r the sphere's rings give 2 pi r d(gap), gaps from -r to r
    total = np.concatenate([[0.0], np.cumsum(both) * step])

    def inside(x):
        return np.interp(x, np.concatenate([[gaps[0] - step], gaps]) + 0.5 * step, total)

    shell = 2.0 * np.pi * r * (inside(r) - inside(-r))
    density = strength * shell
    free = trapezoid(np.interp(np.linspace(0, cutoff, points), r, np.zeros(points)), r)
    full = np.linspace(0.0, cutoff, 4 * points)
    empty = trapezoid(2.0 * np.pi * full * (inside(full) - inside(-full)), full)
    norm = sides[0] * sides[1] * whole**2 - empty + trapezoid(density, r) + free
    fine = np.concatenate([[0.0], np.cumsum(0.5 * (density[1:] + density[:-1]) * np.diff(r))])
    return np.diff(np.interp(edges, r, fine)) / norm


def distance(rows, i, j, sides):
    """Return the distance of two particles to the nearest image."""
    gap = rows[i, :3] - rows[j, :3]
    gap[:2] -= np.asarray(sides) * np.rint(gap[:2] / np.asarray(sides))
    return float(np.linalg.norm(gap))


def blocked(values, blocks=40):
    """Return mean and standard error of a series from the scatter of blocks."""
    values = np.asarray(values, float)
    means = values[: len(values) // blocks * blocks].reshape(blocks, -1, *values.shape[1:]).mean(1)
    return means.mean(0), means.std(0, ddof=1) / np.sqrt(blocks)
