"""Peaks of order stand out of both of their sides; tops of speckle on a liquid's hump do not."""

import math

import numpy as np
import pytest

from analysis.spacing.prominence import STANDS_OUT, prominence
from tests.benchmarks.coverage_spacing import measured
from tests.reference.planted_spacing import CASES

STEP = 1.0
MODES = np.repeat(np.arange(1.0, 100.0), 8)


def test_a_flat_spectrum_has_no_peak_that_stands_out():
    # The brightest of 98 places in speckle: a chance of about 98 exp(-7) at most, so of 200
    # spectra 18 at the most and 35 with 4 sigma.
    rng = np.random.default_rng(1)
    found = 0
    for _ in range(200):
        light = rng.standard_exponential(len(MODES))
        top = 1.0 + np.bincount(MODES.astype(int) - 1, light)[5:90].argmax() + 5
        found += prominence(MODES, light, top, STEP, 1.38, 1.0) > STANDS_OUT
    assert found <= 35


def test_a_step_is_no_peak_and_a_line_is_one():
    rng = np.random.default_rng(2)
    speckle = rng.standard_exponential(len(MODES))
    step = np.where(MODES > 50, 4.0, 1.0) * speckle
    assert prominence(MODES, step, 60.0, STEP, 1.38, 1.0) < STANDS_OUT
    line = (1 + 8 / (1 + ((MODES - 50) / 2) ** 2)) * speckle
    found = prominence(MODES, line, 50.0, STEP, 1.38, 1.0)
    assert found > STANDS_OUT
    assert prominence(MODES, line, 50.0, STEP, 1.38, 0.5) == pytest.approx(0.5 * found)
    # In proportion to the light, and nothing to tell without it.
    assert prominence(MODES, 1e9 * line, 50.0, STEP, 1.38, 1.0) == pytest.approx(found)
    assert prominence(MODES, 0 * line, 50.0, STEP, 1.38, 1.0) == 0.0


def test_against_the_likelihoods_summed_mode_by_mode():
    # Exponential law: ln p = -ln m - I/m; the groups of the best extent, by all extents.
    rng = np.random.default_rng(3)
    light = rng.standard_exponential(len(MODES)) * (1 + 3 * np.exp(-((MODES - 40) ** 2) / 8))
    near = (MODES > 40 / 1.38) & (MODES < 40 * 1.38)
    q, s = MODES[near], light[near]

    def best(values):
        return -len(values) * (math.log(values.mean()) + 1)

    def gain(a, b):
        more = best(a) + best(b) - best(np.concatenate([a, b]))
        return more if a.mean() > b.mean() else 0.0

    found = 0.0
    for low in range(30, 41):
        for high in range(40, 55):
            inside, left, right = s[(q >= low) & (q <= high)], s[q < low], s[q > high]
            found = max(found, min(gain(inside, left), gain(inside, right)))
    assert prominence(MODES, light, 40.0, STEP, 1.38, 1.0) == pytest.approx(found, rel=1e-5)


def test_chains_that_only_keep_a_distance_show_no_peak():
    # Rods on a line at half of close packing (Tonks 1936): S rises to 1.5 at 79 nm, where 160
    # chains cannot place it. At most one film in 20 may show a place: 4 sigma of 12 are 3.
    films = [CASES["hard core 0.5"].make(90_000 + k) for k in range(12)]
    shown = [measured(film)["structure_factor_m"]["value"] for film in films]
    assert sum(value is not None for value in shown) <= 3
    order = measured(CASES["sites jittered by 0.15"].make(90_000))["structure_factor_m"]
    assert order["value"] == pytest.approx(120e-9, rel=0.02)
