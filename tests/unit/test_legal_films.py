"""The automatic step holds for every film that is accepted: no run of it is stopped."""

import pytest

from sim.one_run import simulate
from sim.parameters import ParameterError, from_text
from tests.reference.legal_films import FILM, legal_films, with_steps

USUAL = {
    "core": 20, "spread": 0.1, "shell": 2, "moment": "blocked", "magnetisation": 4.8e5,
    "fraction": 0.03, "viscosity": 1.5, "temperature": 298, "thickness": 200, "count": 40,
    "repulsion": 'kind = "surfactant"\ngrafting_density = "0.3 nm^-2"', "field": 30,
    "direction": [1, 0, 0], "cutoff": 2.5, "start": "random", "seed": 7, "added": "",
    "duration": "1 us",
}  # fmt: skip
THIN = {"thickness": 60}
CHARGED = '[electrostatics]\nsurface_charge = "1 nm^-2"\ndebye_length = "5 nm"\n'


def film(**changes):
    return FILM.format(**{**USUAL, **changes})


@pytest.mark.parametrize(
    "changes",
    [{**THIN, "core": 2}, {**THIN, "core": 3}, {**THIN, "core": 5}, {"added": CHARGED}],
    ids=str,
)
def test_small_cores_and_charges_run_to_their_end(changes, tmp_path):
    run = simulate(with_steps(film(**changes), 400), tmp_path / "run", threads=1)
    assert run.finished
    assert run.timing["capped_moves"] == 0


@pytest.mark.parametrize(
    "changes",
    [
        {"repulsion": 'kind = "surfactant"\ngrafting_density = "1e15 m^-2"'},
        {"magnetisation": 2.5e6},
    ],
    ids=str,
)
def test_layers_that_dipoles_press_through_are_refused(changes):
    with pytest.raises(ParameterError, match=r"grafting_density must be at least .* received"):
        from_text(film(**changes))


@pytest.mark.slow
@pytest.mark.parametrize("index", range(200))
def test_drawn_film_runs_to_its_end(index, tmp_path):
    text = legal_films(1, seed=index)[0]
    assert simulate(with_steps(text), tmp_path / "run", threads=1).finished
