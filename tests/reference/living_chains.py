"""Chains that join and break at random, one event after the other: the slow form of the rates.

D. T. Gillespie, J. Phys. Chem. 81, 2340 (1977) (from memory), with rejection: events are drawn as
if every rate were the largest, and made with the share g_ij = (i^-w + j^-w)/2.
"""

import numpy as np


def lengths_in_time(particles, pace, constant, fall, times, seed, first=None):
    """Return the mean length at rising times, and the chains at the last one.

    Each of the C (C - 1)/2 pairs of chains joins at the rate 2 a g/N, each bond breaks at a g/K.
    """
    random = np.random.default_rng(seed)
    chains = [1] * particles if first is None else list(first)
    now, seen = 0.0, []
    for time in times:
        while True:
            count = len(chains)
            joins = pace * count * (count - 1) / particles
            breaks = pace / constant * (particles - count)
            wait = random.exponential(1.0 / (joins + breaks))
            if now + wait > time:
                now = time  # waiting times remember nothing
                break
            now += wait
            if random.random() * (joins + breaks) < joins:
                _join(chains, fall, random)
            else:
                _break(chains, fall, random)
        seen.append(particles / len(chains))
    return np.array(seen), np.array(chains)


def _share(i, j, fall):
    return 0.5 * (i**-fall + j**-fall)


def _join(chains, fall, random):
    i, j = _two(chains, random)
    if random.random() < _share(chains[i], chains[j], fall):
        chains[i] += chains[j]
        chains[j] = chains[-1]
        chains.pop()


def _two(chains, random):
    while True:
        i, j = int(random.random() * len(chains)), int(random.random() * len(chains))
        if i != j:
            return i, j


def _break(chains, fall, random):
    """Every bond is as likely: a chain by its bonds, then one of them."""
    longest = max(chains)
    while True:
        k = int(random.random() * len(chains))
        if random.random() * (longest - 1) < chains[k] - 1:
            break
    left = 1 + int(random.random() * (chains[k] - 1))
    if random.random() < _share(left, chains[k] - left, fall):
        chains.append(chains[k] - left)
        chains[k] = left
