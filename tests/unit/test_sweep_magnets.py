"""Sweeping what stands in [[magnets]] and their steps."""

import pytest

pytest.importorskip("magpylib", reason="fields of magnets need magpylib")

from sim.parameters import ParameterError, from_text, load
from sim.sweeps.table import plan_sweep
from tests.published.test_moving_magnets import FILM, SPHERE, stepped
from tests.unit.test_measured_field import film, table

MAGNET = stepped(
    SPHERE.format(direction=[1, 0, 0]),
    'motion = "turn"\nrate = "2 kHz"\naxis = [0, 0, 1]\nduration = "1 ms"',
)


def points_of(sweep):
    found = plan_sweep(from_text(FILM + MAGNET + "[sweep]\n" + sweep + "\nreplicas = 2\n"))
    return found.points


def test_distance_of_a_magnet():
    """On the equator of a sphere's dipole, J/3 (R/r)^3 (Jackson, section 5.10)."""
    points = points_of('"magnets.0.position.z" = ["-10 mm", "-20 mm"]')
    assert [dict(point.columns) for point in points] == [
        {"magnets.0.position.z_m": -0.01}, {"magnets.0.position.z_m": -0.02}
    ]  # fmt: skip
    for point, distance in zip(points, (10.0, 20.0), strict=True):
        (first, second) = point.runs
        assert first.parameters.field.largest == pytest.approx(0.4 * (5.0 / distance) ** 3)
        assert first.parameters.run.seed != second.parameters.run.seed


def test_rate_strength_and_whole_places():
    points = points_of(
        '"magnets.0.steps.0.rate" = ["1 kHz", "4 kHz"]\n"magnets.0.remanence" = ["1 T", "1.2 T"]'
    )
    assert len(points) == 4
    assert points[-1].columns == {"magnets.0.steps.0.rate_Hz": 4e3, "magnets.0.remanence_T": 1.2}
    (step,) = points[-1].runs[0].parameters.magnets[0].motion.steps
    assert step.rate == 4e3
    points = points_of(
        '"magnets.0.position" = [["0 mm", "0 mm", "-9 mm"], ["1 mm", "0 mm", "9 mm"]]'
    )
    assert points[1].runs[0].parameters.magnets[0].position == (1e-3, 0.0, 9e-3)


@pytest.mark.parametrize(
    ("sweep", "sentence"),
    [
        ('"magnets.1.remanence" = ["1 T"]', "N from 0, the first magnet, to 0, the last one"),
        ('"magnets.0.colour" = ["1 T"]', "must be magnets.N.KEY with N from 0"),
        ('"magnets.0.position.z" = ["-4 mm", "-9 mm"]', "position must leave the film outside"),
        ('"magnets.0.position.z" = ["-9 s", "-9 mm"]', "magnets.0.position.z"),
    ],
)
def test_mistakes(sweep, sentence):
    with pytest.raises(ParameterError) as caught:
        points_of(sweep)
    assert any(sentence in problem for problem in caught.value.problems), caught.value.problems


def test_points_find_a_measured_field_from_any_folder(tmp_path, monkeypatch):
    more = '[sweep]\n"run.duration" = ["1 us", "2 us"]\n'
    parameters = load(film(tmp_path, table((0.0,)), more))
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    points = plan_sweep(parameters).points
    assert [point.runs[0].parameters.magnets for point in points] == [parameters.magnets] * 2
