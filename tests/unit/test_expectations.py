"""What `check` says of a film, and that it says it when it should."""

import dataclasses
import json
import math

import numpy as np
import pytest

from sim.outlook.expectations import expect
from sim.outlook.look_ahead import BAND, LONGEST_SINGLE, look_ahead
from sim.outlook.text.film import side_by_side
from sim.outlook.turning_moments import crossing_cores
from sim.physics.units import cost_text, format_quantity
from tests.reference.bench_film import bench_film

CONTRACT = {
    "coupling",
    "coupling_largest_tenth",
    "langevin_parameter",
    "langevin_parameter_largest_tenth",
    "volume_fraction",
    "particle_count",
    "time_step_s",
    "steps",
    "duration_s",
    "diffusion_time_s",
    "brown_time_s",
    "neel_time_s",
    "temperature_k",
    "median_diameter_m",
    "median_moment_am2",
    "largest_field_t",
    "field_direction",
    "line_density_spacing_m",
    "predicted_mean_length",
    "predicted_mean_length_low",
    "predicted_mean_length_high",
    "bond_life_largest_tenth_s",
    "film_formation_time_s",
    "moment_relaxation_meaningful",
    "dipole_sum",
    "cutoff_m",
}
TEN_NM = {"core_diameter": '"10 nm"', "size_spread": 0.0}


@pytest.fixture(scope="module")
def example():
    return expect(bench_film())


def said(found):
    return " ".join(found.sentences)


def warned(found):
    return " ".join(found.cautions)


# ----------------------------------------------------------------- numbers


def test_every_name_of_the_contract_is_there(example):
    assert set(example.derived) >= CONTRACT


def test_numbers_of_the_example(example):
    derived = example.derived
    # by hand: m = 446e3 pi (20 nm)^3/6, d = 24 nm, 298.15 K, 1.5 mPa s
    moment, thermal = 446e3 * math.pi * 8e-24 / 6, 1.380649e-23 * 298.15
    assert derived["median_moment_am2"] == pytest.approx(moment, rel=1e-9)
    assert derived["coupling"] == pytest.approx(1e-7 * moment**2 / (24e-9) ** 3 / thermal)
    assert derived["langevin_parameter"] == pytest.approx(0.03 * moment / thermal)
    diffusion = thermal / (3 * math.pi * 1.5e-3 * 24e-9)
    assert derived["diffusion_time_s"] == pytest.approx((24e-9) ** 2 / diffusion)
    assert derived["brown_time_s"] == pytest.approx(math.pi * 1.5e-3 * (24e-9) ** 3 / thermal / 2)
    assert derived["line_density_spacing_m"] == pytest.approx(
        24e-9 * math.sqrt(math.pi / (6 * 0.03)), rel=1e-3
    )
    assert derived["volume_fraction"] == pytest.approx(0.03, rel=1e-3)
    assert derived["steps"] * derived["time_step_s"] == pytest.approx(2e-4, rel=1e-3)
    tail = derived["coupling_largest_tenth"]
    assert tail > derived["coupling"]
    # the time a film takes covers ten bond lives of the largest tenth
    life = derived["diffusion_time_s"] * math.exp(2 * tail) / (144 * tail**2)
    assert derived["bond_life_largest_tenth_s"] == pytest.approx(life)
    assert derived["film_formation_time_s"] >= 10 * life


def test_the_band_encloses_the_prediction(example):
    derived = example.derived
    central = derived["predicted_mean_length"]
    assert derived["predicted_mean_length_low"] == pytest.approx(1 + (central - 1) / BAND)
    assert derived["predicted_mean_length_high"] == pytest.approx(1 + (central - 1) * BAND)
    assert 1 < derived["predicted_mean_length_neighbours_only"] < central < LONGEST_SINGLE


