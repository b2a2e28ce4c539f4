"""The noise: published words of the generator, moments, shape and independence of the normals."""

import math

import numpy as np
import pytest
from scipy import stats

from sim.kernels.steps.noise import AXES, BLOCK, normals, philox
from tests.reference.naive import philox_words

u64 = np.uint64

# J. K. Salmon, M. A. Moraes, R. O. Dror, D. E. Shaw, SC11 (2011): known answers that accompany
# the paper for Philox 4x32-10 (from memory): counter, key, result.
PUBLISHED = [
    ((0, 0, 0, 0), (0, 0), (0x6627E8D5, 0xE169C58D, 0xBC57AC4C, 0x9B00DBD8)),
    ((2**32 - 1,) * 4, (2**32 - 1,) * 2, (0x408F276D, 0x41C83B0E, 0xA20BC7C6, 0x6D5451FD)),
    (
        (0x243F6A88, 0x85A308D3, 0x13198A2E, 0x03707344),
        (0xA4093822, 0x299F31D0),
        (0xD16CFE09, 0x94FDCCEB, 0x5001E420, 0x24126EA1),
    ),
]
# A false alarm of 4 sigma, two-sided.
FOUR_SIGMA = math.erfc(4.0 / math.sqrt(2.0))


def words(counter, key):
    """Return the compiled generator's four words."""
    seed = u64(key[0] + 2**32 * key[1])
    return tuple(int(word) for word in philox(*(u64(c) for c in counter), seed))


def drawn(step, seed=7, first=0, identity=None):
    """Return the six normals of 256 particles, shape (6, 256)."""
    if identity is None:
        identity = np.arange(first, first + BLOCK, dtype=np.uint32)
    work, out = np.zeros((AXES, BLOCK), np.uint32), np.zeros((AXES, BLOCK), np.float32)
    normals(identity, 0, BLOCK, u64(step), u64(seed), work, out)
    return out.astype(float)


@pytest.fixture(scope="module")
def many():
    """Normals of 400 steps, shape (400, 6, 256)."""
    return np.array([drawn(step) for step in range(400)])


@pytest.mark.parametrize(("counter", "key", "result"), PUBLISHED)
def test_published_words(counter, key, result):
    assert words(counter, key) == result
    assert philox_words(counter, key) == result


def test_words_of_any_counter_match_plain_integers():
    rng = np.random.default_rng(3)
    for _ in range(200):
        drawn_words = [int(w) for w in rng.integers(0, 2**32, 6)]
        counter, key = tuple(drawn_words[:4]), tuple(drawn_words[4:])
        assert words(counter, key) == philox_words(counter, key)


def test_normals_follow_from_the_words():
    # Box and Muller (1958) in double precision, from the words of (particle, step, stream; seed).
    seed, step = 2**40 + 12345, 2**33 + 17
    out = drawn(step, seed, first=1000)
    for k in (0, 1, 100, 255):
        key = (seed % 2**32, seed // 2**32)
        low, high = step % 2**32, step // 2**32
        eight = [
            *philox_words((1000 + k, low, high, 0), key),
            *philox_words((1000 + k, low, high, 1), key),
        ]
        for pair in range(3):
            a, b = eight[2 * pair], eight[2 * pair + 1]
            radius = math.sqrt(-2.0 * math.log((a // 256 + 0.5) / 2**24))
            angle = 2.0 * math.pi * b / 2**32
            assert out[2 * pair, k] == pytest.approx(radius * math.cos(angle), abs=3e-6)
            assert out[2 * pair + 1, k] == pytest.approx(radius * math.sin(angle), abs=3e-6)


def test_moments(many):
    # Standard errors of the first four moments of N normals: 1, sqrt 2, sqrt 15, sqrt 96 / sqrt N.
    values = many.ravel()
    root = math.sqrt(values.size)
    assert abs(values.mean()) < 4.0 / root
    assert abs((values**2).mean() - 1.0) < 4.0 * math.sqrt(2.0) / root
    assert abs((values**3).mean()) < 4.0 * math.sqrt(15.0) / root
    assert abs((values**4).mean() - 3.0) < 4.0 * math.sqrt(96.0) / root
    assert abs(values).max() < 6.0


@pytest.mark.parametrize("axis", range(AXES))
def test_each_axis_is_normal(many, axis):
    assert stats.kstest(many[:, axis].ravel(), "norm").pvalue > FOUR_SIGMA


def test_squares_add_up_to_chi_square(many):
    # Sensitive to a dependence between the axes that correlations miss.
    squares = np.sum(many**2, axis=1).ravel()
    assert stats.kstest(squares, stats.chi2(AXES).cdf).pvalue > FOUR_SIGMA


def test_axes_steps_and_particles_are_independent(many):
    flat = {
        "axes": [(many[:, a], many[:, b]) for a in range(AXES) for b in range(a)],
        "steps": [(many[lag:, a], many[:-lag, a]) for lag in (1, 2, 3) for a in range(AXES)],
        "particles": [
            (many[:, a, lag:], many[:, a, :-lag]) for lag in (1, 2, 16) for a in range(AXES)
        ],
    }
    # 51 pairs of each kind of product: a gate of 5 sigma is one false alarm in 1e4 sets.
    for pairs in flat.values():
        for x, y in pairs:
            for power in (1, 2):
                moved_x, moved_y = x**power - (power == 2), y**power - (power == 2)
                mean = (moved_x * moved_y).mean()
                width = (1.0 if power == 1 else 2.0) / math.sqrt(x.size)
                assert abs(mean) < 5.0 * width


def test_every_bit_of_the_seed_counts():
    seeds = [0, *(2**bit for bit in range(63)), 2**63 - 1]
    tables = {drawn(5, seed).tobytes() for seed in seeds}
    assert len(tables) == len(seeds)
    reference = drawn(5, 0)
    for bit in range(63):
        correlation = np.mean(reference * drawn(5, 2**bit))
        assert abs(correlation) < 5.0 / math.sqrt(reference.size)


def test_high_bits_of_the_step_count():
    steps = [0, 1, 2**31, 2**32, 2**40]
    assert len({drawn(step).tobytes() for step in steps}) == len(steps)


def test_noise_goes_with_the_particle_not_the_slot():
    order = np.random.default_rng(1).permutation(BLOCK).astype(np.uint32)
    shuffled = drawn(9, identity=order)
    np.testing.assert_array_equal(shuffled, drawn(9)[:, order])
