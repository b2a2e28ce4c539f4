"""Noise that blur has softened makes no spacing; a pattern behind such noise keeps its own."""

import numpy as np
import pytest

from analysis.micrograph.measure import measure_picture
from analysis.micrograph.noise import falling, gain, noise_chance
from analysis.micrograph.picture import Picture
from tests.reference.planted_pictures import blurred_noise, striped_noise


def spacing_of(brightness):
    return measure_picture(Picture(brightness, 1.0, (0, 0), 1, "made")).numbers["spacing_m"]


def shown(seed, count, blurs, camera=0.0):
    """Return how many of so many pictures of noise yield a spacing."""
    rng = np.random.default_rng(seed)
    pictures = (blurred_noise(rng, blurs[k % len(blurs)], camera) for k in range(count))
    return sum(spacing_of(picture)["value"] is not None for picture in pictures)


def test_blurred_noise_has_no_spacing():
    # 5 of 100 at most; a test against a flat spectrum let 4 of these 24 through.
    assert shown(41, 24, (1.0, 2.0, 3.0)) <= 1


@pytest.mark.slow
@pytest.mark.parametrize(
    ("blur", "camera"), [(0.0, 0.0), (1.0, 0.0), (2.0, 0.0), (3.0, 0.0), (2.0, 0.3)]
)
def test_pictures_of_noise_yield_a_spacing_in_five_of_a_hundred_at_most(blur, camera):
    assert shown(42, 60, (blur,), camera) <= 3


@pytest.mark.parametrize(("blur", "contrast"), [(0.0, 0.4), (1.0, 0.6), (2.0, 1.2)])
def test_waves_behind_blurred_noise_keep_their_spacing(blur, contrast):
    rng = np.random.default_rng(43)
    found = [spacing_of(striped_noise(rng, 11.3, contrast, blur)) for _ in range(4)]
    assert all(one["value"] is not None for one in found)
    assert all(abs(one["value"] - 11.3) < 4 * one["error"] for one in found)


def test_falling_curves_of_largest_likelihood():
    # Pooled means by hand: 1 and 3 violate the order, their mean is 2.
    assert falling(np.array([4.0, 1.0, 3.0, 0.5]), np.ones(4)) == pytest.approx([4, 2, 2, 0.5])
    assert falling(np.array([1.0, 4.0]), np.array([3.0, 1.0])) == pytest.approx([1.75, 1.75])


def test_the_gain_of_a_peak_is_that_of_its_likelihood():
    # ln likelihood of speckle of mean m and shape k is -k (ln m + s/m): one valley of 0.1 before a
    # peak of 1.9, both k = 2, pooled to 1.
    s, weight = np.array([0.1, 1.9]), np.full(2, 2.0)
    wanted = 2 * ((0.1 + 1.9) - (np.log(0.1) + 1) - (np.log(1.9) + 1))
    assert gain(s, weight, 1) == pytest.approx(wanted)
    assert gain(np.array([3.0, 2.0, 1.0]), np.ones(3), 0) == pytest.approx(0.0)


def test_a_chance_is_that_of_falling_noise():
    # On falling curves with speckle a chance is at most as small as it says: 4 sigma of 60.
    rng = np.random.default_rng(44)
    q = np.arange(4.0, 60.0)
    low = [
        noise_chance(q, np.exp(-((q / 30) ** 2)) * rng.gamma(9.0, 1 / 9.0, len(q)),
                     np.full(len(q), 1 / 3), (4.0, 60.0), 2.5)
        for _ in range(60)
    ]  # fmt: skip
    assert np.mean(np.array(low) <= 0.05) < 0.05 + 4 * np.sqrt(0.05 * 0.95 / 60)
    line = 1.0 + 30.0 * np.exp(-((q - 20.0) ** 2) / 2)
    assert noise_chance(q, line, np.full(len(q), 1 / 3), (4.0, 60.0), 2.5) < 0.01
    assert noise_chance(q, 1.0 / q, np.full(len(q), 1 / 3), (4.0, 60.0), 2.5) == 1.0
