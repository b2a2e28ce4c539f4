"""Measured fields: tables made from a dipole's closed form, their range, and bad files."""

import math

import numpy as np
import pytest

pytest.importorskip("magpylib", reason="fields of magnets need magpylib")

from sim.command_line import main
from sim.magnets.field_table import file_digest
from sim.magnets.maxwell import maxwell_defects
from sim.magnets.measured import MeasuredField
from sim.magnets.shapes import MagnetError, field_and_gradient
from sim.parameters import ParameterError, load
from tests.published.test_moving_magnets import FILM, SPHERE

DEPTH = 15e-3
STRENGTH = 1.2 * 5e-3**3 / 3.0


def dipole(points):
    """Field of a dipole 15 mm below, along z (Jackson, section 5.6), and its gradient.

    dB_a/dx_b = 3 s/r^5 [m_a x_b + m_b x_a + (m . x)(delta_ab - 5 x_a x_b/r^2)].
    """
    x = points + np.array([0.0, 0.0, DEPTH])
    r = np.linalg.norm(x, axis=1)[:, None]
    m = np.array([0.0, 0.0, 1.0])
    along = x[:, 2:]
    field = STRENGTH * (3.0 * along * x / r**5 - m / r**3)
    outer = x[:, :, None] * x[:, None, :]
    mixed = m[None, :, None] * x[:, None, :] + x[:, :, None] * m[None, None, :]
    inner = np.eye(3) - 5.0 * outer / (r**2)[:, :, None]
    return field, 3.0 * STRENGTH / (r**5)[:, :, None] * (mixed + along[:, :, None] * inner)


HEADER = "x (mm),y (mm),z (mm),Bx (mT),By (mT),Bz (mT)"
SIDE = tuple(np.linspace(-8.0, 8.0, 17))


def table(heights=(-2.0, -1.0, 0.0, 1.0, 2.0), header=HEADER, side=SIDE):
    """Text of a table, its rows in a random order."""
    places = np.array([(x, y, z) for x in side for y in side for z in heights])
    rows = np.hstack([places, 1e3 * dipole(1e-3 * places)[0]])
    np.random.default_rng(2).shuffle(rows)
    lines = [",".join(repr(float(value)) for value in row) for row in rows]
    return "# a scan\n" + header + "\n" + "\n".join(lines) + "\n"


def film(folder, text, more=""):
    (folder / "field.csv").write_text(text)
    path = folder / "film.toml"
    path.write_text(FILM + '[[magnets]]\nkind = "table"\nfile = "field.csv"\n' + more)
    return path


def inside(count=40):
    return np.random.default_rng(3).uniform([-6e-3, -6e-3, 0.0], [6e-3, 6e-3, 0.0], (count, 3))


@pytest.mark.parametrize("heights", [(-2.0, -1.0, 0.0, 1.0, 2.0), (0.0,), (-0.5, 0.5)])
def test_field_and_gradient_of_a_table_are_those_that_were_measured(tmp_path, heights):
    """Cubic splines of places 1 mm apart, 15 mm from a dipole: (1/15)^4 and (1/15)^3 small.

    Between two planes the field is linear in z: half-way it misses h^2/8 d^2B/dz^2 = 3/2 (h/r)^2 B,
    0.7 % for h = 1 mm.
    """
    path = tmp_path / "field.csv"
    path.write_text(table(heights))
    source = MeasuredField.of((0.0, 0.0, 0.0), str(path))
    places = inside()
    field, slope = field_and_gradient((source,), places)
    wanted, steep = dipole(places)
    gate = (8e-3, 2e-2) if len(heights) == 2 else (2e-5, 2e-3)
    assert np.abs(field - wanted).max() < gate[0] * np.abs(wanted).max()
    assert np.abs(slope - steep).max() < gate[1] * np.abs(steep).max()


def test_a_scan_of_a_plane_goes_on_off_it_to_first_order(tmp_path):
    path = tmp_path / "field.csv"
    path.write_text(table((0.0,)))
    source = MeasuredField.of((0.0, 0.0, 0.0), str(path))
    place = np.array([[1e-3, 2e-3, 20e-6]])
    flat = place * [1.0, 1.0, 0.0]
    change = source.field(place) - source.field(flat)
    wanted = dipole(place)[0] - dipole(flat)[0]
    np.testing.assert_allclose(change, wanted, atol=0.01 * np.abs(wanted).max())
    with pytest.raises(MagnetError, match=r"z from 0 to 0 mm and was asked for 0\.1 mm"):
        source.field(place * [1.0, 1.0, 5.0])


