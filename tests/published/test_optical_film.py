"""A film of particles in light: closed forms of coupled dipoles, of mixing laws, and of absorption.

| What | Held against |
|---|---|
| dipoles of a pair, of a row without end | closed forms of the static dipole field (textbook) |
| dipoles on a cubic lattice | Clausius and Mossotti, which is Maxwell Garnett |
| rods without end | form birefringence of Wiener (1912) |
| self-consistent spheres | the law of Bruggeman |
| shares of light | their sum, Beer and Lambert, Bessel orders |
| tables of magnetite | the reflectance of polished faces |
"""

import math

import numpy as np
import pytest
from scipy.special import jv, zeta

from analysis import measure, open_run
from analysis.common.core_tables import CORE_TABLES
from analysis.optics.budget import angular_spread, rest_of_light
from analysis.optics.coupled_dipoles import DipoleFilm
from analysis.optics.curves import add_light
from analysis.optics.far_field import collect, diffracted
from analysis.optics.handoff import handoff
from analysis.optics.indices import Optics, tables_of
from analysis.optics.laws import self_consistent, wiener_rods
from analysis.optics.mixture import bruggeman, chain_depolarisation, maxwell_garnett
from tests.reference.planted import planted_run

HOST, PARTICLE = complex(2.04), complex(5.5, 0.43)
ANSWER = 0.125 * (PARTICLE - HOST) / (PARTICLE + 2 * HOST)  # of a sphere of diameter 1


def dipoles_of(places, sides, thickness, reach):
    """Mean dipole of each particle in a unit field along x, y, z; the film is dilute."""
    film = DipoleFilm.of(
        np.asarray(places, float), np.ones(len(places)), np.asarray(sides, float), thickness, reach
    )
    share = (np.diag(film.permittivity(HOST, PARTICLE)) / HOST - 1) / (4 * np.pi)
    return share * sides[0] * sides[1] * thickness / len(places)


def test_dipoles_of_a_pair(tell):
    # Two dipoles at distance r: p = a E/(1 - 2 a/r^3) along, a E/(1 + a/r^3) across (textbook).
    apart = 1.1
    found = dipoles_of([[50, 50, 5], [50 + apart, 50, 5]], (100.0, 100.0), 10.0, 49.0)
    along, across = ANSWER / (1 - 2 * ANSWER / apart**3), ANSWER / (1 + ANSWER / apart**3)
    tell(
        "dipole of a pair of particles in light along their line, 1.1 d apart, over alone",
        (along / ANSWER).real, (found[0] / ANSWER).real, source="static dipole field",
    )  # fmt: skip
    assert found == pytest.approx([along, across, across], rel=3e-5)


def test_dipoles_of_a_row_without_end(tell):
    # 2 sum 2 a/(k d)^3 = 4 zeta(3) a/d^3 along and half of it, negative, across (textbook).
    step = 1.02
    found = dipoles_of([[0, 5, 5]], (step, 400.0), 10.0, 180.0)
    pull = zeta(3) * ANSWER / step**3
    along, across = ANSWER / (1 - 4 * pull), ANSWER / (1 + 2 * pull)
    tell(
        "dipole of a particle in an endless row in light along it, 1.02 d apart, over alone",
        (along / ANSWER).real, (found[0] / ANSWER).real, source="static dipole field, ζ(3)",
    )  # fmt: skip
    assert found == pytest.approx([along, across, across], rel=3e-4)
    # That is the depolarisation factor of an endless chain: p = a E/(1 - (1 - 3 L) ... ), own form.
    factor = chain_depolarisation(100_000, step**-3)[0]
    pull = (PARTICLE - HOST) / (HOST + factor * (PARTICLE - HOST)) / (4 * np.pi) * np.pi / 6
    assert found[0] == pytest.approx(pull, rel=1e-3)


def test_dipoles_on_a_cubic_lattice_are_clausius_mossotti(tell):
    # Lorentz's local field of a cubic lattice; faces of the slab add terms of exp(-2 pi).
    cells, layers, step = 4, 8, 1.4
    axes = [np.arange(n) * step for n in (cells, cells, layers)]
    places = np.stack(np.meshgrid(*axes, indexing="ij"), -1).reshape(-1, 3)
    places[:, 2] += step / 2
    sides = np.full(2, cells * step)
    film = DipoleFilm.of(places, np.ones(len(places)), sides, layers * step)
    tensor = film.permittivity(HOST, PARTICLE)
    known = maxwell_garnett(HOST, PARTICLE, np.pi / 6 / step**3)
    tell(
        "permittivity of a film of particles on a cubic lattice, coupled dipoles",
        known[0].real, tensor[0, 0].real, source="Clausius, Mossotti",
    )  # fmt: skip
    assert np.diag(tensor) == pytest.approx(known, abs=0.002 * abs(known[0] - HOST))
    assert np.abs(tensor - np.diag(np.diag(tensor))).max() < 1e-9


