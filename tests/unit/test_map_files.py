"""Files and figures of a map: read back, drawn to scale, magnets where they are."""

import base64
import csv
import math
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest

from analysis.cell.chains import chains_map
from analysis.cell.files import write_map
from analysis.cell.numbers import numbers_map
from sim.magnets.outlines import outlines
from sim.magnets.shapes import Block, CurrentLoop, Ring, SoftIronSphere, Sphere, UniformField

X, Y = np.linspace(-3e-3, 3e-3, 7), np.linspace(-2e-3, 2e-3, 5)
MAGNETS = (
    Sphere(position=(0.0, 0.0, -8e-3), rotation=(0.4, 0.2, 0.0), diameter=6e-3),
    Block(position=(6e-3, 0.0, 0.0), rotation=(0.0, 0.0, math.pi / 2), sides=(2e-3, 4e-3, 1e-3)),
)


@pytest.fixture
def columns():
    """Return a map in which the field stands up in the middle and lies level elsewhere."""
    across, along = np.meshgrid(X, Y)
    radius = np.hypot(across, along) / 1e-3
    tilt = np.where(radius < 1.5, 80.0, 10.0)
    strength = 0.05 / (1.0 + radius)
    level = strength * np.cos(np.radians(tilt))
    return {
        "strength_T": strength,
        "field_x_T": level,
        "field_y_T": 0.0 * level,
        "field_z_T": strength * np.sin(np.radians(tilt)),
        "tilt_deg": tilt,
        "state": np.where(radius > 3.0, 0, np.where(radius < 1.5, 2, 1)).astype(np.int8),
        "langevin_parameter": 100.0 * strength,
        "mean_length": 1.0 + radius,
        "drift_x_m_per_s": -1e-9 * across,
        "drift_y_m_per_s": -1e-9 * along,
    }


def test_table_and_grid_hold_the_map(tmp_path, columns):
    table, grid = write_map(X, Y, columns, tmp_path)
    with table.open() as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0]) == ["x_m", "y_m", *columns]
    for name, values in columns.items():
        found = [float(row[name]) for row in rows]
        assert found == pytest.approx(values.ravel().tolist(), rel=1e-7)
    assert [float(row["x_m"]) for row in rows[:7]] == pytest.approx(X.tolist())
    image = ElementTree.parse(grid).getroot().find("ImageData")
    assert image.get("WholeExtent") == "0 6 0 4 0 0"
    assert [float(v) for v in image.get("Spacing").split()] == pytest.approx([1.0, 1.0, 1.0])
    assert [float(v) for v in image.get("Origin").split()] == pytest.approx([-3.0, -2.0, 0.0])
    for array in image.iter("DataArray"):
        raw = base64.b64decode(array.text)
        kind = {"Float64": "<f8", "Int32": "<i4"}[array.get("type")]
        assert int.from_bytes(raw[:8], "little") == len(raw) - 8
        assert np.array_equal(np.frombuffer(raw[8:], kind), columns[array.get("Name")].ravel())


def test_views_share_one_scale_and_show_cell_and_magnets(columns):
    figure = chains_map(X, Y, columns, outlines(MAGNETS))
    above, side = figure.axes[:2][::-1]
    scales = []
    for axes in (above, side):
        box = axes.get_position()
        wide, high = box.width * figure.get_figwidth(), box.height * figure.get_figheight()
        scales += [wide / np.ptp(axes.get_xlim()), high / np.ptp(axes.get_ylim())]
    assert scales == pytest.approx([scales[0]] * 4, rel=1e-9)
    assert above.get_xlim()[0] <= -3.0
    assert above.get_xlim()[1] >= 6.5
    words = " ".join(text.get_text() for text in figure.texts)
    for sign in ("lines: chains", "dots: chains stand up", "red: tilt 45°", "hatched: no chains"):
        assert sign in words


def test_numbers_have_four_panels_and_their_bars(columns):
    figure = numbers_map(X, Y, columns, outlines(MAGNETS))
    titles = [axes.get_title(loc="left") for axes in figure.axes]
    assert [title.split(" (")[0] for title in titles if title] == [
        "Tilt out of the plane",
        "Langevin parameter",
        "Predicted mean chain length",
        "Drift in the plane",
    ]


def test_outlines_are_the_shadows_of_the_bodies():
    """A sphere's shadow is its circle however it is turned; a block turned by 90 deg swaps."""
    sphere, block = outlines(MAGNETS)
    rim = np.linalg.norm(sphere["side"][0] - [0.0, -8e-3], axis=1)
    assert rim == pytest.approx(3e-3)
    assert np.ptp(block["above"][0], axis=0) == pytest.approx([4e-3, 2e-3])
    assert np.ptp(block["side"][0], axis=0) == pytest.approx([4e-3, 1e-3])
    assert block["axis"] == pytest.approx([0.0, 0.0, 1.0])


def test_outlines_of_rings_coils_and_fields():
    pytest.importorskip("magpylib")
    ring, coil, iron = outlines(
        (
            Ring(position=(0.0, 0.0, -9e-3), diameter=8e-3, inner_diameter=4e-3, height=2e-3),
            CurrentLoop(position=(0.0, 0.0, 5e-3), diameter=6e-3),
            UniformField(strength=(0.1, 0.0, 0.0)),
            SoftIronSphere(position=(0.0, 0.0, 30e-3), diameter=2e-3),
        )
    )
    assert [np.ptp(polygon[:, 0]) for polygon in ring["above"]] == pytest.approx([8e-3, 4e-3])
    assert np.ptp(coil["side"][0][:, 0]) == pytest.approx(6e-3, rel=1e-6)
    assert coil["axis"] is None
    assert np.ptp(iron["above"][0], axis=0) == pytest.approx([2e-3, 2e-3], rel=1e-2)
    assert iron["axis"][0] == pytest.approx(1.0, abs=0.1)  # along the field that magnetises it
