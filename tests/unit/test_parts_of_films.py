"""Averages over frames that share a part of their deviation, by the scatter between parts."""

import math

import numpy as np
import pytest

from analysis.chains.groups import find_chains
from analysis.chains.series import PARTS, ChainSeries
from analysis.uncertainty.estimate import estimate
from tests.benchmarks.coverage import coverage
from tests.reference.planted_times import films_in_parts

TRIALS = 500


@pytest.mark.parametrize(
    ("count", "tau", "frozen", "structures"),
    [
        (8, 0.5, 0.0, 1.0),  # frames that are independent, though their bonds have one name
        (40, 0.5, 0.0, 1.0),
        (200, 0.5, 0.0, 1.0),
        (200, 0.5, 0.05, 1.0),
        (12, 0.5, 0.3, 1.0),  # a part that no frame forgets
        (40, 0.5, 0.3, 1.0),
        (200, 0.5, 0.3, 1.0),
        (40, 0.5, 0.3, 4.0),
        (40, 10.0, 0.3, 1.0),
        (40, 0.5, 1.0, 1.0),
        (100, 5.0, 0.0, 10.0),
    ],
)
def test_averages_cover_whatever_share_is_frozen(count, tau, frozen, structures):
    rng = np.random.default_rng(61)
    found = [
        estimate(rows, within=np.ones(count), structures=structures, parts=parts)
        for rows, parts in films_in_parts(rng, TRIALS, count, tau, frozen)
    ]
    rates = coverage(found, 0.0)
    for rate, low, high in zip(rates, (0.60, 0.92), (0.76, 0.98), strict=True):
        assert low - 4 * math.sqrt(low * (1 - low) / TRIALS) < rate
        assert rate < high + 4 * math.sqrt(high * (1 - high) / TRIALS)


def test_without_parts_the_samples_tell_what_a_short_series_cannot_know():
    rng = np.random.default_rng(62)
    rows, parts = next(films_in_parts(rng, 1, 40, 0.5, 0.0))
    assert estimate(rows).samples > 20
    assert estimate(rows, within=np.ones(40), structures=1.0).samples == 1
    assert estimate(rows, within=np.ones(40), structures=3.0).samples <= 3
    assert estimate(rows, within=np.ones(40), structures=1.0, parts=parts).samples > 10


def test_few_parts_are_not_asked():
    rng = np.random.default_rng(63)
    rows, parts = next(films_in_parts(rng, 1, 40, 0.5, 0.3))
    parts[:, 4:] = 0.0
    alone = estimate(rows, within=np.ones(40), structures=1.0)
    assert estimate(rows, within=np.ones(40), structures=1.0, parts=parts) == alone


def test_batches_of_chains_add_up_to_the_film():
    rng = np.random.default_rng(64)
    columns, rows = 12, 20
    x, y = np.meshgrid(np.arange(columns), 3.0 * np.arange(rows), indexing="ij")
    positions = np.stack([x.ravel(), y.ravel(), np.full(x.size, 5.0)], axis=1)
    keep = rng.random(len(positions)) < 0.7
    positions = positions[keep]
    moments = np.tile([1.0, 0.0, 0.0], (len(positions), 1))
    chains = find_chains(positions, moments, np.ones(len(positions)), (40.0, 60.0))
    along = np.array([1.0, 0.0, 0.0])
    series = ChainSeries(3, along, along)
    for frame in range(3):
        series.add(frame, chains, moments)
    for name in ("mean_length", "weight_mean_length", "singles_fraction", "order"):
        tops, bottoms = series.parts[name][1].T
        assert len(tops) == PARTS
        assert tops.sum() / bottoms.sum() == pytest.approx(series.values[name][1])
    # What lasts stays in its batch.
    assert series.parts["mean_length"][0] == pytest.approx(series.parts["mean_length"][2])
    # Three frames that are one: the error is that of one frame, which four show as well.
    one = series.average("mean_length", np.array([0, 1, 2]), 1.0)
    assert one.error == pytest.approx(series.within["mean_length"][0])
