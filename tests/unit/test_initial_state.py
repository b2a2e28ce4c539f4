"""Random starts: no overlap, even, repeatable, and an error where there is no room."""

import numpy as np
import pytest

from sim.film.placing import CONTACT_SHARE, CrowdedError, random_state
from tests.reference.small_systems import film, spread_diameters


def nearest_shares(system, positions):
    """Return each pair's distance over its contact distance (nearest images)."""
    gap = positions[:, None] - positions
    for axis in range(2):
        gap[..., axis] -= system.sides[axis] * np.rint(gap[..., axis] / system.sides[axis])
    apart = np.sqrt(np.sum(gap**2, axis=-1))
    shares = apart / (system.radius[:, None] + system.radius)
    return shares[np.triu_indices(len(positions), 1)]


def check_inside(system, positions):
    """Check that all particles stand within the patch and between the windows."""
    assert (positions[:, :2] >= 0.0).all()
    assert (positions[:, :2] < system.sides).all()
    assert (positions[:, 2] >= system.radius * (1.0 - 1e-12)).all()
    assert (positions[:, 2] <= system.thickness - system.radius * (1.0 - 1e-12)).all()


@pytest.mark.parametrize("fraction", [0.03, 0.2])
@pytest.mark.parametrize("spread", [0.0, 0.2])
def test_no_two_particles_overlap(fraction, spread):
    system = film(400, fraction=fraction, diameter=spread_diameters(400, spread), thickness=6.0)
    state = random_state(system, 3)
    check_inside(system, state.positions)
    assert nearest_shares(system, state.positions).min() >= 1.0


@pytest.mark.parametrize("fraction", [0.4, 0.5])
def test_crowded_film_is_pushed_apart(fraction):
    system = film(400, fraction=fraction, diameter=spread_diameters(400, 0.1), thickness=8.0)
    state = random_state(system, 3)
    check_inside(system, state.positions)
    assert nearest_shares(system, state.positions).min() >= CONTACT_SHARE


@pytest.mark.parametrize("sides", [(30.0, 2.0), (2.5, 30.0), (1.9, 60.0)])
def test_narrow_patch(sides):
    system = film(30, sides=sides, thickness=4.0)
    state = random_state(system, 3)
    check_inside(system, state.positions)
    assert nearest_shares(system, state.positions).min() >= 1.0


def test_thin_film_is_one_layer():
    system = film(200, thickness=1.01, fraction=0.2)
    state = random_state(system, 3)
    check_inside(system, state.positions)
    assert nearest_shares(system, state.positions).min() >= 1.0
    assert np.ptp(state.positions[:, 2]) <= 0.01


def test_too_crowded_film_is_refused():
    system = film(200, thickness=1.05, fraction=0.62)
    with pytest.raises(CrowdedError, match=r"volume_fraction is too large for this film: at 0\.62"):
        random_state(system, 3)


def test_places_and_directions_are_even():
    # Dilute, so that excluded volume hardly shows: uniform in x, y and in z between the windows.
    count = 4000
    system = film(count, fraction=0.002, thickness=20.0)
    state = random_state(system, 11)
    root = np.sqrt(count)
    share = state.positions / [*system.sides, system.thickness]
    share[:, 2] = (state.positions[:, 2] - 0.5) / (system.thickness - 1.0)
    assert abs(share.mean(axis=0) - 0.5).max() < 4.0 * np.sqrt(1.0 / 12.0) / root
    assert abs((share**2).mean(axis=0) - 1.0 / 3.0).max() < 4.0 * np.sqrt(4.0 / 45.0) / root
    assert abs(state.directions.mean(axis=0)).max() < 4.0 * np.sqrt(1.0 / 3.0) / root
    squares = (state.directions**2).mean(axis=0)
    assert abs(squares - 1.0 / 3.0).max() < 4.0 * np.sqrt(4.0 / 45.0) / root
    np.testing.assert_allclose(np.linalg.norm(state.directions, axis=1), 1.0, atol=1e-15)


def test_start_is_repeatable_and_follows_the_seed():
    system = film(100)
    first, again, other = (random_state(system, seed) for seed in (3, 3, 2**62 + 3))
    np.testing.assert_array_equal(first.positions, again.positions)
    np.testing.assert_array_equal(first.directions, again.directions)
    assert not np.isin(first.positions, other.positions).any()
    assert not np.isin(first.directions, other.directions).any()
    assert (first.step, first.time, first.seed) == (0, 0.0, 3)
    assert other.seed == 2**62 + 3
    assert (first.image == 0).all()