def test_far_dipoles_are_spread_without_a_seam():
    """The field beyond the reach takes over what pairs leave out."""
    rng = np.random.default_rng(3)
    places = rng.random((150, 3)) * [20, 20, 6]
    sides = np.array([20.0, 20.0])
    short, long = (
        np.diag(DipoleFilm.of(places, np.ones(150), sides, 6.0, reach).permittivity(2.0, 2.4))
        for reach in (6.0, 20.0)
    )
    assert short == pytest.approx(long, abs=0.01 * abs(long[0] - 2.0))


@pytest.fixture(scope="module")
def light(tmp_path_factory):
    """What light meets in a film of planted rows."""
    folder = tmp_path_factory.mktemp("rows")
    planted_run(folder, frames=3)
    run = open_run(folder)
    return handoff(add_light(measure(run), run), run)["light"]


def test_straight_chains_obey_the_law_for_chains(light):
    """Planted rows: the law of straight chains and the dipoles of the frames agree."""
    rows = light[0]["laws"]
    apart = {row["law"]: row["birefringence"] for row in rows}
    assert apart["Coupled dipoles of the frames"] == pytest.approx(
        apart["Maxwell Garnett, chains"], rel=0.02
    )
    # No structure, no birefringence; solid rods beyond all chains.
    assert apart["Maxwell Garnett, no structure"] == apart["Bruggeman, no structure"] == 0
    assert apart["Wiener, rods without end"] > 2 * apart["Maxwell Garnett, chains"]


@pytest.mark.parametrize("fraction", [0.01, 0.1, 0.4])
def test_form_birefringence_of_rods(fraction, tell):
    along, across = wiener_rods(HOST, PARTICLE, fraction)
    # Wiener (1912), also Bragg and Pippard, Acta Cryst. 6, 865 (1953), from memory.
    top = fraction * (1 - fraction) * (PARTICLE - HOST) ** 2
    known = top / ((1 + fraction) * HOST + (1 - fraction) * PARTICLE)
    tell(
        f"form birefringence of rods without end, share {fraction:g}, difference of permittivities",
        known.real, (along - across).real, source="Wiener 1912",
    )  # fmt: skip
    assert along - across == pytest.approx(known)
    # Needles after Maxwell Garnett are the same mixture; Sihvola (1999), section 4 (from memory).
    needles = maxwell_garnett(HOST, PARTICLE, fraction, [(0.0, 0.5, 0.5)], [(1.0, 0.0, 0.0)])
    assert needles[:2] == pytest.approx([along, across])


def test_self_consistent_law_has_its_limits():
    # Spheres: Bruggeman (1935). All particle, no particle: themselves.
    sphere = [(1 / 3, 1 / 3, 1 / 3)]
    for fraction in (0.05, 0.3, 0.8):
        found = self_consistent(HOST, PARTICLE, fraction, sphere, [(1.0, 0, 0)], [1.0])
        assert found == pytest.approx([bruggeman(PARTICLE, HOST, fraction)] * 3)
    # Dilute: the first order in the share is that of Maxwell Garnett, for chains too.
    shape, axes = [(0.15, 0.425, 0.425)], [(0.8, 0.1, 0.1)]
    both = [
        (law(HOST, PARTICLE, 1e-6, shape, axes, [1.0]) - HOST) / 1e-6
        for law in (self_consistent, maxwell_garnett)
    ]
    assert both[0] == pytest.approx(both[1], rel=1e-4)


