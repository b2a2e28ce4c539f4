"""A sampled film without single chains says so, with what it has instead, and withholds lengths."""

import pytest

from analysis import measure, open_run
from analysis.measures.condensed import LENGTHS, without_lengths
from analysis.pictures.all import figures_of
from analysis.reports.run import answer
from sim.parameters import from_text
from sim.run.simulate import simulate


def known(value):
    return {"value": value, "error": 0.1, "samples": 9, "interval_95": [0.0, 1.0]}


def numbers(bundled, endless, branched=0.0):
    """Return what was measured of a film, as far as it matters here."""
    lengths = {name: known(20.0) for name in LENGTHS}
    return {
        "equilibration": {"reached": True, "reason": "both films meet"},
        "chains": {
            **lengths, "singles_fraction": known(0.1), "spanning_share": known(endless),
            "branched_share": known(branched),
            "bundles": {
                "share": known(bundled), "strands": known(2.7), "width_m": known(61e-9),
            },
            "sensitivity": [dict(lengths)],
        },
        "spacing": {
            "columns": {"neighbour_distance_m": known(240e-9)},
            "width_m": known(38e-9), "nearest_neighbour_m": known(97e-9),
        },
        "stages": [{"mean_length": known(20.0)}],
    }  # fmt: skip


@pytest.mark.parametrize(
    ("bundled", "endless", "branched", "said"),
    [
        (
            0.63,
            0.0,
            0.0,
            "63 % of the particles are in bundles of 2.7 strands, 61 nm wide",
        ),
        (
            0.08,
            0.0,
            0.68,
            "68 % of the particles are in branched groups, 38 nm wide and 97",
        ),
        (0.2, 0.22, 0.1, "22 % are in chains that close on themselves through the patch"),
    ],
)
def test_lengths_are_withheld_with_the_reason(bundled, endless, branched, said):
    found, warnings = numbers(bundled, endless, branched), []
    without_lengths(found, warnings, 2e-6)
    assert said in found["equilibration"]["reason"]
    assert found["equilibration"]["reason"].startswith("both films meet; the film has no length")
    for row in (found["chains"], found["chains"]["sensitivity"][0]):
        assert all(row[name]["value"] is None for name in LENGTHS)
    assert found["stages"][0]["mean_length"]["value"] is None
    assert found["chains"]["singles_fraction"]["value"] == 0.1
    assert len(warnings) == 1
    assert warnings[0].startswith("chains.mean_length: null")
    assert said in warnings[0]


def test_a_patch_that_is_too_short_is_told_how_long_it_should_be():
    # geometric law: weight mean 2 <n> - 1; 5 of 53 particles of 28 nm are 7.42 um
    found = numbers(0.0, 0.9)
    found["derived"] = {"predicted_mean_length": 27.0, "median_diameter_m": 28e-9}
    without_lengths(found, [], 2e-6)
    assert "a longer patch is needed, by theory of 7.4 µm" in found["equilibration"]["condensed"]
    assert answer(found).startswith("The film has no length of single chains: 90 %")
    found = numbers(0.0, 0.9) | {"derived": found["derived"]}
    without_lengths(found, [], 8e-6)
    assert found["equilibration"]["condensed"].endswith("a longer patch is needed")


def test_a_film_of_single_chains_keeps_its_lengths():
    found, warnings = numbers(0.49, 0.09, 0.49), []
    without_lengths(found, warnings, 2e-6)
    assert found["equilibration"]["condensed"] is None
    assert found["equilibration"]["reason"] == "both films meet"
    assert found["chains"]["mean_length"]["value"] == 20.0
    assert not warnings


STRONG = """
[particles]
core_diameter = "24 nm"
volume_fraction = 0.05
[film]
thickness = "0.1 um"
width = "0.2 um"
[repulsion]
kind = "soft_core"
[field]
strength = "40 mT"
[dipoles]
sum = "cutoff"
cutoff_diameters = 2.5
[run]
dynamics = "monte_carlo"
sweeps = 400
seed = 2
[output]
frames = 12
"""


def test_a_strong_film_in_a_short_patch_has_no_length(tmp_path):
    run = open_run(simulate(from_text(STRONG, "film.toml"), tmp_path).directory)
    run.rest["structures"] = 9.0
    measured = measure(run)
    found = measured.numbers
    assert "chain_lengths" not in figures_of(measured)
    assert found["chains"]["spanning_share"]["value"] >= 0.1
    assert found["chains"]["mean_length"]["value"] is None
    rest = found["equilibration"]
    assert not rest["reached"]
    assert "close on themselves through the patch" in rest["reason"]
    # sweeps are not what it lacks: nobody is told to go on
    assert "9 independent structures in 200 sweeps, of 20 wanted; the film has no" in rest["reason"]
    assert not [note for note in found["warnings"] if "--resume" in note]
    # nor are lengths told that were withheld
    about = [note for note in found["warnings"] if "mean_length" in note or "weight-mean" in note]
    assert [note.partition(":")[0] for note in about] == ["chains.mean_length"]
