"""Beads to light, orders that are not there, rings, and errors of what chains do to the index."""

import json
import math
from copy import deepcopy
from dataclasses import replace

import h5py
import numpy as np
import pytest

from analysis import measure, open_run
from analysis.optics.curves import add_light
from analysis.optics.far_field import beam_and_rest, collect, diffracted, mixtures
from analysis.optics.handoff import FIRST, NO_PEAK, NONE, UNSURE, handoff, write_light_files
from analysis.optics.handoff_light import diffraction
from analysis.optics.indices import Optics
from sim.files.record import differences, resolved
from sim.parameters import from_text
from tests.reference import planted
from tests.reference.planted import planted_run
from tests.reference.small_film import bead_film

MAGNETITE = 2.3456 + 0.0926j  # between the lines of Querry's table at 532 nm


@pytest.fixture(scope="module")
def beads(tmp_path_factory):
    """A planted film whose record says that a particle is a bead, 0.3 of it cores."""
    folder = tmp_path_factory.mktemp("beads")
    planted_run(folder, frames=2, sides=(0.8e-6, 0.6e-6))
    recorded = resolved(from_text(bead_film()))
    recorded["particles"]["magnetic_share"] = 0.3
    with h5py.File(folder / "run.h5", "a") as file:
        file["parameters"].attrs["resolved"] = json.dumps(recorded)
    run = open_run(folder)
    return run, add_light(measure(run), run)


def clausius_mossotti(eps, host):
    return (eps - host) / (eps + 2 * host)


def test_index_of_a_film_of_beads(beads):
    # Clausius and Mossotti three times: cores in the bead, bead in its shell, particles in the
    # liquid; each step adds up polarisabilities of spheres (Bohren and Huffman, section 5.2, 8.5).
    run, measurement = beads
    host, shell, matrix = 1.43**2, 1.45**2, 1.59**2

    def added(inner, outer, share):
        pull = share * clausius_mossotti(inner, outer)
        return outer * (1 + 2 * pull) / (1 - pull)

    found = handoff(measurement, run)
    bead = added(MAGNETITE**2, matrix, 0.3)
    whole = added(bead, shell, (20 / 24) ** 3)
    film = np.sqrt(added(whole, host, found["film"]["volume_fraction"]["value"]))
    light = found["light"][0]
    assert light["n_without_structure"]["value"] == pytest.approx(film.real, rel=1e-6)
    assert light["k_without_structure"]["value"] == pytest.approx(film.imag, rel=1e-3)
    assert light["bead_index"]["value"] == pytest.approx(
        [np.sqrt(bead).real, np.sqrt(bead).imag], rel=1e-3
    )
    through = math.exp(-4 * math.pi * film.imag * run.thickness / 532e-9)
    assert light["transmittance_without_structure"]["value"] == pytest.approx(through, rel=1e-5)
    # The map's mean and the far field take the same film.
    path = measurement.curves["optical_thickness"]["wavelengths"][0]["path_m"]
    assert path.mean() == pytest.approx((film.real - 1.43) * run.thickness, rel=1e-4)
    both = light["direct_share"]["value"] + light["scattered_share"]["value"]
    assert both == pytest.approx(through, abs=1e-3)
    # The cores' own share, and errors from the other law of mixing.
    assert found["film"]["core_share"]["value"] == pytest.approx(0.3 * (20 / 24) ** 3)
    assert found["film"]["magnetic_share"]["value"] == 0.3
    assert found["optics"]["matrix_index"]["value"] == 1.59
    for key in ("n_without_structure", "k_without_structure", "n_along"):
        assert 0 < light[key]["error"] < 0.5 * abs(light[key]["value"])


def bruggeman_of(share):
    """Permittivity of a bead by the equation of Bruggeman, solved by scipy."""
    core, matrix = MAGNETITE**2, 1.59**2

    def left(parts):
        e = complex(*parts)
        f = share * (core - e) / (core + 2 * e) + (1 - share) * (matrix - e) / (matrix + 2 * e)
        return [f.real, f.imag]

    from scipy.optimize import fsolve

    return complex(*fsolve(left, [3.0, 0.1], xtol=1e-12))


