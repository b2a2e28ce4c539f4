"""Keys of the bond rule: values, sentences, notices, and what the run file records."""

import json

import h5py
import pytest

from sim.parameters import ParameterError, from_text
from tests.reference.small_film import small_film


def with_bonds(*lines):
    return "\n".join([small_film(), "[bonds]", *lines, ""])


def test_bonds_go_by_distance_by_default():
    bonds = from_text(small_film()).bonds
    assert (bonds.kind, bonds.distance, bonds.alignment, bonds.energy_kt) == (
        "distance", 1.3, 0.5, None,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("written", "limit"),
    [
        ('"auto"', None),
        ('"-4 kT"', -4.0),
        # 1 zJ = 1e-21 J; kT = 4.11640e-21 J at the default 25 degC.
        ('"-8.2328 zJ"', -2.0),
    ],
)
def test_energy_of_a_bond(written, limit):
    bonds = from_text(with_bonds('kind = "energy"', f"energy = {written}")).bonds
    assert bonds.kind == "energy"
    assert bonds.energy_kt == (None if limit is None else pytest.approx(limit, rel=1e-5))


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (
            'energy = "4 kT"',
            '"auto" or an energy from -1000 kT to -0.5 kT such as "-4 kT"; received "4 kT"',
        ),
        ('energy = "-0.1 kT"', 'received "-0.1 kT"'),
        ("energy = -4.0", "received -4.0"),
        ('energy = "-4 mT"', 'received "-4 mT"'),
        ('kind = "near"', 'kind must be "distance" or "energy"; received "near"'),
    ],
)
def test_one_sentence_for_a_bad_key(line, said):
    with pytest.raises(ParameterError) as caught:
        from_text(with_bonds(line), "film.toml")
    (problem,) = caught.value.problems
    assert problem.startswith("[bonds] ")
    assert said in problem


@pytest.mark.parametrize(
    ("lines", "unused"),
    [
        (('energy = "-4 kT"',), "energy"),
        (('kind = "energy"', "alignment = 0.4"), "alignment"),
    ],
)
def test_keys_of_the_other_kind_give_a_notice(lines, unused):
    notices = from_text(with_bonds(*lines)).notices
    assert any(notice.startswith(f"[bonds] {unused} is not used with kind") for notice in notices)


def test_the_run_file_records_the_rule(tmp_path, monkeypatch):
    from sim.run.simulate import simulate
    from tests.reference.fake_engine import FakeEngine, fake_setup

    monkeypatch.setattr("sim.run.simulate.RunSetup", fake_setup())
    parameters = from_text(with_bonds('kind = "energy"', 'energy = "-4 kT"'))
    run = simulate(parameters, tmp_path / "run", engine_factory=FakeEngine)
    with h5py.File(run.path, "r") as file:
        recorded = json.loads(file["parameters"].attrs["bonds"])
    assert recorded == {"distance": 1.3, "alignment": 0.5, "kind": "energy", "energy_kt": -4.0}