def test_json_holds_plain_numbers_only(example):
    for found in (example, expect(bench_film(kind='"soft_core"')), expect(bench_film(**TEN_NM))):
        text = json.dumps(found.to_json(), allow_nan=False)
        back = json.loads(text)
        assert back["derived"]["particle_count"] == found.derived["particle_count"]
        curve = back["pair_potential"]["median"]
        assert len(curve["distance_m"]) == len(curve["total_kt"]) > 100


def test_curves_add_up(example):
    for curve in example.pair_potential.values():
        total = curve["dipole_kt"] + curve["steric_kt"]
        np.testing.assert_allclose(curve["total_kt"], total)
        assert curve["minimum_kt"] <= total.min() + 1e-6
        assert curve["barrier_kt"] > 10.0


# ---------------------------------------------------------- do chains form?


def test_the_example_chains(example):
    assert example.sentences[0].startswith("Chains form")
    assert example.derived["predicted_mean_length"] > 5.0
    assert "ends during growth" in said(example)
    assert "below the wavelength" in said(example)


def test_ten_nanometre_magnetite_does_not_chain():
    found = expect(bench_film(**TEN_NM))
    assert found.derived["coupling"] == pytest.approx(0.483, abs=5e-4)
    assert found.sentences[0].startswith("No chains form at any field")
    assert "0.48" in found.sentences[0]
    assert "clusters" in found.sentences[0]
    assert found.derived["predicted_mean_length"] < 1.05
    # a hundred times the field changes nothing
    strong = expect(bench_film(strength='"3 T"', **TEN_NM))
    assert strong.sentences[0].startswith("No chains form at any field")
    # aligned moments make a few more chance neighbours count as bonds
    assert strong.derived["predicted_mean_length"] < 1.1


def test_only_the_tail_of_a_broad_law_chains():
    found = expect(bench_film(core_diameter='"10 nm"', size_spread=0.3))
    assert found.sentences[0].startswith("The mean particle does not chain")
    assert "tail of the sizes" in found.sentences[0]
    narrow = expect(bench_film(**TEN_NM)).derived["predicted_mean_length"]
    assert narrow < found.derived["predicted_mean_length"] < 1.5


def test_prediction_grows_with_field_concentration_and_size():
    def predicted(**changes):
        film = {"size_spread": 0.0, "core_diameter": '"17 nm"', **changes}
        return expect(bench_film(**film)).derived["predicted_mean_length"]

    base = predicted()
    assert predicted(strength='"0 mT"') < predicted(strength='"5 mT"') < base
    assert predicted(volume_fraction=0.01) < base < predicted(volume_fraction=0.06)
    assert predicted(core_diameter='"16 nm"') < base < predicted(core_diameter='"18 nm"')


def test_length_after_switch_off_is_that_of_the_film_without_a_field():
    film = {"size_spread": 0.0, "core_diameter": '"17 nm"'}
    on, none = bench_film(**film), bench_film(strength='"0 mT"', **film)
    steps = (*on.field.steps, *none.field.steps)
    both = dataclasses.replace(on, field=dataclasses.replace(on.field, steps=steps))
    derived, without = expect(both).derived, expect(none).derived
    for end in ("", "_neighbours_only"):
        wanted = without[f"predicted_mean_length{end}"]
        assert derived[f"predicted_mean_length_off{end}"] == pytest.approx(wanted, rel=1e-12)
        assert wanted < derived[f"predicted_mean_length{end}"]
    # A field that stays, or never was, goes off nowhere.
    assert expect(on).derived["predicted_mean_length_off"] is None
    assert without["predicted_mean_length_off"] is None


def test_the_moment_model_does_not_change_the_structure():
    blocked = expect(bench_film()).derived["predicted_mean_length"]
    turning = expect(bench_film(moment='"superparamagnetic"')).derived["predicted_mean_length"]
    assert turning == blocked


def test_very_long_chains_are_cut_where_they_thicken():
    found = expect(bench_film(size_spread=0.0))
    assert found.derived["predicted_mean_length"] == LONGEST_SINGLE
    assert "thicken" in said(found)