def test_one_law_of_mixing_is_in_every_number_of_light(beads, tmp_path):
    # Bruggeman (1935) in the beads in the place of Maxwell Garnett, then shell and liquid as
    # before: what it changes must be in the error of whatever light gives.
    run, measurement = beads
    host, shell = 1.43**2, 1.45**2
    found = handoff(measurement, run)
    light, fraction = found["light"][0], found["film"]["volume_fraction"]["value"]

    def added(inner, outer, share):
        pull = share * clausius_mossotti(inner, outer)
        return outer * (1 + 2 * pull) / (1 - pull)

    whole = added(bruggeman_of(0.3), shell, (20 / 24) ** 3)
    film = complex(np.sqrt(added(whole, host, fraction)))
    through = math.exp(-4 * math.pi * film.imag * run.thickness / 532e-9)
    apart = abs(through - light["transmittance_without_structure"]["value"])
    assert light["transmittance_without_structure"]["error"] == pytest.approx(apart, rel=1e-3)
    # Nearly all the light of this film is in the direct beam, which changes alike.
    assert light["direct_share"]["error"] >= 0.9 * apart
    assert apart > 10 * scatter_of_frames(measurement)
    # The map: its mean is that of the film without structure.
    one = measurement.curves["optical_thickness"]["wavelengths"][0]
    step = abs(film.real - light["n_without_structure"]["value"])
    assert one["path_error_m"].mean() == pytest.approx(step * run.thickness, rel=1e-3)
    assert one["absorption_error"].mean() == pytest.approx(
        4 * math.pi / 532e-9 * abs(film.imag - light["k_without_structure"]["value"])
        * run.thickness, rel=1e-3,
    )  # fmt: skip
    # Scattered light of a weak screen goes with the square of what the screen adds.
    ratio = abs((film - 1.43) / complex(
        light["n_without_structure"]["value"] - 1.43, light["k_without_structure"]["value"]
    )) ** 2  # fmt: skip
    change = abs(ratio - 1) * light["scattered_share"]["value"]
    orders = measurement.curves["far_field"]["wavelengths"][0]["orders"]
    speckle = math.sqrt(2 * float((orders.speckle[~orders.direct] ** 2).sum()))
    assert light["scattered_share"]["error"] == pytest.approx(math.hypot(speckle, change), rel=0.05)
    write_light_files(measurement, run, tmp_path)
    with h5py.File(tmp_path / "optical_thickness.h5") as file:
        assert set(file["wavelength_1"]) == {
            "path_m", "absorption", "path_error_m", "absorption_error",
        }  # fmt: skip


def scatter_of_frames(measurement):
    orders = measurement.curves["far_field"]["wavelengths"][0]["orders"]
    return float(orders.speckle[orders.direct].sum())


def test_speckle_of_scattered_light_covers_its_scatter():
    # Goodman, Speckle Phenomena in Optics, section 3.2 (from memory): an order scatters by its own
    # mean, and of a real weak screen orders q and -q are the same.
    rng = np.random.default_rng(8)
    found = [
        beam_and_rest(collect([diffracted(screen + 0j)], np.full(2, 4e-6), 532e-9, 1.0, 0.4))
        for screen in 1e-3 * rng.standard_normal((600, 16, 16))
    ]
    scatter = np.std([one["scattered"] for one in found])
    told = math.sqrt(np.mean([one["scattered_error"] ** 2 for one in found]))
    # The mean of squares of an exponential law is twice the square of its mean.
    assert told / math.sqrt(2) == pytest.approx(scatter, rel=4 / math.sqrt(2 * 600) + 0.03)
    assert all(math.isnan(one["direct_error"]) for one in found)  # one frame shows no scatter


