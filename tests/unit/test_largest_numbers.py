"""Numbers beyond 1e100 are cut before they are written, so that every run can be measured."""

import json
import math

import pytest

from analysis.recorded import wrong_entry
from sim.expectations import expect
from sim.parameters import from_text
from tests.reference.small_film import small_film


@pytest.mark.parametrize(
    ("old", "new"),
    [('"16 nm"', '"80 nm"'), ('"16 nm"', '"22 nm"\nsize_spread = 0.6')],
)
def test_life_of_a_bond_beyond_all_measure_is_cut(old, new):
    text = (
        small_film()
        .replace(old, new)
        .replace('"0.12 um"', '"0.9 um"')
        .replace("count = 60", "count = 90")
    )
    assert new in text
    derived = json.loads(json.dumps(expect(from_text(text)).derived, allow_nan=False))
    assert wrong_entry({"derived": derived}) == ""
    numbers = [x for x in derived.values() if isinstance(x, float)]
    assert all(math.isfinite(x) and abs(x) <= 1e100 for x in numbers)
    # exp(2 lambda)/(144 lambda^2) passes 1e100 near lambda = 120, of which times are part.
    assert derived["coupling_largest_tenth"] > 100.0
