"""A plain Metropolis sampler of dipolar soft cores between windows: the truth of small films.

N. Metropolis et al., J. Chem. Phys. 21, 1087 (1953): one particle is shifted and turned, and the
move is taken with the chance min(1, exp(-change of energy/kT)). It shares no step, list or mesh
with the engine: the nearest image of each pair is summed bare, all other images by a table of the
exact sum, interpolated by cubics.
"""

import math

import numpy as np
from numba import njit

from tests.reference.dipole_sum import dipole_sum

SPACING = 0.3
SOFT_CORE_REACH2 = 2.0 ** (1.0 / 3.0)


def table_of_images(sides, thickness):
    """Return (tensor on a grid, grid points a length, own tensor) of all images but the nearest.

    The tensor (xx, yy, xy, xz, yz) stands at separations from one grid step below 0 to beyond
    half the sides and the thickness; zz = -xx - yy, and other octants follow by symmetry.
    """
    half = np.array([0.5 * sides[0], 0.5 * sides[1], thickness])
    counts = np.ceil(half / SPACING).astype(int)
    step = half / counts
    axes = [(np.arange(n + 4) - 1) * d for n, d in zip(counts, step, strict=True)]
    places = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    origin = np.linalg.norm(places, axis=1) < 1e-9
    own = np.zeros((3, 3))
    tensor = np.zeros((len(places), 3, 3))
    for part in np.array_split(np.flatnonzero(~origin), max(1, len(places) // 1500)):
        for source in range(2):
            position = np.vstack([np.zeros(3), places[part]])
            position[:, :2] %= sides
            position[:, 2] += step[2] if source < 2 else 0.0
            moment = np.zeros_like(position)
            moment[0, source] = 1.0
            found, _ = dipole_sum(position, moment, sides, method="exact")
            own[:, source] = found[0]
            r = places[part]
            r2 = np.sum(r**2, axis=1)[:, None]
            bare = 3.0 * r * r[:, [source]] / r2**2.5 - np.eye(3)[source] / r2**1.5
            tensor[part, :, source] = found[1:] - bare
    own[2, 2] = -own[0, 0] - own[1, 1]
    tensor[origin] = own
    columns = ((0, 0), (1, 1), (1, 0), (2, 0), (2, 1))
    grid = np.stack([tensor[:, a, b] for a, b in columns], axis=-1)
    return grid.reshape(*(len(axis) for axis in axes), 5), 1.0 / step, own


@njit(cache=True)
def cubic(f, out):
    """Fill the weights of four grid points around a place (Lagrange)."""
    out[0] = -f * (f - 1.0) * (f - 2.0) / 6.0
    out[1] = (f + 1.0) * (f - 1.0) * (f - 2.0) / 2.0
    out[2] = -(f + 1.0) * f * (f - 2.0) / 2.0
    out[3] = (f + 1.0) * f * (f - 1.0) / 6.0


@njit(cache=True)
def energies_of(i, place, u, places, directions, moment, sides, thickness, table, scale, own):
    """Return (dipolar, steric and windows) energy of particle i at a place, with all others."""
    field = np.zeros(3)
    gap, t, weight = np.empty(3), np.empty(5), np.empty((3, 4))
    start = np.empty(3, np.int64)
    steric = 0.0
    for j in range(len(places)):
        if j == i:
            continue
        for a in range(3):
            gap[a] = place[a] - places[j, a]
            if a < 2:
                gap[a] -= sides[a] * np.rint(gap[a] / sides[a])
            at = abs(gap[a]) * scale[a]
            start[a] = min(int(at), table.shape[a] - 4)
            cubic(at - start[a], weight[a])
        t[:] = 0.0
        for x in range(4):
            for y in range(4):
                for z in range(4):
                    w = weight[0, x] * weight[1, y] * weight[2, z]
                    row = table[start[0] + x, start[1] + y, start[2] + z]
                    for c in range(5):
                        t[c] += w * row[c]
        if gap[0] * gap[1] < 0.0:
            t[2] = -t[2]
        if gap[0] * gap[2] < 0.0:
            t[3] = -t[3]
        if gap[1] * gap[2] < 0.0:
            t[4] = -t[4]
        v = directions[j]
        r2 = gap[0] ** 2 + gap[1] ** 2 + gap[2] ** 2
        b = r2**-1.5
        along = 3.0 * b / r2 * (v[0] * gap[0] + v[1] * gap[1] + v[2] * gap[2])
        field[0] += along * gap[0] - b * v[0] + t[0] * v[0] + t[2] * v[1] + t[3] * v[2]
        field[1] += along * gap[1] - b * v[1] + t[2] * v[0] + t[1] * v[1] + t[4] * v[2]
        field[2] += along * gap[2] - b * v[2] + t[3] * v[0] + t[4] * v[1] - (t[0] + t[1]) * v[2]
        steric += soft_core(r2)
    # windows are mirrors at which soft cores of the same kind stand
    windows = soft_core((place[2] + 0.5) ** 2) + soft_core((thickness - place[2] + 0.5) ** 2)
    if place[2] <= -0.3 or place[2] >= thickness + 0.3:
        windows = 1e9
    dipolar = 0.0
    for a in range(3):
        itself = 0.0
        for b_ in range(3):
            itself += own[a, b_] * u[b_]
        dipolar -= moment**2 * u[a] * (field[a] + 0.5 * itself)
    return dipolar, steric, windows


@njit(cache=True)
def soft_core(r2):
    """Return the soft core's energy at 1 kT (Weeks, Chandler and Andersen)."""
    if r2 >= SOFT_CORE_REACH2:
        return 0.0
    x6 = 1.0 / r2**3
    return 4.0 * (x6 - 1.0) * x6 + 1.0


@njit(cache=True)
def turned(u, spread):
    """Return a unit vector near another, drawn alike there and back."""
    v = np.empty(3)
    for a in range(3):
        v[a] = u[a] + spread * np.random.normal()  # noqa: NPY002
    return v / math.sqrt(np.sum(v**2))


@njit(cache=True)
def sweep(sweeps, places, directions, moment, field, sides, thickness, table, scale, own, reach):
    """Make sweeps of single moves in place; return the share taken."""
    taken = 0
    place = np.empty(3)
    for _ in range(sweeps * len(places)):
        i = np.random.randint(len(places))  # noqa: NPY002
        # most moves are short; one in ten goes anywhere, so that films mix
        far = np.random.random() < 0.1  # noqa: NPY002
        for a in range(3):
            side = sides[a] if a < 2 else thickness
            shift = side if far else reach
            place[a] = places[i, a] + shift * (np.random.random() - 0.5)  # noqa: NPY002
            if a < 2:
                place[a] -= side * math.floor(place[a] / side)
        u = turned(directions[i], 5.0 if far else 0.35)
        args = places, directions, moment, sides, thickness, table, scale, own
        before = energies_of(i, places[i], directions[i], *args)
        after = energies_of(i, place, u, *args)
        change = after[0] + after[1] + after[2] - before[0] - before[1] - before[2]
        for a in range(3):
            change -= moment * field[a] * (u[a] - directions[i, a])
        if change <= 0.0 or np.random.random() < math.exp(-change):  # noqa: NPY002
            places[i], directions[i] = place, u
            taken += 1
    return taken / (sweeps * len(places))


@njit(cache=True)
def seed_sampler(seed):
    """Seed the random numbers of compiled code."""
    np.random.seed(seed)  # noqa: NPY002


class Sampler:
    """Equilibrium of a film of equal soft cores of 1 kT, diameter 1, in a steady field.

    Parameters
    ----------
    system : ReducedSystem
        Its sides, thickness, moment and first field are taken.
    state : FilmState
        Where sampling starts.
    seed : int
    """

    def __init__(self, system, state, seed):
        self._places = state.positions.copy()
        self._directions = state.directions.copy()
        self._moment = float(system.moment[0])
        self._field = np.array(system.field[0].first)
        sides = np.array(system.sides)
        table, scale, own = table_of_images(sides, system.thickness)
        self._rest = sides, system.thickness, table, scale, own
        self._seed = seed

    def sweep(self, sweeps):
        """Make sweeps; return the share of moves taken."""
        if self._seed is not None:
            seed_sampler(self._seed)
            self._seed = None
        return sweep(
            sweeps, self._places, self._directions, self._moment, self._field, *self._rest, 0.3
        )

    def observe(self):
        """Return (dipolar energy, soft-core energy, magnetisation along the field), a particle."""
        count = len(self._places)
        args = self._places, self._directions, self._moment, *self._rest
        parts = np.array(
            [
                energies_of(i, self._places[i], self._directions[i], *args)
                for i in range(count)
            ]
        )  # fmt: skip
        own = self._rest[-1]
        itself = (
            -0.5
            * self._moment**2
            * np.einsum("ia,ab,ib->i", self._directions, own, self._directions)
        )
        dipolar = 0.5 * (parts[:, 0] - itself) + itself
        along = self._field / max(np.linalg.norm(self._field), 1e-300)
        return dipolar.mean(), 0.5 * parts[:, 1].mean(), (self._directions @ along).mean()