def test_the_direct_beam_of_one_frame_has_no_error(tmp_path):
    planted_run(tmp_path, frames=1, sides=(0.8e-6, 0.6e-6))
    run = open_run(tmp_path)
    measurement = measure(run, from_time=float(run.times[-1]))
    light = handoff(add_light(measurement, run), run)["light"][0]
    assert light["direct_share"]["value"] > 0
    assert light["direct_share"]["error"] is None
    assert "one frame" in light["direct_share"]["reason"]
    maps = measurement.curves["optical_thickness"]["wavelengths"][0]
    assert "path_error_m" not in maps  # one core a particle: no mixing


def test_whole_cores_are_as_they_were(tmp_path):
    planted_run(tmp_path, frames=1, sides=(0.8e-6, 0.6e-6))
    run = open_run(tmp_path)
    film = mixtures(run, Optics.of({}))[0]
    assert film == mixtures(run, Optics.of({}), grains=True)[0]
    share = (20 / 24) ** 3
    pull = share * clausius_mossotti(MAGNETITE**2, 1.45**2)
    assert film.particle == pytest.approx(1.45**2 * (1 + 2 * pull) / (1 - pull), rel=1e-4)


@pytest.mark.parametrize("share", [None, 0, -0.1, 1.2, "much", True])
def test_beads_without_a_share_have_no_index(share):
    recorded = resolved(from_text(bead_film()))
    recorded["particles"]["magnetic_share"] = share
    found = Optics.of(recorded)
    assert found.core_indices is None
    assert "magnetic_share" in found.core_source


def test_a_file_without_cores_says_so(beads):
    run, measurement = beads
    bare = replace(run, core_diameters=None, _blocks={})
    again = add_light(deepcopy(measurement), bare)
    warnings = handoff(again, bare)["warnings"]
    assert any("core_diameter" in w for w in warnings)
    assert not any("the index of the cores is magnetite" in w for w in warnings)


def test_assumed_optics_are_told_once(tmp_path):
    planted_run(tmp_path, frames=1, sides=(0.8e-6, 0.6e-6))
    run = open_run(tmp_path)
    measurement = add_light(add_light(measure(run), run), run)
    told = [w for w in measurement.numbers["warnings"] if w.startswith("light:")]
    assert len(told) == 2
    assert "no material" in told[0]
    assert "no [optics]" in told[1]


def test_runs_of_before_the_matrix_can_be_resumed():
    now = resolved(from_text(bead_film()))
    before = deepcopy(now)
    del before["optics"]["matrix_index"]
    assert differences(before, now) == []
    now["optics"]["matrix_index"] = 1.5
    assert differences(before, now) != []


# --- diffraction ---------------------------------------------------------------------------------


def value(number, error=None):
    return {"value": number, "error": error}


def order_of(period, error=None, outer=1.0):
    structure = {"structure_factor_spread_m": value(None)}
    return diffraction(value(period, error), structure, 532e-9, outer)


def test_no_angle_without_a_peak(beads):
    # Neighbours 2 um apart and no peak: chains at random make no grating.
    run, measurement = beads
    without = deepcopy(measurement)
    spacing = without.numbers["spacing"]
    spacing["structure_factor_m"] = {"value": None, "error": None}
    spacing["nearest_neighbour_m"] = {"value": 2e-6, "error": 1e-8}
    without.numbers["warnings"].append("spacing.structure_factor_m: no peak stands out; noise")
    content = handoff(without, run)
    assert content["structure"]["period_m"]["value"] is None
    assert content["structure"]["period_m"]["taken_from"] is None
    for light in content["light"]:
        assert light["diffraction"] == NO_PEAK
        assert light["diffraction_reason"] == "no peak stands out; noise"
        assert "first_order_angle_deg" not in light


def test_orders_by_the_grating_equation():
    # n D sin(theta) = lambda (Hecht, Optics, section 10.2.8, from memory).
    found = order_of(2e-6, 1e-8)
    assert found["diffraction"] == FIRST
    angle = found["first_order_angle_deg"]
    assert angle["value"] == pytest.approx(math.degrees(math.asin(0.266)))
    step = math.degrees(math.asin(532 / 1990) - math.asin(532 / 2010)) / 2
    assert angle["error"] == pytest.approx(step, rel=1e-3)
    assert order_of(531e-9, 1e-9)["diffraction"] == NONE
    assert order_of(532e-9)["diffraction"] == NONE
    assert order_of(540e-9, 20e-9)["diffraction"] == UNSURE
    # In glass the wavelength is shorter.
    assert order_of(400e-9, 1e-9, outer=1.5)["diffraction"] == FIRST


