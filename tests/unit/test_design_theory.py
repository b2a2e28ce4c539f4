"""What theory says of the films of a wish: life by weight and magnets, light, fluids."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis.design.answer import answer
from analysis.design.record import Shown
from analysis.optics.foretold import foretold_light
from analysis.optics.mixture import Mixture, transmittance
from sim.commands.wish.bottle import tables_with, with_bottle
from sim.commands.wish.laws import foretold_films
from sim.design.box import Box, FreeKey
from sim.design.first import first_places
from sim.design.quantities import BY_WORD, Scaled
from sim.design.scan import scan
from sim.design.theory import LONGEST, MOVED, life
from sim.design.wish import read_wish
from sim.interactions.gravity import weight
from sim.outlook.cell.drift import diffusion_coefficient
from sim.parameters import from_text, load
from sim.parameters.toml import ParameterError
from sim.sweeps.keys import SweepKey
from tests.reference.small_film import small_film

DEMOS = Path(__file__).parents[2] / "runs_demo"
FLUIDS = """[[fluids]]
[fluids.particles]
core_diameter = "16 nm"
volume_fraction = 0.01
[[fluids]]
[fluids.particles]
core_diameter = "17 nm"
volume_fraction = 0.04
[[fluids]]
[fluids.particles]
core_diameter = "16.5 nm"
volume_fraction = 0.02
"""


def fallen(acceleration):
    """A film of dilute particles under so much weight, thicker than its sedimentation length."""
    film = from_text(small_film())
    gravity = replace(film.gravity, acceleration=acceleration)
    return replace(film, gravity=gravity, film=replace(film.film, thickness=10e-6))


def test_a_film_under_weight_lives_until_a_tenth_has_fallen():
    """Far from equilibrium the top layer that is left empty grows with the speed of one particle:
    the share elsewhere is v t/h (Stokes; exact while neither end is crowded)."""
    film = fallen(4e6)
    pull = float(weight(film, film.particles.core_diameter))  # in kT/m
    speed = pull * diffusion_coefficient(film)
    assert pull * film.film.thickness > 30.0
    expected = MOVED * film.film.thickness / speed
    assert life(film) == pytest.approx(expected, rel=0.12)
    # chains of n have n times the weight and the drag of n: the same speed, less diffusion
    assert life(film, 4.0) == pytest.approx(expected, rel=0.12)


def test_a_film_that_weight_hardly_layers_lives_for_ever():
    """By the barometric law x/8 of the particles lie elsewhere where the weight is x kT over the
    film and x is small: a fortieth at 0.2, far more than a tenth at 4."""
    light = fallen(1.0)
    pull = float(weight(light, light.particles.core_diameter)) * light.film.thickness
    for height, lasts in ((0.2, True), (4.0, False)):
        film = fallen(height / pull)
        assert (life(film) == LONGEST) is lasts


def test_magnets_that_are_nearer_shorten_the_life():
    pytest.importorskip("magpylib")
    text = (DEMOS / "week_of_drift" / "film.toml").read_text(encoding="utf-8")
    near, far = (
        from_text(text.replace('"0 mm", "-10 mm"', f'"0 mm", "-{depth} mm"')) for depth in (10, 25)
    )
    lives = life(near), life(far)
    assert 3600.0 < lives[0] < lives[1]


def test_light_of_single_particles_turns_nothing_and_is_absorbed_as_without_structure():
    shared = {"wavelength": 633e-9, "thickness": 1e-5, "fraction": 0.02, "core_share": 0.5}
    table = {"optics": {"core_index": [[2.3, 0.2]]}, "particles": {"material": "magnetite"}}
    alone = foretold_light(table, **shared, mean_length=1.0, order=0.9, upright=0.0, closeness=0.9)
    film = Mixture.of(1.43, 1.45, 2.3 + 0.2j, 0.5, 0.02)
    assert alone[0] == pytest.approx(0.0, abs=1e-18)
    assert alone[1] == pytest.approx(transmittance(film.plain_index(), 1e-5, 633e-9))
    # chains turn it the more the longer they are; seen along their axes they turn nothing
    delays = [
        foretold_light(table, **shared, mean_length=n, order=1.0, upright=0.0, closeness=0.9)[0]
        for n in (2.0, 5.0, 20.0)
    ]
    assert 0.0 < delays[0] < delays[1] < delays[2]
    upright = foretold_light(
        table, **shared, mean_length=9.0, order=1.0, upright=1.0, closeness=0.9
    )
    assert upright[0] == pytest.approx(0.0, abs=1e-15)


def test_an_ensemble_gives_what_each_fluid_changes(tmp_path):
    film = (DEMOS / "wish" / "film.toml").read_text(encoding="utf-8")
    (tmp_path / "film.toml").write_text(film, encoding="utf-8")
    (tmp_path / "bottle.toml").write_text(FLUIDS, encoding="utf-8")
    (tmp_path / "wish.toml").write_text(
        'film = "film.toml"\nensemble = "bottle.toml"\n[wanted]\nspacing = { least = "50 nm" }\n'
        '[free]\n"field.strength" = { least = "5 mT", most = "60 mT" }\n',
        encoding="utf-8",
    )
    wish = with_bottle(read_wish(tmp_path / "wish.toml"))
    assert wish.base.particles.core_diameter == 16.5e-9  # films are run with the middle one
    quantities = (Scaled(BY_WORD["spacing"]), Scaled(BY_WORD["field"]))
    laws = foretold_films(wish, quantities)
    assert len(laws) == 4
    found = scan(wish.box, quantities, laws, places=4)
    shifts = found.shifts(np.array([[0.3], [0.8]]))
    assert shifts.shape == (3, 2, 2)
    # chains stand d sqrt(1/phi) apart, d the diameter with its shell of 2 nm: 20.5 nm in the file
    expected = [
        math.log(20.0 / 20.5 * math.sqrt(0.02 / 0.01)),
        math.log(21.0 / 20.5 * math.sqrt(0.02 / 0.04)),
        0.0,
    ]
    assert shifts[:, 0, 0] == pytest.approx(expected, abs=0.01)
    assert shifts[:, :, 1] == pytest.approx(0.0, abs=1e-12)
    amount = Box((FreeKey(SweepKey("particles.core_volume_fraction", "", ""), 0.01, 0.02),))
    free = tables_with(wish.tables, amount, {"particles": {"volume_fraction": 0.3}})
    assert "volume_fraction" not in free["particles"]  # the free amount goes before the fluid's
    assert free["particles"]["core_volume_fraction"] == 0.015


def test_places_that_are_no_film_are_told_and_left_out():
    box = Box((FreeKey(SweepKey("particles.size_spread", "", ""), 0.0, 0.5),))

    def law(settings):
        if settings["particles.size_spread"] > 0.25:
            raise ParameterError("film", ["too wide."])
        return np.array([1e-7 * (1.0 + settings["particles.size_spread"])])

    found = scan(box, (Scaled(BY_WORD["spacing"]),), [law], places=16)
    assert found.refused == 8
    assert found.reason == "too wide."
    assert found.points.max() <= 0.5
    exact = math.log(1e-7 * 1.1)
    assert found.values(np.array([[0.2]]))[0, 0] == pytest.approx(exact, abs=1e-4)
    with pytest.raises(ParameterError, match=r"must have ranges with some film; .*too wide"):
        scan(box, (Scaled(BY_WORD["spacing"]),), [lambda _: law({"particles.size_spread": 1})], 4)


def test_first_films_are_where_theory_has_hope_and_apart():
    points = np.linspace(0.0, 1.0, 41)[:, None]
    odds = np.where(points[:, 0] < 0.5, 0.2, 1e-6)
    odds[10] = 0.9
    chosen = first_places(points, odds, np.zeros(41), 3)[:, 0]
    assert chosen[0] == points[10, 0]  # the likeliest
    assert chosen.max() < 0.5
    assert np.diff(np.sort(chosen)).min() > 0.2


def test_the_film_of_the_demo_is_small_and_sampled():
    film = load(DEMOS / "wish" / "film.toml")
    assert film.run.is_sampled
    assert film.film.count == 200


def test_what_is_told_can_be():
    """No chain is shorter than one particle, and no life longer than the century that is followed.

    Bands and interpolation know neither.
    """
    length, life = (Scaled(BY_WORD[word]) for word in ("mean_length", "life"))
    assert length.in_si([-0.5, 1.0]) == pytest.approx([1.0, math.e])
    century = 100 * 31_557_600.0
    assert life.in_si(math.log(2.0 * century)) == pytest.approx(century)


def test_long_times_are_told_in_their_largest_unit():
    life = Shown("life", "Life", "s")
    told = [life.text(one) for one in (23 * 3600.0, 3 * 86_400.0, 15 * 86_400.0, 2 * 31_557_600.0)]
    assert told == ["23 hours", "3 days", "2.14 weeks", "2 years"]


@pytest.mark.parametrize(("open_to", "viscosity"), [(0.2, "1.37 mPa s"), (1e-3, "1.372 mPa s")])
def test_the_answer_has_the_digits_that_bands_allow(open_to, viscosity):
    """A response as slow as the liquid is viscous; by hand."""
    free = {"path": "carrier.viscosity", "unit": "Pa_s", "least": 1e-3, "most": 2e-3}
    response = np.array([1e-3, 2e-3])
    curve = {"value": response, "low": (1 - open_to) * response, "high": (1 + open_to) * response}
    told = {
        "verdict": "met", "odds": 0.95, "free": [free], "settings": {"carrier.viscosity": "x"},
        "runs": [{"settings": {"carrier.viscosity": "x"}}] * 2,
        "wishes": [{"label": "on_time", "least": None, "most": 2e-3}],
        "quantities": [{
            "label": "on_time", "name": "Response on", "unit": "s", "is_known": False,
            "expected": {"value": 1.372e-3, "low": 1.11e-3, "high": 1.69e-3},
        }],
        "tradeoffs": [{
            "values": [1e-3, 2e-3], "here": 1.372e-3, "quantities": {"on_time": curve},
        }],
    }  # fmt: skip
    assert answer(told) == (
        f"Yes: with viscosity {viscosity} all wishes hold with odds of 95 %, confirmed by 2 runs "
        f"of this film with seeds of their own: response on 1.37 ms (1.11 ms to 1.69 ms)."
    )


def test_an_expected_value_has_the_digits_of_its_band():
    delay = Shown("retardance", "Retardance", "m")
    expected = {"value": 62.81e-12, "low": 56.11e-12, "high": 70.25e-12}  # 4.3 pm either way
    assert delay.band(expected) == "63 pm (56 pm to 70 pm)"
    passed = Shown("transmittance", "Light passed", "%")
    expected = {"value": 0.998274, "low": 0.998223, "high": 0.998323}  # 0.0030 %
    assert passed.band(expected) == "99.8274 % (99.8223 % to 99.8323 %)"
    known = Shown("field", "Field", "T", is_known=True)
    assert known.band({"value": 13.91e-3, "low": 13.9e-3, "high": 13.92e-3}) == "13.9 mT"
