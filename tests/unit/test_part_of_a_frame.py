"""Of a film of very many particles, pictures and viewers get a part."""

import numpy as np
import pytest

from analysis.measures import part
from analysis.measures.part import part_of
from analysis.pictures import style
from analysis.pictures.film import SIDE, draw_view, panels
from analysis.trajectory.cutout import CutOut


def frame(sides, thickness, count=4000):
    """A last frame of pairs at random, bonded."""
    rng = np.random.default_rng(6)
    first = rng.random((count // 2, 3)) * [*sides, thickness]
    both = np.concatenate([first, first + 0.01 * rng.standard_normal(first.shape)])
    both = np.clip(both, 0, np.nextafter([*sides, thickness], 0))
    pairs = np.arange(count // 2)
    return {
        "positions": both,
        "moments": None,
        "diameters": rng.random(count),
        "chain_index": np.concatenate([pairs, pairs]),
        "chain_length": np.full(count, 2),
        "bonds": np.stack([pairs, pairs + count // 2], axis=1),
        "sides": np.array(sides),
        "thickness": thickness,
    }


@pytest.mark.parametrize(("thickness", "cut"), [(0.5, False), (6.0, True)])
def test_a_part_keeps_shape_density_and_its_bonds(monkeypatch, thickness, cut):
    monkeypatch.setattr(part, "MOST_SHOWN", 500)
    whole = frame((6.0, 4.0), thickness)
    found = part_of(whole)
    count = len(found["positions"])
    assert count == pytest.approx(500, abs=4 * np.sqrt(2 * 500))  # pairs: twice the variance
    assert found["is_part"]
    assert found["sides"][0] / found["sides"][1] == pytest.approx(1.5)
    assert (found["thickness"] < thickness) is cut
    assert found["windows"] == (True, not cut)
    assert (found["positions"] < [*found["sides"], found["thickness"]]).all()
    volume = np.prod([*found["sides"], found["thickness"]])
    assert volume / (24 * thickness) == pytest.approx(500 / 4000)
    own = found["chain_index"]
    assert (own[found["bonds"][:, 0]] == own[found["bonds"][:, 1]]).all()
    # Every pair that is whole in the part is bonded there.
    assert len(found["bonds"]) == (np.bincount(own) == 2).sum() > 100
    assert len(found["diameters"]) == len(own) == count


def test_a_film_of_few_particles_is_shown_whole():
    whole = frame((6.0, 4.0), 0.5)
    assert part_of(whole) is whole


@pytest.mark.parametrize("windows", [(True, True), (True, False), (False, False)])
def test_only_windows_are_drawn_as_such(windows):
    shown = {
        "positions": np.full((1, 3), 0.5), "diameters": np.ones(1), "colours": np.zeros((1, 3)),
        "extent": (1.0, 1.0, 1.0), "is_part": False, "windows": windows,
    }  # fmt: skip
    with style.publication():
        _, (axes,) = panels(shown["extent"], (SIDE,))
        draw_view(axes, shown, SIDE, "")
    thick = tuple(axes.spines[name].get_linewidth() > 1.0 for name in ("bottom", "top"))
    assert thick == windows


def test_a_box_out_of_the_middle_reaches_no_window():
    for low, high, windows in (
        (0.0, 2.0, (True, True)), (0.5, 1.5, (False, False)), (0.0, 1.0, (True, False)),
    ):  # fmt: skip
        box = CutOut(np.array([0, 0, low]), np.array([4.0, 4.0, 2.0]), 9, np.arange(9), np.ones(1))
        assert box.windows(high - low) == windows
