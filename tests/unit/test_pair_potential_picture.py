"""The picture of the pair potential: its curves, marks and words, and the file it goes to."""

import numpy as np
import pytest

from analysis.pictures.pair_potential import pair_potential, save_pair_potential
from tests.reference.drawn_film import texts

R = np.linspace(20e-9, 48e-9, 300)


def curve(**changes):
    """Return a made-up potential: -10 kT at 24 nm, 14 kT higher at 21 nm."""
    nothing = np.zeros_like(R)
    total = -10.0 * np.exp(-(((R - 24e-9) / 3e-9) ** 2)) + 8.0 * np.exp(
        -(((R - 21e-9) / 1e-9) ** 2)
    )
    values = {
        "distance_m": R, "total_kt": total, "dipole_kt": -0.5 * np.abs(total),
        "steric_kt": nothing, "van_der_waals_kt": nothing, "electrostatic_kt": nothing,
        "contact_m": 24e-9, "minimum_distance_m": 24e-9, "minimum_kt": -10.0,
        "barrier_distance_m": 21e-9, "barrier_kt": 14.0,
    }  # fmt: skip
    return {**values, **changes}


def labels(figure):
    return {line.get_label() for line in figure.axes[0].get_lines()}


def test_one_panel_a_pair_with_its_barrier_in_words():
    figure = pair_potential({"median": curve(), "largest_tenth": curve(barrier_kt=3.0)})
    assert len(figure.axes) == 2
    words = texts(figure)
    assert "median pair, head to tail" in words
    assert "largest tenth pair" in words
    assert "barrier 14.0 kT against touching cores" in words
    assert "barrier 3.0 kT" in words
    assert "minimum -10.0 kT at 24.0 nm" in words


def test_only_forces_that_act_are_drawn():
    figure = pair_potential({"median": curve()})
    assert {"dipoles", "sum"} <= labels(figure)
    assert not {"van der Waals", "charges", "repulsion of the shells"} & labels(figure)
    figure = pair_potential({"median": curve(van_der_waals_kt=-np.exp(-R / 1e-8))})
    assert "van der Waals" in labels(figure)


def test_marks_stand_at_minimum_and_barrier():
    (axes,) = pair_potential({"median": curve()}).axes
    marks = {line.get_marker(): line for line in axes.get_lines() if line.get_marker() in "o^"}
    assert marks["o"].get_xydata()[0] == pytest.approx([24.0, -10.0])
    assert marks["^"].get_xydata()[0] == pytest.approx([21.0, 4.0])
    low, high = axes.get_ylim()
    assert low < -10.0
    assert high > 4.0


def test_a_soft_core_has_no_barrier():
    figure = pair_potential({"median": curve(barrier_kt=None)})
    assert "no cores that could touch" in texts(figure)
    assert not [line for line in figure.axes[0].get_lines() if line.get_marker() == "^"]


@pytest.mark.parametrize("kind", ["png", "svg", "pdf"])
def test_file(tmp_path, kind):
    path = tmp_path / "new" / f"pair.{kind}"
    assert save_pair_potential({"median": curve()}, path) == path
    assert path.stat().st_size > 2000
    again = tmp_path / f"again.{kind}"
    save_pair_potential({"median": curve()}, again)
    assert again.read_bytes() == path.read_bytes()
    with pytest.raises(ValueError, match="format must be one of png, svg, pdf"):
        save_pair_potential({"median": curve()}, tmp_path / "pair.jpeg")
