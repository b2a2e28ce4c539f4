"""Curves with more noise than they say: their errors are widened, up to a limit."""

import dataclasses

import numpy as np
import pytest

from sim.fluid.contradictions import contradictions
from sim.fluid.curve_files import Curve
from sim.fluid.findings import find
from sim.fluid.model import Model
from sim.fluid.scatter import misses_of, widened
from tests.reference.bottles import blank, coordinates, sheet_of

KNOWN = {
    "magnetic_fraction": 0.02, "core_diameter": 15e-9, "size_spread": 0.15,
    "dead_layer": 0.7e-9, "shell_thickness": 2.2e-9,
}  # fmt: skip
FIELDS = np.geomspace(1e3, 8e5, 60)


def curve_of(noise, rng, shift=0.0):
    """Return a sheet with nothing but a curve, whose errors are stated as 0.5 % of its largest."""
    model = Model(blank())
    exactly = model.curve(coordinates(model, **KNOWN), FIELDS)[0]
    error = np.full(FIELDS.size, 0.005 * exactly.max())
    found = exactly + error * (noise * rng.standard_normal(FIELDS.size) + shift)
    return dataclasses.replace(blank(), curve=Curve(FIELDS, found, error, 1))


def test_the_ratio_is_that_of_the_noise():
    """chi2 of n degrees of freedom scatters by sqrt(2n) (common knowledge): 4 such errors."""
    ratio = misses_of(curve_of(5.0, np.random.default_rng(2)), "curve").ratio
    assert ratio == pytest.approx(5.0, rel=4.0 * 0.5 * (2.0 / 57.0) ** 0.5)


def test_errors_that_hold_stay():
    sheet = widened(curve_of(1.0, np.random.default_rng(4)))
    assert sheet.curve.widened == 1.0


def test_a_noisy_curve_is_taken_with_a_notice():
    rng, model = np.random.default_rng(5), Model(blank())
    sheet = sheet_of(coordinates(model, **KNOWN), rng)
    found = find(dataclasses.replace(sheet, curve=curve_of(5.0, rng).curve), "known", 1, count=40)
    (told,) = found.cautions()
    assert "widened by that" in told
    assert found.misses()["curve"] == pytest.approx(5.0, rel=0.4)  # in stated errors
    for name, known in KNOWN.items():
        number = found.numbers[name]
        assert abs(number.mean - known) < 4.0 * number.error, name


def test_misses_that_hang_together_are_no_noise():
    wave = 6.0 * np.sin(np.linspace(0.0, 12.0, FIELDS.size))
    sheet = curve_of(1.0, np.random.default_rng(6), wave)
    told = " ".join(find(sheet, "known", 1, count=40).cautions())
    assert "missed alike, which is no noise" in told


def test_what_no_fluid_shows_is_refused():
    rng = np.random.default_rng(7)
    sheet = curve_of(30.0, rng)
    (told,) = contradictions(widened(sheet))
    assert "rows mixed up" in told
    assert "received" in told
    order = rng.permutation(FIELDS.size)
    mixed = dataclasses.replace(sheet.curve, magnetisation=sheet.curve.magnetisation[order])
    (told,) = contradictions(widened(dataclasses.replace(sheet, curve=mixed)))
    assert "[curve] file must" in told


def test_a_level_end_is_saturation_whatever_its_noise():
    """Half of all level ends fall by chance; none of 20 is refused for it."""
    rng = np.random.default_rng(8)
    for _ in range(20):
        sheet = curve_of(5.0, rng)
        curve = dataclasses.replace(sheet.curve, error=5.0 * sheet.curve.error)
        assert not list(contradictions(dataclasses.replace(sheet, curve=curve)))
