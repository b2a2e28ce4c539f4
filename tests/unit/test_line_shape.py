"""Line shape of a peak in speckle: position, width and height within their stated errors."""

import math

import numpy as np
import pytest

from analysis.spacing.line import fit_line, grid_step, line_numbers, modes_across
from analysis.spacing.structure_factor import ModeGrid
from analysis.uncertainty.estimate import NOTHING, Estimate

SPACING = 120e-9
CENTRE = 2 * math.pi / SPACING


def speckle(rng, sides, width, height, structures, across=(0.0, 1.0), band=2e7, centre=CENTRE):
    """Modes of a patch in which a Lorentzian on a background of 1 scatters, gamma distributed."""
    grid = ModeGrid.of(np.array(sides), 30e-9)
    qx, qy = np.meshgrid(grid.qx, grid.qy, indexing="ij")
    number = np.hypot(qx, qy) if across is None else np.abs(qx * across[0] + qy * across[1])
    law = 1 + height / (1 + ((number - centre) / (0.5 * width)) ** 2)
    seen = law * rng.gamma(structures, 1 / structures, law.shape)
    lateral = None if across is None else np.array(across)
    return modes_across(seen, grid, lateral, band), grid_step(np.array(sides), lateral)


def pulls(sides, width, height, structures, across, seeds=24):
    """Deviations over errors of position, width and height, (seeds, 3)."""
    rows = []
    for seed in range(seeds):
        rng = np.random.default_rng(seed)
        modes, step = speckle(rng, sides, width, height, structures, across)
        line = fit_line(*modes, 0.95 * CENTRE, step, structures)
        if line is None or line.width is None:
            continue
        truth = (CENTRE, width, height)
        pairs = (line.position, line.width, line.height)
        rows.append([(p[0] - t) / p[1] for p, t in zip(pairs, truth, strict=True)])
    return np.array(rows)


@pytest.mark.parametrize(
    ("sides", "structures", "across"),
    [
        ((2e-6, 3e-6), 8, (0.0, 1.0)),  # chains along x, a wide patch
        ((3e-6, 1.13e-6), 20, (0.0, 1.0)),  # 9.4 spacings: the peak lies between two modes
        ((2e-6, 2e-6), 8, (0.6, 0.8)),  # chains askew to the patch
        ((1.1e-6, 1.3e-6), 4, None),  # columns, all directions
    ],
)
def test_position_width_and_height_are_covered_by_their_errors(sides, structures, across):
    found = pulls(sides, 0.2 * CENTRE, 12.0, structures, across)
    assert len(found) >= 20
    # Fair deviations of ~24 films: root mean square 1 +- 0.15, mean 0 +- 0.2; width and height
    # are positive, and lean to one side when their errors are large.
    size = np.sqrt(np.mean(found**2, axis=0))
    assert (size < 1.6).all(), size
    assert (size > 0.5).all(), size
    assert abs(found[:, 0].mean()) < 4 / math.sqrt(len(found))


@pytest.mark.parametrize("share", [0.0, 0.25, 0.5, 0.75])
def test_the_grid_of_modes_does_not_move_the_peak(share):
    # The same line between the modes of 21 to 22 spacings: no pull towards the nearest mode.
    side = (21 + share) * SPACING
    deviations = []
    for seed in range(12):
        modes, step = speckle(np.random.default_rng(seed), (2e-6, side), 0.12 * CENTRE, 15.0, 30)
        line = fit_line(*modes, 1.04 * CENTRE, step, 30)
        deviations.append((line.position[0] - CENTRE) / line.position[1])
        assert line.position[1] < 0.3 * step  # sharper than the grid itself
    assert abs(np.mean(deviations)) < 4 / math.sqrt(12)


def humped(seed, bend, structures, tilt=0.0):
    """Modes whose ln S is a parabola in ln q: the hump of chains that only keep a distance."""
    grid = ModeGrid.of(np.array([0.7e-6, 2.4e-6]), 30e-9)
    qy = np.meshgrid(grid.qx, grid.qy, indexing="ij")[1]
    x = np.log(np.maximum(np.abs(qy), 1.0) / CENTRE)
    rng = np.random.default_rng([seed, structures])
    seen = np.exp(tilt * x - bend * x**2) * rng.gamma(structures, 1 / structures, x.shape)
    across = np.array([0.0, 1.0])
    number, value = modes_across(seen, grid, across, 1e7)
    near = (number > 0.85 * CENTRE) & (number < CENTRE / 0.85)
    top = float(number[near][value[near].argmax()])  # what stands out of the speckle
    return fit_line(number, value, top, grid_step(np.array([0.7e-6, 2.4e-6]), across), structures)


