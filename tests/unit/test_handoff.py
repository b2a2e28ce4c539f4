"""The hand-off of a run: numbers of a planted film, files, and the [optics] table behind them."""

import base64
import json
import math
import xml.etree.ElementTree as ET
from dataclasses import asdict

import h5py
import numpy as np
import pytest

from analysis import measure, open_run
from analysis.measures.vtk import write_vtk
from analysis.optics.curves import add_light, bond_closeness
from analysis.optics.definitions import DEFINITIONS
from analysis.optics.far_field import screen
from analysis.optics.handoff import NONE, handoff, write_light_files
from analysis.optics.indices import Optics
from analysis.optics.mixture import Mixture
from analysis.optics.projection import particle_thickness
from analysis.pictures.light import far_field, optical_thickness
from analysis.spacing.pattern import half_width
from sim.files.record import resolved
from sim.parameters import ParameterError, from_text
from sim.parameters.types import OpticsParameters
from tests.reference.planted import planted_run
from tests.unit.test_force_parameters import FILM


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    folder = tmp_path_factory.mktemp("film")
    planted_run(folder, frames=6)
    run = open_run(folder)
    return run, add_light(measure(run), run), folder


@pytest.fixture(scope="module")
def content(measured):
    run, measurement, folder = measured
    write_light_files(measurement, run, folder)
    write_vtk(measurement, folder)
    return json.loads((folder / "handoff.json").read_text())


def entries(part):
    if isinstance(part, dict) and "definition" in part and "value" in part:
        yield part
    elif isinstance(part, dict):
        for item in part.values():
            yield from entries(item)
    elif isinstance(part, list):
        for item in part:
            yield from entries(item)


def test_every_value_has_error_unit_and_definition(content):
    found = list(entries(content))
    assert len(found) > 40
    for entry in found:
        assert {"value", "error", "unit", "definition"} <= set(entry)
        assert entry["definition"]


def test_planted_film(content):
    structure = content["structure"]
    period = structure["period_m"]
    assert period["taken_from"] == "structure_factor_m"
    assert abs(period["value"] - 100e-9) < 4 * period["error"]
    assert structure["chain_direction"]["value"] == [1.0, 0.0, 0.0]
    assert structure["order"]["value"] > 0.99
    # Chains of two and more an area: those of the planted lanes that hold together.
    length, singles = structure["mean_length"]["value"], structure["singles_fraction"]["value"]
    chains = 840 * (1 / length - singles) / (1.2e-6 * 0.6e-6)
    assert structure["areal_density_per_m2"]["value"] == pytest.approx(chains)
    table = content["structure_factor"]
    assert len(table["q_per_m"]) == len(table["s"]) == len(table["error"]) > 10


def test_sub_wavelength_film_has_no_order_but_two_indices(content):
    for light in content["light"]:
        assert light["diffraction"] == NONE
        assert "first_order_angle_deg" not in light
        assert light["n_along"]["value"] > light["n_across"]["value"] > 1.43
        assert light["k_along"]["value"] > light["k_across"]["value"] > 0
        # What is not absorbed is in the direct beam or scattered.
        both = light["direct_share"]["value"] + light["scattered_share"]["value"]
        assert both == pytest.approx(light["transmittance_without_structure"]["value"], abs=1e-3)


def test_wide_film_has_the_order_of_its_grating(tmp_path):
    planted_run(
        tmp_path, sides=(4e-6, 24e-6), thickness=0.3e-6, spacing=2e-6, jitter=0.05e-6, frames=2,
        plateau=20,
    )  # fmt: skip
    run = open_run(tmp_path)
    light = add_light(measure(run), run)
    found = handoff(light, run)["light"][0]
    # Grating equation, 2 um and 532 nm: 15.426 deg.
    angle = found["first_order_angle_deg"]
    assert found["diffraction"] == "first order"
    assert abs(angle["value"] - 15.426) < 4 * angle["error"]
    assert found["first_order_spread_deg"]["value"] > 0
    # The far field of the projected film has its light there.
    profile = light.curves["far_field"]["wavelengths"][0]["profile"]
    best = profile["angle_deg"][np.argmax(profile["per_sr"])]
    assert best == pytest.approx(15.426, abs=0.7)


def test_unknown_cores_leave_light_out_and_say_so(measured, tmp_path):
    run, _, _ = measured
    planted_run(tmp_path, frames=1)
    (tmp_path / "far_field.csv").write_text("of an earlier measurement")
    optics = asdict(OpticsParameters(wavelengths=(200e-9,)))
    measurement = add_light(measure(run), run, optics)
    names = {path.name for path in write_light_files(measurement, run, tmp_path)}
    assert names == {"handoff.json"}
    assert not (tmp_path / "far_field.csv").exists()
    content = json.loads((tmp_path / "handoff.json").read_text())
    assert any("[optics] core_index" in warning for warning in content["warnings"])
    assert "n_along" not in content["light"][0]