def test_a_film_bounds_the_chains_across_it():
    found = expect(bench_film(direction="[0, 0, 1]", size_spread=0.0, strength='"100 mT"'))
    assert found.derived["predicted_mean_length"] == pytest.approx(400 / 24)
    assert "no thicker" in said(found)


def test_a_long_run_settles():
    film = {"core_diameter": '"16 nm"', "size_spread": 0.0}
    short = expect(bench_film(duration='"10 us"', **film))
    assert "no property of the film" in said(short)
    assert "long enough" in said(expect(bench_film(duration='"2 ms"', **film)))


# ------------------------------------------------------------------ cautions


def test_cautions_of_the_example(example):
    text = warned(example)
    assert "either moment model may fit" in text
    assert "hardly ever open" in text
    assert "should be 20" in text
    assert "provisional" in text
    assert "flow that particles stir in the liquid is left out" in text
    assert "400 mT" in text
    assert "0.5 mT" in text
    assert "IEC 60825-1" in text
    assert "licensed practitioners" in text
    assert "The repulsion is too weak" not in text
    assert "largest field" not in text


def test_each_caution_comes_and_goes():
    quiet = {"thickness": '"0.2 um"', "width": '["6 um", "2.5 um"]', "sum": '"exact"'}
    assert "The patch is only" not in warned(expect(bench_film(**quiet)))
    assert "provisional" not in warned(expect(bench_film(**quiet)))
    weak = warned(expect(bench_film(grafting_density='"0.08 nm^-2"')))
    assert "The repulsion is too weak" in weak
    assert "rings" in warned(expect(bench_film(strength='"0 mT"')))
    assert "largest field of 500 mT" in warned(expect(bench_film(strength='"500 mT"')))
    small = {"core_diameter": '"10 nm"'}
    assert '"blocked" does not fit' in warned(expect(bench_film(**small)))
    turning = bench_film(moment='"superparamagnetic"', core_diameter='"26 nm"', size_spread=0.0)
    assert '"superparamagnetic" does not fit' in warned(expect(turning))


def test_moments_that_turn_too_fast_give_no_relaxation():
    # Smaller cores touch under their weak layers, and the step that this asks for follows moments.
    found = expect(bench_film(moment='"superparamagnetic"', core_diameter='"12 nm"'))
    assert found.derived["moment_relaxation_meaningful"] is False
    assert "no relaxation of the magnetisation" in warned(found)
    assert expect(bench_film()).derived["moment_relaxation_meaningful"] is True


def test_size_at_which_moments_turn_inside():
    # 12 to 21 nm for 11 to 30 kJ/m^3, both prefactors, in water: computed once by hand from
    # tau0 exp(KV/kT) [or times (sqrt(pi)/2) (KV/kT)^-1.5] = pi eta d^3/(2 kT).
    crossings = []
    for anisotropy in (11, 30):
        material = f'"magnetite"\nanisotropy = "{anisotropy} kJ/m^3"'
        film = bench_film(material=material, viscosity='"0.89 mPa s"')
        crossings += [crossing * 1e9 for crossing in crossing_cores(film)]
    assert min(crossings) == pytest.approx(12, abs=0.5)
    assert max(crossings) == pytest.approx(21, abs=0.5)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (90.0, "90 s"),
        (7920.0, "2 h"),
        (2222.2 * 3600.0, "93 days"),
        (3.156e8, "10 years"),
        (1e100, "1e9 years and more"),
    ],
)
def test_a_duration_reads_the_same_in_cost_and_expectations(seconds, words):
    # A year of 365.25 days (IAU Style Manual, from memory).
    from sim.physics.units import duration_text, wall_time_text

    assert duration_text(seconds) == wall_time_text(seconds) == words


