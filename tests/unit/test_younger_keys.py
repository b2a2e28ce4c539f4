"""Runs that were begun before a key was there go on: the key stands for what they did."""

import json

import pytest

from analysis.common.errors import InputError
from sim.commands.template import TEMPLATE
from sim.files.record import YOUNGER, differences, flat, resolved
from sim.parameters import from_text
from sim.run.setup import RunSetup

# Each value that the first version with records of this kind wrote, by table.
FIRST = {
    "bonds": "alignment distance energy_kt kind",
    "carrier": "density temperature viscosity",
    "cell": "place width",
    "dipoles": "cutoff_diameters sum tolerance",
    "electrostatics": "debye_length permittivity surface_charge",
    "field": "direction gradient",
    "field.steps.1": "axis duration frequency kind phase steepest vector",
    "film": "count thickness width",
    "gravity": "acceleration direction",
    "optics": "carrier_index core_index numerical_aperture outer_index shell_index wavelengths",
    "output": "frames",
    "particles": "anisotropy attempt_time core_diameter core_volume_fraction dead_layer density "
    "fluid_saturation magnetic_share magnetisation material moment shell_density shell_thickness "
    "size_spread size_table small_core_diameter volume_fraction",
    "repulsion": "grafting_density kind strength",
    "run": "duration dynamics mass_factor precision seed time_step",
    "start": "kind path",
    "van_der_waals": "hamaker smallest_gap",
    "windows": "hindered_mobility",
}


def test_every_key_is_of_the_first_version_or_stands_for_what_was_done():
    first = {f"{table}.{key}" for table, keys in FIRST.items() for key in keys.split()}
    first |= {"title", "magnets"}
    now = resolved(from_text(TEMPLATE, "film.toml"))
    assert set(flat(now)) - first == set(YOUNGER)


def test_a_run_without_the_younger_keys_goes_on():
    now = resolved(from_text(TEMPLATE, "film.toml"))
    old = json.loads(json.dumps(now))
    for place in YOUNGER:
        table, _, key = place.rpartition(".")
        del old[table][key]
    assert differences(old, now) == []


@pytest.mark.parametrize("device", ["GPU", "", None, "cuda:0"])
def test_only_known_devices_are_taken(device):
    with pytest.raises(InputError, match='device must be "cpu" or "gpu"; received'):
        RunSetup(from_text(TEMPLATE, "film.toml"), device=device)
