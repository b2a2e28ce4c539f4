"""A file with one mistake is answered with one sentence, which names the mistaken key."""

import copy

import pytest

from sim.parameters import ParameterError, from_text
from tests.reference.legal_films import drawn_film, text

SAMPLED = """
[particles]
core_diameter = "16 nm"
volume_fraction = 0.03
[film]
thickness = "0.12 um"
width = "0.26 um"
[run]
dynamics = "{}"
"""


def places(tables, path=()):
    """Give the way to each key of some tables."""
    for name, value in tables.items():
        if isinstance(value, list) and value and isinstance(value[0], dict):
            for number, table in enumerate(value):
                yield from places(table, (*path, name, number))
        elif isinstance(value, dict) and name != "core_diameter":
            yield from places(value, (*path, name))
        else:
            yield (*path, name)


def misspelt(value):
    """Make a word that is none of those known of one that is, and of any other value a word."""
    return value[:-1] if isinstance(value, str) and value.isidentifier() else "wrong"


# Films of all kinds of moments, of magnets that move, of fields that turn; 10 has beads whose small
# cores alone are far smaller than the range of their forces.
@pytest.mark.parametrize("seed", [0, 2, 4, 7, 8, 10, 13])
def test_one_wrong_value_is_told_once(seed, tmp_path):
    film = drawn_film(seed)
    for name, content in film.files.items():
        (tmp_path / name).write_text(content)
    name = str(tmp_path / "film.toml")
    from_text(text(film.tables), name)
    told = 0
    for way in places(film.tables):
        if way[-1] in ("title", "path"):  # any word will do
            continue
        spoilt = copy.deepcopy(film.tables)
        table = spoilt
        for part in way[:-1]:
            table = table[part]
        table[way[-1]] = misspelt(table[way[-1]])
        with pytest.raises(ParameterError) as error:
            from_text(text(spoilt), name)
        assert len(error.value.problems) == 1, error.value.problems
        assert way[-1] in error.value.problems[0]
        told += 1
    assert told > 15


def test_a_misspelt_word_for_sampling_asks_for_no_duration():
    assert from_text(SAMPLED.format("monte_carlo")).run.duration == 0.0
    with pytest.raises(ParameterError) as error:
        from_text(SAMPLED.format("monte_carl"))
    assert len(error.value.problems) == 1
    assert "dynamics must be" in error.value.problems[0]


def test_each_kind_of_dynamics_in_time_needs_a_duration():
    for kind in ("brownian", "langevin"):
        with pytest.raises(ParameterError) as error:
            from_text(SAMPLED.format(kind))
        assert error.value.problems == [
            f'[run] duration is missing; dynamics = "{kind}" needs it, and it must be a time from '
            '1 ps to 1e+06 s such as "0.2 ms".'
        ]