def test_chains_of_a_film_thinner_than_their_spacing_lie_in_one_layer():
    """Each then has the area that its share of the volume takes at this thickness: closed form."""
    film = bench_film(thickness='"40 nm"', width='["4 um", "2 um"]')
    found = expect(film)
    phi, d = found.derived["volume_fraction"], found.derived["median_diameter_m"]
    apart = math.pi * d**2 / (6.0 * phi) / 40e-9
    assert f"Single chains stand about {1e9 * apart:.0f} nm apart" in said(found)
    assert "in the one layer that so thin a film holds" in said(found)
    assert f"The patch is {2e-6 / apart:.0f} chain spacings wide" in said(found)
    thick = expect(bench_film())
    assert "one layer" not in said(thick)


def test_the_estimate_from_neighbours_alone_is_the_same_in_table_and_words():
    """Where chains are told to thicken, single ones are not told to be longer."""
    found = expect(bench_film(core_diameter='"60 nm"', size_spread=0.0, width='"2 um"'))
    row = dict(found.table)["the same from neighbours alone (at least)"]
    assert f"neighbours alone give {row} at least" in said(found)
    assert float(row) <= LONGEST_SINGLE


@pytest.mark.parametrize(
    ("direction", "share"),
    [
        ("[1, 0, 0]", 0.5),  # a round magnet: -1/2 of the change along its axis
        ("[0, 0, 1]", 1.0),
        ("[1, 0, 1]", math.sqrt(0.5 * (0.25 + 1.0))),
    ],
)
def test_a_gradient_pulls_with_what_an_aligned_moment_meets_of_it(direction, share):
    """m |G n| of G = diag(-1/2, -1/2, 1) g: no sources, round about z."""
    found = expect(bench_film(direction=f'{direction}\ngradient = "40 T/m"'))
    pull = share * 40.0 * found.derived["median_moment_am2"]
    assert f"pulls an aligned median particle with up to {pull:.2g} N" in said(found)
    assert ("pulls along the film" in warned(found)) == (direction != "[0, 0, 1]")


@pytest.mark.parametrize(("strength", "told"), [("1 kT", True), ("1000 kT", False)])
def test_soft_cores_that_lie_in_each_other_are_told(strength, told):
    """Two dipoles of coupling 236 against (d/r)^n of so many kT: where they rest, and how deep."""
    film = bench_film(core_diameter='"60 nm"', size_spread=0.0, width='"2 um"',
                      kind=f'"soft_core"\nstrength = "{strength}"')  # fmt: skip
    found = expect(film)
    place = found.pair_potential["median"]["minimum_distance_m"]
    assert (place < 0.95 * 60e-9) == told
    assert (
        f"{100.0 * (1.0 - place / 60e-9):.0f} % inside its solid diameter" in warned(found)
    ) == told


def test_rows_tell_what_sentences_tell():
    # In a film of one layer both give the share of its volume over its thickness; growth ends at
    # equilibrium.
    thin = bench_film(thickness='"40 nm"')
    ahead = look_ahead(thin)
    apart = side_by_side(thin, ahead)
    assert apart == pytest.approx(ahead.spacing**2 / 40e-9)
    rows = dict(expect(thin).table)
    assert format_quantity(apart, "length") in rows["chain spacing from the line density"]
    long = expect(bench_film(duration='"1 s"'))
    assert long.derived["grown_mean_length"] > 2.0 * long.derived["predicted_mean_length"]
    rows = dict(long.table)
    in_equilibrium = rows["mean chain length in equilibrium"]
    assert in_equilibrium.startswith(f"{rows['mean length at the end of the run']} (")
    blocked = bench_film(material='"magnetite"\nanisotropy = "200 kJ/m^3"')
    assert dict(expect(blocked).table)["Neel time (two usual prefactors)"] == "1e9 years and more"


@pytest.mark.parametrize(
    ("seconds", "words"), [(0.0, "under 1 s"), (0.4, "under 1 s"), (90.0, "about 90 s")]
)
def test_no_cost_is_nothing(seconds, words):
    assert cost_text(seconds) == words
