"""Figures of slits and columns, and the part of the report about them."""

import numpy as np
import pytest

from analysis.measures.measure import measure
from analysis.measures.tables import write_tables
from analysis.pictures import all as plots
from analysis.pictures import order as order_pictures
from analysis.quantities.all import shown
from analysis.reports import details
from analysis.spacing.columns import ColumnPlane
from analysis.trajectory.run import open_run
from tests.reference.drawn_film import drawn, hand_made, hand_made_run, texts
from tests.reference.planted import planted_run
from tests.reference.planted_order import triangular


def with_columns(height=None):
    measurement = hand_made(direction=(0, 0, 1))
    points, sides = triangular(6, 4, 100e-9)
    points = points + 4e-9 * np.random.default_rng(1).standard_normal(points.shape)
    periods = np.diag(sides) if height is None else np.array([[sides[0], 0.0]])
    measurement.curves["columns"] = ColumnPlane(points, periods, height)
    return measurement


@pytest.mark.parametrize("height", [None, 7.2e-7])
def test_columns_are_drawn_with_a_cell_each(height):
    measurement = with_columns(height)
    figure = plots.figures_of(measurement)["columns"](measurement, hand_made_run())
    drawn(figure)
    shapes = sum(len(c.get_paths()) for c in figure.axes[0].collections[:-1])
    assert shapes == 48
    assert ("at a window" in texts(figure)) == (height is not None)
    assert "6" in texts(figure)


def test_without_columns_there_is_no_figure_of_them():
    measurement = hand_made()
    assert "columns" not in plots.figures_of(measurement)
    figure = order_pictures.columns(measurement, hand_made_run())
    drawn(figure)
    assert "No columns" in texts(figure).replace("\n", " ")


@pytest.fixture(scope="module")
def standing(tmp_path_factory):
    path = planted_run(
        tmp_path_factory.mktemp("up"), frames=8, axis=2, spacing=85e-9, jitter=9e-9,
        sides=(1.2e-6, 1.0e-6), plateau=4.0,
    )  # fmt: skip
    run = open_run(path)
    return run, measure(run)


def test_a_run_with_columns_is_measured_drawn_and_tabled(standing, tmp_path):
    run, measurement = standing
    columns = measurement.numbers["spacing"]["columns"]
    assert columns["count"]["value"] == 14 * 12
    assert columns["cell_area_m2"]["value"] == pytest.approx(1.2e-12 / 168, rel=1e-9)
    figure = plots.figures_of(measurement)["columns"](measurement, run)
    drawn(figure)
    write_tables(measurement, tmp_path)
    rows = (tmp_path / "spacing.csv").read_text().splitlines()[1:]
    assert [row.split(",")[0] for row in rows] == [one.row for one in shown("spacing_table")]
    table = {row.split(",")[0]: row.split(",")[1] for row in rows}
    assert float(table["columns_hexagonal_order_local"]) == pytest.approx(
        columns["hexagonal_order_local"]["value"]
    )
    assert float(table["slits_mean_m"]) > 0


def test_the_report_tells_each_rule_and_number(standing):
    _, measurement = standing
    page = details.shape(measurement.numbers) + details.rules(measurement.numbers)
    assert page.count("<table ") == 2
    assert "nearer than 1.3 d, cosines above 0.5 (this run)" in page
    assert "energy below half that at contact" in page
    assert page.count('scope="row"') >= 6 + 6
    assert "Hexagonal order" in page
    assert "None" not in page
    assert details.shape({}) == details.rules({}) == details.stages({}) == ""


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        ({"bond_kind": "energy", "bond_energy_kt": -4.0}, "energy below -4 kT"),
        ({"bond_kind": "energy", "bond_energy_kt": "auto"}, "energy below half that at contact"),
        (
            {"bond_kind": "distance", "bond_distance": 1.2, "bond_alignment": 0.3},
            "nearer than 1.2 d, cosines above 0.3",
        ),
    ],
)
def test_rules_in_words(rule, words):
    assert details.rule_words(rule) == words


def test_a_run_can_be_measured_by_energy(standing):
    run, by_distance = standing
    found = measure(run, bond_energy="auto").numbers["chains"]
    assert found["bond_kind"] == "energy"
    assert found["bond_energy_kt"] == "auto"
    assert found["sensitivity"][0]["bond_kind"] == "energy"
    # Planted bonds of 1.02 diameters are whole by every rule.
    length = by_distance.numbers["chains"]["mean_length"]["value"]
    assert found["mean_length"]["value"] == pytest.approx(length)
    with pytest.raises(ValueError, match="bond energy must be from"):
        measure(run, bond_energy=2.0)