def test_files_hold_what_the_picture_shows(measured, content):
    run, measurement, folder = measured
    with h5py.File(folder / "optical_thickness.h5") as file:
        sharp = file["particle_thickness_m"]
        assert sharp.attrs["unit"] == "m"
        area = run.sides[0] * run.sides[1] / sharp.size
        volume = float((math.pi / 6 * run.diameters**3).sum())
        assert float(np.sum(sharp, dtype=float)) * area == pytest.approx(volume, rel=1e-6)
        # The mean of the map is the plain film's path beyond that of the liquid.
        plain = content["light"][0]["n_without_structure"]["value"] - 1.43
        path = np.mean(file["wavelength_1/path_m"], dtype=float)
        assert path == pytest.approx(plain * run.thickness, rel=1e-5)
    rows = (folder / "far_field.csv").read_text().splitlines()
    assert rows[0].startswith("wavelength_m,angle_x_deg,angle_y_deg,polar_deg,share")
    orders = [len(one["orders"].share) for one in measurement.curves["far_field"]["wavelengths"]]
    assert len(rows) == 1 + sum(orders)


def data_array(root, name):
    """Read a data array as the VTK file format prescribes: length in bytes, then numbers."""
    node = root.find(f".//DataArray[@Name='{name}']")
    raw = base64.b64decode(node.text)
    kind = {"Float32": "<f4", "Float64": "<f8", "Int32": "<i4", "Int64": "<i8"}[node.get("type")]
    assert int.from_bytes(raw[:8], "little") == len(raw) - 8
    values = np.frombuffer(raw[8:], kind)
    return values.reshape(-1, int(node.get("NumberOfComponents", 1)))


def test_vtk_files(measured, content):
    run, measurement, folder = measured
    root = ET.parse(folder / "particles.vtp").getroot()
    assert root.get("type") == "PolyData"
    assert data_array(root, "position_nm") * 1e-9 == pytest.approx(run.positions(-1))
    assert data_array(root, "moment_am2") == pytest.approx(run.moments(-1))
    lengths = data_array(root, "chain_length")[:, 0]
    chain = data_array(root, "chain")[:, 0]
    assert (lengths[chain < 0] == 1).all()
    assert all((chain == c).sum() == lengths[chain == c][0] for c in set(chain[chain >= 0]))
    root = ET.parse(folder / "chains.vtp").getroot()
    ends = data_array(root, "position_nm").reshape(-1, 2, 3)
    bonds = measurement.last_frame["bonds"]
    assert int(root.find(".//Piece").get("NumberOfLines")) == len(bonds) == len(ends)
    # No bond is drawn across the whole patch.
    assert np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1).max() < 1.3 * 24


def test_projection_keeps_volume_and_place():
    sides, rng = np.array([1e-6, 0.5e-6]), np.random.default_rng(3)
    points = rng.random((40, 3)) * [1e-6, 0.5e-6, 0.2e-6]
    sizes = 20e-9 + 20e-9 * rng.random(40)
    for shape in ((16, 32), (100, 200), (37, 411)):
        found = particle_thickness(points, sizes, sides, shape)
        area = 0.5e-12 / found.size
        assert found.sum() * area == pytest.approx((math.pi / 6 * sizes**3).sum(), rel=1e-12)
    one = particle_thickness(
        np.array([[0.999e-6, 0.25e-6, 0]]), np.array([100e-9]), sides, (50, 100)
    )
    # The centre shows the whole diameter; the far side of the border sees the particle too.
    assert one.max() == pytest.approx(100e-9, rel=0.02)
    assert one[25, 0] > 90e-9


def test_screen_leaves_out_what_is_finer_than_the_wavelength():
    film, sides = Mixture.of(1.43, 1.45, 2.35 + 0.09j, 0.58, 0.03), np.array([2e-6, 2e-6])
    place = np.arange(200) / 200
    fine = np.broadcast_to(1e-8 * (1 + np.cos(2 * np.pi * 20 * place)), (200, 200))
    coarse = np.broadcast_to(1e-8 * (1 + np.cos(2 * np.pi * 2 * place)), (200, 200))
    assert np.ptp(screen(fine, sides, film, 532e-9).real) < 1e-12
    rise = 2 * math.pi / 532e-9 * film.index_per_fraction().real
    assert np.ptp(screen(coarse, sides, film, 532e-9).real) == pytest.approx(2e-8 * rise)


def test_closeness_and_half_width():
    frame = {
        "positions": np.array([[1.0, 1, 1], [1.0, 3, 1], [1.0, 9.5, 1]]),
        "diameters": np.full(3, 1.5), "sides": np.array([10.0, 10.0]),
        "bonds": np.array([[0, 1], [0, 2]]),
    }  # fmt: skip
    assert bond_closeness(frame) == pytest.approx(0.5 * (0.75**3 + 1.0**3))
    assert bond_closeness(frame | {"bonds": np.zeros((0, 2), int)}) == 1.0
    # A Lorentzian of half width w on a wide range.
    q = np.linspace(0, 20, 2001)
    assert half_width(q, 1 / (1 + ((q - 10) / 0.4) ** 2), 10.0) == pytest.approx(0.4, rel=0.01)