def test_speckle_on_a_broad_hump_is_no_line_and_its_top_is_as_uncertain_as_the_hump():
    # S falls by a tenth at 0.87 and 1.15 of the place of its top.
    found = [humped(seed, 5.0, 20) for seed in range(24)]
    # A film in twenty looks like a line by chance.
    assert sum(line.height is not None for line in found) <= 3
    told = [line for line in found if line.astray < 0.1]
    assert len(told) >= 12
    away = np.array([(line.position[0] - CENTRE) / line.position[1] for line in told])
    # 68 of 100 within one error: 4 standard errors of a share of 30
    share = np.mean(np.abs(away) < 1)
    assert share > 0.68 - 4 * math.sqrt(0.68 * 0.32 / len(told))
    assert np.sqrt(np.mean(away**2)) < 1 + 4 / math.sqrt(2 * len(told))
    assert np.median([line.position[1] for line in told]) > 0.01 * CENTRE


def test_without_a_bend_there_is_no_top():
    # Flat, or falling: the highest mode is one of speckle.
    for tilt in (0.0, -1.0):
        found = [humped(seed, 0.0, 20, tilt) for seed in range(8)]
        assert sum(line is None or line.astray > 0.1 for line in found) >= 7


def test_the_top_of_a_hump_has_neither_width_nor_height():
    line = humped(3, 8.0, 40)
    warnings = []
    entries, curve = line_numbers(Estimate(CENTRE, 1e-3 * CENTRE, 40), line, 1e6, warnings)
    place = entries["structure_factor_m"]
    assert place["value"] == pytest.approx(SPACING, rel=0.1)
    assert place["error"] > 0.005 * SPACING
    assert entries["structure_factor_line"]["height"]["value"] is None
    assert "hump" in warnings[0]
    assert len(curve["q_per_m"]) == 0


def test_a_line_narrower_than_the_grid_has_a_place_but_no_width():
    rng = np.random.default_rng(2)
    modes, step = speckle(rng, (2e-6, 20 * SPACING), 1e-3 * CENTRE, 400.0, 30)
    line = fit_line(*modes, CENTRE, step, 30)
    assert line.position[0] == pytest.approx(CENTRE, rel=0.02)
    assert line.width is None
    warnings = []
    entries, curve = line_numbers(Estimate(CENTRE, 0.1 * CENTRE, 3), line, step, warnings)
    assert "narrower than the grid" in warnings[0]
    assert entries["structure_factor_line"]["width_per_m"]["value"] is None
    # Twenty spacings fit: the next regular film has 19 or 21, a spacing of 5 % more or less.
    assert entries["structure_factor_line"]["grid_m"] == pytest.approx(SPACING / 20, rel=0.03)
    # Anywhere within half a step: 68 % of an even law lie within 0.341 of it, 95 % within 0.475.
    place = entries["structure_factor_m"]
    grid = entries["structure_factor_line"]["grid_m"]
    assert place["error"] == pytest.approx(0.5 * 0.6827 * grid, rel=2e-3)
    assert np.ptp(place["interval_95"]) == pytest.approx(0.95 * grid)
    assert len(curve["q_per_m"]) == len(curve["s"]) > 10


def test_without_a_peak_there_is_no_line():
    warnings = []
    entries, curve = line_numbers(NOTHING, None, 1e6, warnings)
    assert entries["structure_factor_m"]["value"] is None
    assert "no peak" in warnings[0]
    assert len(curve["q_per_m"]) == 0
    few = fit_line(np.array([CENTRE, 1.1 * CENTRE]), np.array([3.0, 1.0]), CENTRE, 1e6, 1.0)
    assert few is None
    warnings = []
    entries, _ = line_numbers(Estimate(CENTRE, 0.1 * CENTRE, 3), None, 1e6, warnings)
    assert entries["structure_factor_m"]["value"] == pytest.approx(SPACING)
    assert entries["structure_factor_m"]["error"] == pytest.approx(0.1 * SPACING)
    assert "no line shape fits" in warnings[0]