def test_a_table_drives_a_run_and_adds_to_magnets(tmp_path):
    alone = load(film(tmp_path, table(), '[cell]\nplace = ["2 mm", "0 mm"]\n'))
    wanted, _ = dipole(np.array([[2e-3, 0.0, 0.0]]))
    assert alone.field.steps[0].vector == pytest.approx(wanted[0], abs=1e-5 * abs(wanted).max())
    both = load(film(tmp_path, table(), SPHERE.format(direction=[0, 0, 1])))
    centre = 2.0 * STRENGTH / DEPTH**3
    assert both.field.largest == pytest.approx(2.0 * centre, rel=1e-5)
    assert alone.magnets[0].digest == file_digest(str(tmp_path / "field.csv"))


def test_units_and_shift(tmp_path):
    gauss = table(header="x_mm, y_mm, z_mm, bx [G], by [G], bz [G]")
    found = load(film(tmp_path, gauss, 'position = ["1 mm", "0 mm", "0 mm"]\n'))
    wanted, _ = dipole(np.array([[-1e-3, 0.0, 0.0]]))
    assert found.field.steps[0].vector == pytest.approx(0.1 * wanted[0], abs=1e-6)


def missing_row(text):
    return text.rsplit("\n", 2)[0] + "\n"


@pytest.mark.parametrize(
    ("text", "more", "sentence"),
    [
        (missing_row(table()), "", "must hold each place of a grid of 17 x 17 x 5 once; received "
         "1444 rows on 1444 places."),
        (table(header="x,y,z,Bx,By,Bz"), "", "must begin with a header such as x (mm), y (mm)"),
        (table(header="x (mT),y (mm),z (mm),Bx (mT),By (mT),Bz (mT)"), "", "must begin with a "),
        (table() + "1,2,3\n", "", "must hold 6 finite numbers a row; line 1448 holds '1,2,3'."),
        (table() + "1,2,3,4,5,nan\n", "", "must hold 6 finite numbers a row"),
        ("", "", "must hold a header and from 1 to 2000000 rows; received 0 rows."),
        (table(side=(-1.0, 0.0, 1.0)), "", "at least 4 places along x; received 3."),
        (table(side=(-4.0, -1.0, 0.0, 1.0, 4.0)), "", "must hold evenly spaced places"),
        (table(), '[cell]\nplace = ["9 mm", "0 mm"]\n', "the measured field must cover every place "
         "that is asked for; it holds x from -8 to 8 mm and was asked for 9 mm."),
        (table((3.0, 4.0, 5.0, 6.0)), "", "it holds z from 3 to 6 mm and was asked for 0 mm."),
        (table((0.0, 1.0, 2.0, 3.0)), "", "it holds z from 0 to 3 mm and was asked for -"),
        (table(), '[[magnets.steps]]\nduration = "1 ms"\n', "steps must be left out for a "),
    ],
)  # fmt: skip
def test_bad_tables(tmp_path, capsys, text, more, sentence):
    path = film(tmp_path, text, more)
    with pytest.raises(ParameterError) as caught:
        load(path)
    (problem,) = caught.value.problems
    assert problem.startswith("[[magnets]]")
    assert sentence in problem
    assert main(["check", str(path)]) == 2
    assert "Traceback" not in capsys.readouterr().err


def test_a_missing_file_is_told(tmp_path):
    path = film(tmp_path, table())
    (tmp_path / "field.csv").unlink()
    with pytest.raises(ParameterError, match=r'must name a readable file; "field.csv": no such'):
        load(path)
    wrong = {
        "/dev/zero": "must be a file of at most 400 MB",
        ".": "must be a file of at most",
        "a\\u0000b": "must name a readable file",
    }
    for name, sentence in wrong.items():
        path.write_text(FILM + f'[[magnets]]\nkind = "table"\nfile = "{name}"\n')
        with pytest.raises(ParameterError, match=sentence):
            load(path)
    path.write_text(FILM + '[[magnets]]\nkind = "table"\n')
    with pytest.raises(ParameterError, match=r'file is missing; kind = "table" needs it'):
        load(path)