def test_light_adds_up_and_obeys_beer(tell):
    """An even screen absorbs by Beer's law; every share of a rough one has its place."""
    sides = np.array([3e-6, 3e-6])
    even = [diffracted(np.full((32, 32), 0.3 + 0.05j))] * 2
    found = rest_of_light(even, [], sides, 532e-9, 1.0, 0.9)
    tell(
        "share absorbed by an even film", 1 - math.exp(-2 * 0.05), found["absorbed"],
        source="Beer, Lambert",
    )  # fmt: skip
    assert found["absorbed"] == pytest.approx(1 - math.exp(-2 * 0.05))
    assert found["wide"] == pytest.approx(0, abs=1e-12)
    rng = np.random.default_rng(1)
    rough = [diffracted(rng.random((64, 64)) * (1 + 0.1j)) for _ in range(3)]
    rest = rest_of_light(rough, [], sides, 532e-9, 1.0, 0.5)
    orders = collect(rough, sides, 532e-9, 1.0, 0.5)
    total = orders.share.sum() + rest["wide"] + rest["trapped"] + rest["absorbed"]
    assert total == pytest.approx(1.0)
    assert min(rest["wide"], rest["trapped"], rest["absorbed"]) > 0


def test_shares_of_a_film_add_up(light):
    for one in light:
        parts = [one[f"{k}_share"] for k in ("direct", "scattered", "wide", "trapped", "absorbed")]
        assert sum(part["value"] for part in parts) == pytest.approx(1.0)
        assert all(part["error"] >= 0 for part in parts)
        # What is absorbed is what Beer's law takes from the film without structure.
        beer = 1 - one["transmittance_without_structure"]["value"]
        assert one["absorbed_share"]["value"] == pytest.approx(beer, rel=0.02)


def test_angular_spread_of_a_phase_grating(tell):
    """Orders m of a sine grating carry J_m^2 (Goodman): their mean square sine is known."""
    cells, period, wavelength, depth = 256, 8e-6, 532e-9, 0.7
    x = np.arange(cells) / cells
    phase = np.broadcast_to(depth * np.sin(2 * np.pi * x), (8, cells)).astype(complex)
    orders = collect([diffracted(phase)] * 2, np.array([period, period]), wavelength, 1.0, 1.0)
    share = np.where(orders.share > 1e-12, orders.share, 0.0)
    found = angular_spread(orders.sine_x, orders.sine_y, share, np.array([1.0, 0.0]))
    number = np.arange(1, 12)
    light = 2 * jv(number, depth) ** 2
    mean = (light * (number * wavelength / period) ** 2).sum() / light.sum()
    known = math.degrees(math.asin(math.sqrt(mean)))
    tell(
        "angular spread behind a sine phase grating of 0.7 rad", known, found["across"], unit="°",
        source="Bessel orders; Goodman",
    )  # fmt: skip
    assert found["across"] == pytest.approx(known, rel=1e-6)
    assert found["across"] == pytest.approx(found["angle"])
    along = angular_spread(orders.sine_x, orders.sine_y, share, np.array([0.0, 1.0]))
    assert along["across"] == pytest.approx(0.0, abs=1e-6)


def test_error_of_the_angular_spread_is_that_of_speckle():
    """Orders with exponential light in opposite pairs: the scatter between films is the error."""
    rng = np.random.default_rng(5)
    sine = np.linspace(-0.8, 0.8, 41)[:, None] * np.ones(1)
    x = sine.ravel()
    found, errors = [], []
    for _ in range(400):
        half = rng.exponential(np.exp(-np.abs(x[:20]) / 0.3))
        light = np.concatenate([half, [0.0], half[::-1]])
        one = angular_spread(x, np.zeros_like(x), light, None)
        found.append(one["angle"])
        errors.append(one["angle_error"])
    # The scatter of 400 films is known to 3.5 % (standard error), the error of a ratio to its
    # first order in the light, here some 10 %.
    assert np.mean(errors) == pytest.approx(np.std(found, ddof=1), rel=0.1 + 4 * 0.035)


def test_tables_of_magnetite_beside_the_reflectance_of_its_faces():
    """Polished magnetite reflects about 20 % at 546 nm (handbooks of ore minerals, from memory)."""
    optics = tables_of(Optics.of({"optics": {"wavelengths": [546e-9]}}))
    assert set(optics) == {name for name in CORE_TABLES if name.startswith("magnetite")}
    faces = {}
    for name, one in optics.items():
        (index,) = one.core_indices
        faces[name] = abs((index - 1) / (index + 1)) ** 2
    assert faces["magnetite-reflectance"] == pytest.approx(0.20, abs=0.005)
    assert faces["magnetite-huffman"] == pytest.approx(0.20, abs=0.03)
    assert faces["magnetite-querry"] == pytest.approx(0.16, abs=0.005)  # too clear a sample
