"""The automatic step holds for every film that is accepted: no run of it is stopped."""

import collections
import dataclasses
import re

import pytest

from sim.film.particles import draw
from sim.film.placing import CrowdedError
from sim.film.reduce import reduce
from sim.parameters import ParameterError, from_text, load
from sim.run.simulate import simulate
from tests.reference.drawn_values import KEYS
from tests.reference.legal_films import CUT, NOT_DRAWN, drawn_film, write_film

FILM = """\
[particles]
core_diameter = "{core} nm"
size_spread = 0.1
magnetisation = "{magnetisation} A/m"
volume_fraction = {fraction}
[film]
thickness = "{thickness} nm"
count = 40
[repulsion]
{repulsion}
[field]
strength = "30 mT"
{gradient}
[dipoles]
sum = "cutoff"
cutoff_diameters = 2.5
{added}
[run]
duration = "1 us"
seed = 7
[output]
frames = 2
"""
LAYERS = 'kind = "surfactant"\ngrafting_density = "{}"'
USUAL = {
    "core": 20, "magnetisation": 4.8e5, "fraction": 0.03, "thickness": 200,
    "repulsion": LAYERS.format("0.3 nm^-2"), "gradient": "", "added": "",
}  # fmt: skip
CHARGED = '[electrostatics]\nsurface_charge = "1 nm^-2"\ndebye_length = "5 nm"\n'
SPUN = '[gravity]\nacceleration = "1e7 m/s^2"\n'
STEEP = 'gradient = "1e6 T/m"'


REFUSED = {
    "refused [particles] magnetic_share": "no solid sphere is as susceptible as such beads",
    "refused [particles] dead_layer": "a skin as thick as half its core leaves no magnet",
    "refused [[magnets]]": "their field changes too often to be sampled",
    "no room": "in a film of one or two layers not all particles find a place",
}
"""What drawn films may end as, other than run, and why."""
# Of the 200: the last six were stopped when the step knew pairs and rotation alone.
FEW = (1, 3, 23, 58, 88, 99, 145, 171)


def film(steps=400, **changes):
    """Return parameters of a film that lasts so many of its automatic steps."""
    parameters = from_text(FILM.format(**{**USUAL, **changes}))
    step = reduce(parameters, draw(parameters)).dt_s
    run = dataclasses.replace(parameters.run, duration=steps * step)
    return dataclasses.replace(parameters, run=run)


@pytest.mark.parametrize(
    "changes",
    [
        {"thickness": 60, "core": 2},
        {"thickness": 60, "core": 3},
        {"thickness": 60, "core": 5},
        {"added": CHARGED},
        {"repulsion": LAYERS.format("1e15 m^-2")},
        {"magnetisation": 2.5e6},
        {"core": 60, "thickness": 500, "added": SPUN},
        {"core": 60, "thickness": 500, "gradient": STEEP},
    ],
    ids=str,
)
def test_films_at_the_ends_of_their_ranges_run_to_their_end(changes, tmp_path):
    run = simulate(film(**changes), tmp_path / "run", threads=1)
    assert run.finished
    assert run.timing["capped_moves"] == 0


def test_every_key_of_the_models_is_drawn_or_named_with_a_reason():
    seen = set().union(*(drawn_film(seed).seen for seed in range(200)))
    assert set(KEYS) - seen == set(NOT_DRAWN)
    assert all(NOT_DRAWN.values())
    assert set(CUT) <= set(KEYS)


def outcome(seed, folder):
    """Say whether a drawn film is refused by check, finds no room or runs to its end."""
    try:
        path = write_film(folder, seed)
    except ParameterError as error:
        key = re.match(r"(\[+[a-z]+\]+( [a-z_]+)?)[: ]", error.problems[0])
        return f"refused {key[1]}" + ", with more" * (len(error.problems) > 1)
    try:
        if load(path).start.kind == "file":
            assert simulate(load(folder / "first.toml"), folder / "first", threads=1).finished
        run = simulate(load(path), folder / "run", threads=1)
    except CrowdedError:
        return "no room"
    assert run.finished
    return "ran"


@pytest.mark.parametrize("seed", FEW)
def test_drawn_films_that_once_stopped_run_to_their_end(seed, tmp_path):
    assert outcome(seed, tmp_path) == "ran"


@pytest.mark.slow
def test_drawn_films_run_to_their_end(tmp_path):
    found = [outcome(seed, tmp_path / str(seed)) for seed in range(200)]
    counts = collections.Counter(found)
    print(counts)
    assert counts.pop("ran") >= 170
    assert set(counts) <= set(REFUSED)
