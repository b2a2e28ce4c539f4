"""A file of equally likely fluids, and films with them."""

import pytest

from sim.fluid.ensemble import read_ensemble, with_fluid
from sim.parameters.toml import ParameterError

FILE = """
title = "bottle"
[[fluids]]
[fluids.particles]
core_diameter = "15 nm"
core_volume_fraction = 0.02
[fluids.carrier]
viscosity = "2 cP"
[[fluids]]
particles = { core_diameter = "16 nm", dead_layer = "0.5 nm", volume_fraction = 0.04 }
"""


def written(tmp_path, text):
    path = tmp_path / "ensemble.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_fluid_takes_the_place_of_the_films_own(tmp_path):
    found = read_ensemble(written(tmp_path, FILE))
    film = {
        "particles": {"core_diameter": "20 nm", "fluid_saturation": "5 mT", "size_spread": 0.1},
        "film": {"thickness": "0.4 um"},
    }
    first, second = (with_fluid(film, fluid) for fluid in found.fluids)
    assert first["particles"] == {
        "core_diameter": "15 nm",
        "size_spread": 0.1,
        "core_volume_fraction": 0.02,
    }
    assert first["carrier"] == {"viscosity": "2 cP"}
    assert second["particles"]["volume_fraction"] == 0.04
    assert "carrier" not in second
    assert film["particles"]["fluid_saturation"] == "5 mT"  # the film itself is as it was


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("title = 'x'", "fluids must be from 1 to 1000 tables"),
        (FILE.replace("15 nm", "15 kg"), r"number 1 particles core_diameter must be .*kg"),
        (FILE.replace("viscosity", "viscosty"), "number 1 carrier viscosty is not a known key"),
        (FILE.replace("[fluids.carrier]", "[fluids.film]"), "film.*is not a known table"),
        ("[[fluids]]", "number 1 must hold the table particles"),
        (FILE.replace('"bottle"', "3"), "title must be a text; received 3"),
        ("", "is empty; it must be an ensemble of fluids"),
        (FILE + "\n[other]", "other.*is not a known key"),
    ],
)
def test_mistakes_are_named(tmp_path, text, told):
    with pytest.raises(ParameterError, match=told):
        read_ensemble(written(tmp_path, text))
