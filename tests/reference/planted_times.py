"""Series with known times: pairs that rejoin, strong bonds among flickering, moments that turn."""

import numpy as np


def rejoining_bonds(rng, pairs, life, ratio, times):
    """Return frames of pairs that part at 1/life and rejoin at ratio/life, and their particles.

    Two states in equilibrium at even times, with the exact chances of a telegraph:
    P(bonded again) = p + (1 - p) exp(-(1 + ratio) t/life), p = ratio/(1 + ratio).
    """
    share = ratio / (1 + ratio)
    fade = np.exp(-(1 + ratio) * (times[1] - times[0]) / life)
    bonded = rng.random(pairs) < share
    frames = []
    for _ in times:
        first = 2 * np.flatnonzero(bonded)
        frames.append(np.stack([first, first + 1], axis=1).astype(np.int64))
        chance = share * (1 - fade) + bonded * fade
        bonded = rng.random(pairs) < chance
    return frames, 2 * pairs


def flickering_bonds(rng, strong, life, times, weak=0.05):
    """Return frames of bonds of mean life ``life``, replaced when broken, and of fresh weak ones.

    Each frame has ``weak`` times as many bonds between particles that never bond again.
    """
    from tests.reference.planted_order import breaking_bonds

    frames, count = breaking_bonds(rng, strong, life, times)
    each = int(weak * strong)
    out = []
    for k, bonds in enumerate(frames):
        first = count + 2 * (k * each + np.arange(each))
        out.append(np.concatenate([bonds, np.stack([first, first + 1], axis=1)]))
    return out, count + 2 * each * len(frames)


def films_in_parts(rng, films, count, tau, frozen, parts=16):
    """Yield the series of a film, (count,), and of its parts as ratios, (count, parts, 2).

    The average of the film deviates from 0 by 1 in every frame. A share ``frozen`` of that variance
    is common to all frames; the rest forgets in ``tau`` frames, each part for itself.
    """
    from tests.benchmarks.coverage import autoregressive

    for _ in range(films):
        common = np.sqrt(frozen) * rng.standard_normal((parts, 1))
        own = common + np.sqrt(1 - frozen) * autoregressive(rng, parts, count, tau)
        own = (np.sqrt(parts) * own).T
        yield own.mean(axis=1), np.stack([own, np.ones_like(own)], axis=2)


def turning_moments(rng, films, parameters, turning, times, step=0.02):
    """Return directions of free moments in a field along z, (films, frames, N, 3), from rest on.

    Each turns by itself: rotational diffusion of D = 1/(2 ``turning``), (N,), with the drift
    D xi u x z of its Langevin parameter xi, (N,). The first frame is drawn from the Boltzmann law,
    so that every frame is of a film at rest. Steps are at most ``step`` times the shortest turning.
    """
    from tests.reference.planted import langevin_directions

    along = [
        langevin_directions(rng, films, parameter, (0.0, 0.0, 1.0)) for parameter in parameters
    ]
    vectors = np.stack(along, axis=1)
    frames = [vectors]
    pieces = int(np.ceil((times[1] - times[0]) / (step * turning.min())))
    noise = np.sqrt((times[1] - times[0]) / pieces / turning)[:, None]
    drift = 0.5 * noise**2 * np.asarray(parameters)[:, None]
    for _ in times[1:]:
        for _ in range(pieces):
            turn = noise * rng.standard_normal(vectors.shape)
            turn += drift * np.cross(vectors, [0.0, 0.0, 1.0])
            vectors = vectors + np.cross(turn, vectors)
            vectors /= np.linalg.norm(vectors, axis=-1, keepdims=True)
        frames.append(vectors)
    return np.stack(frames, axis=1)
