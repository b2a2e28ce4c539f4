"""A figure that cannot be drawn costs that figure and a warning: no number, page or other figure.

Common practice: results first, pictures after.
"""

import dataclasses
import json
from types import SimpleNamespace

import numpy as np
import pytest

from analysis.files import failures as drawing
from analysis.pictures import all as plots
from analysis.pictures import light as light_pictures
from analysis.pictures import style
from analysis.sweeps import trends as trend_pictures
from sim.command_line import main
from sim.commands import results as command_results
from tests.reference.planted import planted_run


def broken(*_):
    raise ArithmeticError("no scale\nsecond line")


@pytest.fixture
def film(tmp_path, monkeypatch):
    """A small film, with only two figures of every run, the second of which fails."""
    planted_run(tmp_path, sides=(0.6e-6, 0.4e-6), frames=2)
    few = {
        "chain_lengths": plots.FIGURES["chain_lengths"],
        "growth": dataclasses.replace(plots.FIGURES["growth"], draw=broken),
    }
    monkeypatch.setattr(plots, "figures_of", lambda _: few)
    return tmp_path


SAID = "figures.growth: could not be drawn (ArithmeticError: no scale)"


def test_measuring_keeps_numbers_page_and_other_figures(film):
    (film / "figures").mkdir()
    (film / "figures" / "growth.png").write_bytes(b"of an earlier measurement")
    measurement = command_results.measure_into(film / "run.h5", film, plots=True)
    numbers = json.loads((film / "measures.json").read_text())
    assert numbers["chains"]["mean_length"]["value"] > 1
    assert [w for w in numbers["warnings"] if w.startswith("figures.")] == [
        SAID + "; the numbers do not need it"
    ]
    assert numbers["warnings"] == measurement.numbers["warnings"]
    assert {path.name for path in (film / "figures").iterdir()} == {"chain_lengths.png"}
    page = (film / "report.html").read_text()
    assert "could not be drawn" in page
    assert page.count("data:image/png") == 1
    assert (film / "handoff.json").exists()


def test_plot_draws_the_others_and_tells(film, capsys):
    assert main(["plot", str(film)]) == 0
    assert SAID in capsys.readouterr().err
    assert {path.name for path in (film / "figures").iterdir()} == {"chain_lengths.png"}


def test_a_page_of_trends_goes_on(monkeypatch, tmp_path):
    from tests.reference.planted_sweep import planted_sweep

    planted_sweep(tmp_path)
    from analysis.sweeps import report as sweep_report
    from analysis.sweeps.gather import collect

    figures = trend_pictures.trend_figures(collect(tmp_path))
    name, draw = next(iter(figures.items()))
    failing = {
        name: draw,
        "trend_length": dataclasses.replace(draw, name="trend_length", draw=broken),
    }
    monkeypatch.setattr(trend_pictures, "trend_figures", lambda _: failing)
    monkeypatch.setattr(sweep_report, "trend_figures", lambda _: failing)
    command_results.summarise(tmp_path, plots=True)
    assert (tmp_path / "sweep_report.html").exists()
    assert (tmp_path / "figures" / f"{name}.png").exists()


def test_without_a_collector_python_warns(tmp_path):
    with pytest.warns(RuntimeWarning, match=r"figures\.bad: could not be drawn"):
        written = style.save_all({"bad": broken}, tmp_path, "png")
    assert written == []
    with drawing.failures() as said:
        for _ in range(2):
            assert drawing.figure_or_nothing("bad", broken) is None
    assert len(said) == 1


def test_a_full_disk_is_an_error_still(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(style, "write_bytes", full)
    with pytest.raises(OSError, match="No space"):
        style.save_all({"good": style.new_figure}, tmp_path, "png")


@pytest.mark.parametrize("sides", [(0.2e-6, 0.2e-6), (1e-6, 0.2e-6), (0.2e-6, 1e-6)])
def test_far_field_of_small_patches_is_drawn(sides):
    """One order, one row and one column of orders."""
    from analysis.optics.curves import FarField
    from analysis.optics.far_field import collect, profile_across

    shares = np.full((8, 8), 1e-3)
    orders = collect([shares], np.array(sides), 532e-9, 1.0, 0.9)
    one = {"wavelength_m": 532e-9, "orders": orders}
    one["profile"] = profile_across(orders, np.array([0.0, 1.0]))
    field = FarField([one], [0], None, 1.0, 0.9)

    measured = SimpleNamespace(curves={"far_field": field})
    run = SimpleNamespace(derived={}, provisional=False)
    assert style.figure_bytes(light_pictures.far_field(measured, run), "png", 50)