def test_figures_have_their_words(measured):
    import matplotlib.text

    run, measurement, _ = measured
    for draw, words in ((optical_thickness, "532 nm"), (far_field, "Scattered light (1/sr)")):
        figure = draw(measurement, run)
        said = " ".join(t.get_text() for t in figure.findobj(matplotlib.text.Text))
        assert words in said
        assert "provisional" in said


# --- the table [optics] ------------------------------------------------------------------------


def test_defaults_of_file_and_analysis_agree():
    recorded = resolved(from_text(FILM))
    assert Optics.of(recorded) == Optics.of({})
    assert Optics.of(recorded).core_indices[0] == pytest.approx(2.3456 + 0.0926j)


def test_values_reach_the_hand_off():
    more = '[optics]\nwavelengths = ["450 nm", "1 um"]\ncore_index = [[2.2, 0.5], [2.1, 0.3]]\n'
    found = Optics.of(resolved(from_text(FILM + more + "carrier_index = 1.33\n")))
    assert found.wavelengths == pytest.approx((450e-9, 1e-6))
    assert found.core_indices == (2.2 + 0.5j, 2.1 + 0.3j)
    assert (found.carrier_index, found.core_source) == (1.33, "parameter file")
    one = Optics.of(resolved(from_text(FILM + "[optics]\ncore_index = [2, 0.1]\n")))
    assert one.core_indices == (2 + 0.1j,) * 2


def test_the_table_of_the_cores_is_chosen_by_name():
    from analysis.common.core_tables import CORE_TABLES

    chosen = Optics.of(resolved(from_text(FILM + '[optics]\ncore_table = "maghemite-rough"\n')))
    lines = np.array(CORE_TABLES["maghemite-rough"].lines)
    for wavelength, index in zip(chosen.wavelengths, chosen.core_indices, strict=True):
        for column, part in ((1, index.real), (2, index.imag)):
            assert part == pytest.approx(np.interp(wavelength * 1e6, lines[:, 0], lines[:, column]))
    assert (chosen.core_table, chosen.core_source) == (
        "maghemite-rough", CORE_TABLES["maghemite-rough"].source,
    )  # fmt: skip
    # Beyond the lines of a table nothing is known, and the sentence names the table.
    narrow = '[optics]\ncore_table = "magnetite-huffman"\nwavelengths = ["1 um"]\n'
    beyond = Optics.of(resolved(from_text(FILM + narrow)))
    assert beyond.core_indices is None
    assert "the table magnetite-huffman reaches from 400 to 700 nm" in beyond.core_source
    # Two indices of one core contradict each other.
    with pytest.raises(ParameterError) as caught:
        from_text(FILM + '[optics]\ncore_index = [2, 0]\ncore_table = "maghemite-rough"\n')
    (problem,) = caught.value.problems
    assert problem.startswith("[optics] core_table must be left out")


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('wavelengths = "532 nm"', "a list of 1 to 20 different wavelengths from 100 nm to 20 um"),
        ("wavelengths = []", "a list of 1 to 20 different wavelengths"),
        ('wavelengths = ["532 nm", "532 nm"]', "which names one twice"),
        ('wavelengths = ["5 nm"]', 'received ["5 nm"]'),
        ("wavelengths = [532]", "a number without a unit"),
        ("carrier_index = 0.5", "a number from 1 to 4 such as 1.43; received 0.5"),
        ("core_index = 2.3", "a pair [n, k] with n from 0.01 to 10"),
        ("core_index = [2.3, -0.1]", "received [2.3, -0.1]"),
        ("core_index = [[2, 0], [2, 0], [2, 0]]", "or as many as the 2 wavelengths; received 3"),
        ("numerical_aperture = 1.2", "must be at most outer_index, 1, such as 0.9; received 1.2"),
        ("aperture = 1.2", "the nearest is numerical_aperture"),
        ('core_table = "gold"', '"magnetite-reflectance" or "maghemite-rough"; received "gold"'),
    ],
)
def test_bad_optics_are_told(line, said):
    with pytest.raises(ParameterError) as caught:
        from_text(FILM + f"[optics]\n{line}\n", "film.toml")
    (problem,) = caught.value.problems
    assert problem.startswith(f"[optics] {line.split()[0]} ")
    assert said in problem


def test_definitions_are_documented():
    from pathlib import Path

    page = (Path(__file__).parents[2] / "analysis" / "optics" / "README.md").read_text("utf-8")
    for key, (unit, definition) in DEFINITIONS.items():
        assert f"| `{key}` | {unit} | {definition} |" in page, key
