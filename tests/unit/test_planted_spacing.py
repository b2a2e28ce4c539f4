"""First shell of planted pair counts: bells are placed within their errors, edges are withheld."""

import numpy as np
import pytest

from analysis.spacing.first_shell import shell_place

EDGES = np.linspace(0.0, 300e-9, 51)
PARTS = 10


def counts(draw, seed):
    """Pairs of one shell over a flat background, in parts of the film drawn independently."""
    rng = np.random.default_rng(seed)
    rows = [np.histogram(draw(rng), bins=EDGES)[0] for _ in range(PARTS)]
    return np.array(rows, float) + rng.poisson(1.0, (PARTS, 50))


def test_a_bell_is_placed_within_its_error():
    # A normal law of distances has its mode at its mean; 60 films, gate of 4 binomial sigma.
    held = []
    for seed in range(60):
        seen = counts(lambda rng: 120e-9 + 15e-9 * rng.standard_normal(60), seed)
        place = shell_place(seen, np.full(50, 20.0), EDGES, 120e-9)
        held.append([a < 120e-9 < b for a, b in (place.interval(0.6827), place.interval(0.95))])
    for rate, level in zip(np.mean(held, axis=0), (0.6827, 0.95), strict=True):
        assert abs(rate - level) < 4 * np.sqrt(level * (1 - level) / 60)


@pytest.mark.parametrize("seed", range(4))
def test_an_edge_is_no_spacing(seed):
    # Rods on a line: gaps are the contact and an exponential (Tonks, Phys. Rev. 50, 955, 1936).
    seen = counts(lambda rng: 80e-9 + 40e-9 * rng.standard_exponential(200), seed)
    assert shell_place(seen, np.full(50, 20.0), EDGES, 84e-9) is None


def test_speckle_of_few_pairs_is_no_spacing():
    # A flat law of few pairs (Poisson): 60 films; at most 1 in 20 may show a place, with 4 sigma 9.
    shown = 0
    for seed in range(60):
        flat = np.random.default_rng(seed).poisson(2.0, (4, 50)).astype(float)
        top = EDGES[:-1][10:40][flat.sum(axis=0)[10:40].argmax()] + 3e-9
        shown += shell_place(flat, np.full(50, 8.0), EDGES, top) is not None
    assert shown <= 9