def test_a_map_beyond_the_table_is_refused(tmp_path, capsys):
    path = film(tmp_path, table(), '[cell]\nwidth = "10 mm"\n')
    assert main(["map", str(path), "-o", str(tmp_path / "map")]) == 0
    wide = path.read_text().replace('"10 mm"', '"20 mm"')
    path.write_text(wide)
    assert main(["map", str(path), "-o", str(tmp_path / "wide")]) == 2
    assert "the measured field must cover every place" in capsys.readouterr().err
    assert math.isfinite(load(path).field.largest)


def notices_of(folder, text, more=""):
    return load(film(folder, text, more)).notices


CELL = '[cell]\nwidth = "12 mm"\n'


def spoilt(change):
    """Text of the table with its rows (x, y, z, Bx, By, Bz) changed in place."""
    comment, header, *lines = table().splitlines()
    rows = np.array([[float(cell) for cell in line.split(",")] for line in lines])
    change(rows)
    return "\n".join([comment, header, *(",".join(map(repr, row.tolist())) for row in rows)])


def test_a_table_that_leaves_out_a_part_of_the_cell_is_told(tmp_path):
    assert notices_of(tmp_path, table(), CELL) == ()
    (notice,) = notices_of(tmp_path, table(), '[cell]\nwidth = ["16 mm", "20 mm"]\n')
    assert notice == (
        "[[magnets]] number 1 file covers x from -8 to 8 mm and y from -8 to 8 mm and not the "
        "whole cell of 16 mm x 20 mm: chainfilm map needs a smaller [cell] width or a larger table."
    )
    (notice,) = notices_of(tmp_path, table(), 'position = ["3 mm", "0 mm", "0 mm"]\n' + CELL)
    assert "covers x from -5 to 11 mm" in notice


def test_a_true_field_has_neither_sources_nor_curl(tmp_path):
    """Splines through a dipole's field 15 places away miss its slopes by 1e-4 or so."""
    for heights in ((-2.0, -1.0, 0.0, 1.0, 2.0), (0.0,)):
        path = tmp_path / "field.csv"
        path.write_text(table(heights))
        found = maxwell_defects(MeasuredField.of((0.0, 0.0, 0.0), str(path)))
        assert found.curl < 2e-3
        assert np.isnan(found.divergence) if len(heights) == 1 else found.divergence < 2e-3


def test_a_field_with_known_sources_and_curl(tmp_path):
    """Bx = a x + c y: div B = a, |curl B| = |c| and the gradient sqrt(a^2 + c^2) everywhere."""

    def linear(rows):
        rows[:, 3:] = 0.0
        rows[:, 3] = 4.0 * rows[:, 0] + 3.0 * rows[:, 1]  # mT over mm: T/m

    path = tmp_path / "field.csv"
    path.write_text(spoilt(linear))
    found = maxwell_defects(MeasuredField.of((0.0, 0.0, 0.0), str(path)))
    assert found == pytest.approx((0.8, 0.6, 5.0), rel=1e-9)


def test_fields_that_break_maxwells_laws_are_told(tmp_path):
    def left_handed(rows):
        rows[:, 4] *= -1.0

    def exchanged(rows):
        rows[:, [3, 4]] = rows[:, [4, 3]]

    def noisy(rows):
        rows[:, 3:] += np.random.default_rng(4).normal(0.0, 0.5, (len(rows), 3))

    for change in (left_handed, exchanged, noisy):
        (notice,) = notices_of(tmp_path, spoilt(change), CELL)
        assert "where both vanish in free space (Maxwell)" in notice
        share = float(notice.partition("div B of ")[2].partition(" %")[0])
        assert share > 5.0


def test_noise_of_an_even_field_is_no_defect(tmp_path):
    def even(rows):
        rows[:, 3:] = [20.0, 0.0, 0.0]
        rows[:, 3:] += np.random.default_rng(4).normal(0.0, 0.01, (len(rows), 3))

    assert notices_of(tmp_path, spoilt(even), CELL) == ()