# --- chains --------------------------------------------------------------------------------------


def test_rings_are_no_chains_of_the_area(tmp_path):
    # 12 chains of 6 particles, 6 rings of 6, 4 singles, by hand.
    sides, d = np.array([2e-6, 2e-6]), planted.DIAMETER
    places, moments = [], []
    for k in range(12):
        x = 0.2e-6 + 1.0e-6 * (k % 2) + 1.02 * d * np.arange(6)
        places += [(a, 0.06e-6 + 0.12e-6 * (k // 2), 0.1e-6) for a in x]
        moments += [(1.0, 0.0, 0.0)] * 6
    turn = np.arange(6) * math.pi / 3
    for k in range(6):
        radius = 1.02 * d
        cx, cy = 0.2e-6 + 0.3e-6 * k, 1.2e-6
        places += [(cx + radius * math.cos(a), cy + radius * math.sin(a), 0.1e-6) for a in turn]
        moments += [(-math.sin(a), math.cos(a), 0.0) for a in turn]
    places += [(0.2e-6 + 0.4e-6 * k, 1.7e-6, 0.1e-6) for k in range(4)]
    moments += [(1.0, 0.0, 0.0)] * 4
    points, vectors = np.array(places)[None], planted.MOMENT * np.array(moments)[None]
    derived = planted._derived(len(places), sides, 0.2e-6, 1e-4, 0.03, np.eye(3)[0], None)
    planted._write(
        tmp_path / "run.h5", np.zeros(1), points, vectors.astype(np.float32),
        np.array([[0.03, 0, 0]]), sides, 0.2e-6, derived, False, False, 1, [3.0],
    )  # fmt: skip
    run = open_run(tmp_path)
    measurement = add_light(measure(run), run)
    assert measurement.numbers["chains"]["ring_share"]["value"] == pytest.approx(36 / 112)
    density = handoff(measurement, run)["structure"]["areal_density_per_m2"]
    assert density["value"] == pytest.approx(12 / 4e-12, rel=1e-9)


def test_an_unknown_error_is_not_none_at_all(beads):
    run, measurement = beads
    blind = deepcopy(measurement)
    blind.numbers["chains"]["mean_length"]["error"] = None
    blind.numbers["alignment"]["order"]["error"] = None
    content = handoff(blind, run)
    assert content["structure"]["areal_density_per_m2"]["error"] is None
    assert content["light"][0]["n_along"]["error"] is None


def test_chains_that_cannot_be_told_give_no_birefringence(tmp_path):
    planted_run(tmp_path, frames=1, sides=(0.8e-6, 0.6e-6), moments=False)
    run = open_run(tmp_path)
    light = handoff(add_light(measure(run), run), run)["light"][0]
    for key in ("n_along", "n_across", "k_along", "birefringence", "dichroism"):
        assert light[key]["value"] is None
        assert "no chains could be told" in light[key]["reason"]
    assert light["n_without_structure"]["value"] > 1.43


def test_error_of_the_birefringence_holds_the_multipoles(beads):
    # Touching uniform spheres are coupled more strongly than point dipoles.
    run, measurement = beads
    light = handoff(measurement, run)["light"][0]
    apart, error = light["birefringence"]["value"], light["birefringence"]["error"]
    assert apart == pytest.approx(light["n_along"]["value"] - light["n_across"]["value"])
    film = measurement.curves["light"]["films"][0]
    closeness = measurement.curves["light"]["closeness"]
    along, across, _ = film.chained_index([20], [1.0], closeness, [1, 0, 0])
    more, less, _ = film.chained_index([20], [1.0], closeness, [1, 0, 0], multipoles=True)
    beyond = ((more - less) / (along - across)).real - 1
    assert 0.005 < beyond < 0.06
    assert error > 0.8 * beyond * apart
