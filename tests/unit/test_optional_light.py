"""Numbers stand in their file before light is looked at; light that fails costs itself alone.

Common practice: what is measured first, what is made of it after.
"""

import json

import numpy as np
import pytest

from analysis.optics import curves as light_curves
from analysis.optics import handoff
from sim.command_line import main
from sim.commands import results as command_results
from tests.reference.planted import planted_run

LIGHT = {"handoff.json", "optical_thickness.h5", "far_field.csv"}
VTK = {"particles.vtp", "chains.vtp"}


@pytest.fixture
def film(tmp_path):
    planted_run(tmp_path, sides=(0.3e-6, 0.2e-6), frames=2)
    return tmp_path


def failing(error, folder):
    """A step that fails, once it has seen that the numbers are written."""

    def fail(*_, **__):
        assert json.loads((folder / "measures.json").read_text())["chains"]
        raise error

    return fail


def measured(folder):
    return command_results.measure_into(folder / "run.h5", folder, plots=False)


def warnings_of(folder):
    return json.loads((folder / "measures.json").read_text())["warnings"]


@pytest.mark.parametrize(
    ("place", "error", "told"),
    [
        ((light_curves, "far_field"), MemoryError(), "MemoryError"),
        ((light_curves, "far_field"), ValueError("no\nlight"), "ValueError: no"),
        ((handoff, "light_entries"), np.linalg.LinAlgError("singular"), "LinAlgError: singular"),
        ((handoff, "light_entries"), KeyError("a bug"), "KeyError: 'a bug'"),
    ],
)
def test_light_that_fails_costs_itself(film, monkeypatch, place, error, told):
    for name in LIGHT:
        (film / name).write_text("of an earlier measurement")
    monkeypatch.setattr(*place, failing(error, film))
    measurement = measured(film)
    names = {path.name for path in film.iterdir()}
    assert not LIGHT & names
    assert VTK | {"spacing.csv", "measures.json"} <= names
    said = [w for w in warnings_of(film) if "failed" in w]
    assert said == [f"light: failed ({told}) and is left out; no other number needs it"]
    assert not {"light", "far_field", "optical_thickness"} & set(measurement.curves)


def test_vtk_that_fails_costs_itself(film, monkeypatch):
    from analysis.optics import optional as optional_light

    monkeypatch.setattr(optional_light, "write_vtk", failing(OverflowError("wide"), film))
    measured(film)
    names = {path.name for path in film.iterdir()}
    assert names >= LIGHT
    assert not VTK & names
    assert any(w.startswith("vtk: failed (OverflowError: wide)") for w in warnings_of(film))


def test_what_light_rests_on_joins_the_numbers(film):
    measured(film)
    assert any("no [optics]" in warning for warning in warnings_of(film))
    assert {path.name for path in film.iterdir()} >= LIGHT | VTK


def test_an_interrupt_while_light_is_looked_at_keeps_the_numbers(film, monkeypatch):
    monkeypatch.setattr(light_curves, "far_field", failing(KeyboardInterrupt(), film))
    with pytest.raises(KeyboardInterrupt):
        measured(film)
    assert warnings_of(film)


def test_a_full_disk_is_an_error_still(film, monkeypatch):
    monkeypatch.setattr(handoff, "write_text", failing(OSError(28, "No space left"), film))
    with pytest.raises(OSError, match="No space"):
        measured(film)
    assert warnings_of(film)


def test_figures_are_drawn_without_light(film, monkeypatch, capsys):
    from analysis.pictures import all as plots

    few = {"chain_lengths": plots.FIGURES["chain_lengths"]}
    monkeypatch.setattr(plots, "figures_of", lambda _: few)
    measured(film)
    monkeypatch.setattr(light_curves, "far_field", failing(MemoryError(), film))
    assert main(["plot", str(film)]) == 0
    assert "light: failed (MemoryError)" in capsys.readouterr().err
    assert (film / "figures" / "chain_lengths.png").exists()
