"""Chain lengths at low density against the equilibrium theory of ideal chains.

Mass action with the bond constant q of the run's own potential and bond rule, by quadrature
(A. O. Ivanov and A. Y. Zubarev, Materials 13, 3956 (2020), for the law; the number of chains of s
particles is n_1 p^(s-1) and the mean 1/2 + sqrt(1/4 + n q/2), half of q because either end of a
pair may be the head). Mean lengths: the theory with the bare q and that with the first density
correction exp(2 B' n), B' as in ``test_dilute``, differ by what the theory leaves out; the run may
differ from the second by as much. Distribution: beyond pairs, where next neighbours help each bond
alike, the law is geometric (M. A. Reynolds and others, EPL 116, 28001 (2016)): the ratios of
successive numbers agree.

Gates are at 4 standard errors from blocks, fixed seeds.
"""

import math

import numpy as np
import pytest

from tests.reference.dilute_gas import gas, mean_and_error, pair_integrals

COUPLING, FRACTION = 3.0, 0.01


@pytest.fixture(scope="module")
def chains():
    """Return numbers of chains by length at each look, the density, and the room."""
    _, density, room, lengths = gas(COUPLING, FRACTION, 25000, 150, 1500)
    return lengths, density, room


@pytest.mark.slow
def test_mean_length(chains, tell):
    lengths, density, room = chains
    number = lengths.sum(axis=1)
    found, error = mean_and_error(lengths @ np.arange(lengths.shape[1]) / number)
    bonded, other, _ = pair_integrals(COUPLING, 4.0, room)
    bare = 0.5 + math.sqrt(0.25 + 0.5 * density * bonded)
    wanted = 0.5 + math.sqrt(0.25 + 0.5 * density * bonded * math.exp(density * other))
    tell(
        "mean chain length without a field, λ = 3, φ = 0.01",
        wanted,
        found,
        error,
        source="Ivanov, Zubarev 2020; own quadrature",
    )
    assert error < 0.05 * (wanted - 1.0)
    assert abs(found - wanted) < 4.0 * error + (wanted - bare)


@pytest.mark.slow
def test_lengths_beyond_pairs_are_geometric(chains, tell):
    lengths, _, _ = chains
    blocks = lengths[: len(lengths) // 10 * 10].reshape(10, -1, lengths.shape[1]).sum(axis=1)
    whole = blocks.sum(axis=0)
    ratios, errors = [], []
    for size in (2, 3):
        # A ratio of sums, its error from leaving out one block at a time.
        left = whole - blocks
        parts = left[:, size + 1] / left[:, size]
        ratios.append(whole[size + 1] / whole[size])
        errors.append(math.sqrt(0.9 * np.sum((parts - parts.mean()) ** 2)))
    error = math.hypot(*errors)
    tell(
        "n4/n3 of chain numbers beside n3/n2, λ = 3, φ = 0.01",
        ratios[0],
        ratios[1],
        error,
        source="Reynolds and others 2016",
    )
    assert error < 0.3 * ratios[0]
    assert abs(ratios[1] - ratios[0]) < 4.0 * error
    # A law without memory of pairs would not do: the first ratio is far smaller.
    assert whole[2] / whole[1] < ratios[0] - 4.0 * errors[0]
