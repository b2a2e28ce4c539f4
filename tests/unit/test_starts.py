"""Starts on a lattice and from the end of another run, also of another thickness or count."""

import dataclasses
import shutil

import h5py
import numpy as np
import pytest

from analysis import measure, open_run
from analysis.reports.run import page
from analysis.trajectory.cycles import programme
from sim.files.opening import RunFileError
from sim.film.particles import draw
from sim.film.placing import CrowdedError, lattice_state
from sim.film.reduce import reduce
from sim.film.start import start_state
from sim.film.start_file import field_of_run, state_from_run
from sim.parameters import from_text, load
from sim.run.simulate import simulate
from tests.reference.few_figures import draw_only
from tests.reference.small_film import FIELD, small_film
from tests.reference.small_systems import film, spread_diameters
from tests.unit.test_initial_state import check_inside, nearest_shares


@pytest.mark.parametrize("fraction", [0.01, 0.1, 0.35])
@pytest.mark.parametrize("thickness", [1.2, 6.0])
def test_lattice_fills_the_film_without_overlap(fraction, thickness):
    system = film(300, fraction=fraction, thickness=thickness)
    state = lattice_state(system, 3)
    check_inside(system, state.positions)
    assert nearest_shares(system, state.positions).min() > 1.0
    # Every eighth of the patch holds its share, but for one row of sites.
    for axis in range(2):
        halves = np.histogram(state.positions[:, axis], 2, (0.0, system.sides[axis]))[0]
        assert abs(halves[0] - halves[1]) <= 0.2 * 300
    np.testing.assert_allclose(np.linalg.norm(state.directions, axis=1), 1.0, atol=1e-15)
    assert abs(state.directions.mean(axis=0)).max() < 4.0 * np.sqrt(1.0 / 3.0 / 300)


def test_lattice_of_unequal_particles_and_of_one():
    system = film(200, diameter=spread_diameters(200, 0.1), fraction=0.1)
    assert nearest_shares(system, lattice_state(system, 1).positions).min() >= 1.0
    one = film(1, fraction=1e-3)
    assert lattice_state(one, 1).positions[0] == pytest.approx([0.5 * one.sides[0]] * 2 + [5.0])


def test_lattice_that_is_too_full_is_refused():
    with pytest.raises(CrowdedError, match=r'kind = "lattice" must have a site for each'):
        lattice_state(film(300, fraction=0.6), 3)


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """Return (folder, parameters, last positions in m, last moments) of a short run."""
    folder = tmp_path_factory.mktemp("first")
    (folder / "film.toml").write_text(small_film("1 us", 3), encoding="utf-8")
    parameters = load(folder / "film.toml")
    simulate(parameters, folder / "run", threads=1)
    with h5py.File(folder / "run" / "run.h5") as file:
        positions = file["/particles/film/position/value"][-1]
        moments = file["/particles/film/moment/value"][-1].astype(float)
        sides = file["/particles/film/box/edges/value"][0]
    return folder, parameters, positions, moments, sides


def started(run, **changes):
    """Return (system, state) of a film that starts from the run, with keys of [film] changed."""
    folder, parameters, *_, sides = run
    values = {"width": (float(sides[0]), float(sides[1])), "count": 60, **changes}
    other = dataclasses.replace(
        parameters,
        film=dataclasses.replace(parameters.film, **values),
        start=dataclasses.replace(parameters.start, kind="file", path=str(folder / "run")),
    )
    system = reduce(other, draw(other))
    return system, start_state(other, system)


def test_same_film_goes_on_from_where_the_run_ended(run):
    _, _, positions, moments, _ = run
    system, state = started(run)
    np.testing.assert_allclose(state.positions * system.units.length_m, positions, rtol=1e-12)
    unit = moments / np.linalg.norm(moments, axis=1)[:, None]
    np.testing.assert_allclose(state.directions, unit, atol=1e-12)
    assert (state.step, state.time) == (0, 0.0)
    assert (state.image == 0).all()


def test_key_path_stands_beside_its_file_and_a_run_can_go_on(run, tmp_path, monkeypatch):
    folder, *_ = run
    shutil.copytree(folder / "run", tmp_path / "films" / "first")
    text = small_film("0.5 us", 2) + '[start]\nkind = "file"\npath = "first"\n'
    (tmp_path / "films" / "second.toml").write_text(text, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    second = load("films/second.toml")
    done = simulate(second, tmp_path / "out", threads=1)
    assert done.finished
    with h5py.File(tmp_path / "out" / "run.h5") as file, h5py.File(folder / "run/run.h5") as old:
        place = "/particles/film/position/value"
        np.testing.assert_allclose(file[place][0], old[place][-1], rtol=1e-12)


def switched(run, tmp_path, field):
    """Return what is measured of a run in another field that starts where the first one ended."""
    text = small_film("0.5 us", 10).replace(FIELD, field)
    start = '[start]\nkind = "file"\npath = "run"\n'
    second = from_text(text + start, str(run[0] / "second.toml"))
    return open_run(simulate(second, tmp_path / "out", threads=1).path)


def test_a_field_that_is_off_from_the_first_step_was_switched_off(run, tmp_path, monkeypatch):
    draw_only(monkeypatch, "film_top")
    found = switched(run, tmp_path, "")
    assert found.field_before == pytest.approx([0.02, 0.0, 0.0], rel=1e-15)
    assert [step["end_s"] for step in programme(found)] == [0.0, None]
    measured = measure(found)
    assert (measured.curves["time_series"].field_t > 0.0).tolist() == [True] + 10 * [False]
    relaxation, way = measured.numbers["relaxation"], measured.numbers["way_to_rest"]
    assert relaxation["switch_off_time_s"] == 0.0
    assert "length_decay_reason" in relaxation
    assert way["switch_off_start_s"] == 0.0
    assert way["switch_off_expected_length"] > 1.0
    assert not [key for key in way if key.startswith("switch_on")]
    told = [text for text in measured.numbers["warnings"] if "growth_exponent" in text]
    assert told == [
        "relaxation.growth_exponent: the field was on before the run, and goes off as it begins"
    ]
    assert "switched off" in page(measured, found)


def test_a_field_that_is_stronger_from_the_first_step_is_a_switch_on(run, tmp_path):
    stronger = '[field]\nstrength = "50 mT"\ndirection = [0, 1, 0]\n'
    found = measure(switched(run, tmp_path, stronger)).numbers
    assert found["relaxation"]["switch_off_time_s"] is None
    assert found["way_to_rest"]["switch_on_start_s"] == 0.0
    assert found["equilibration"]["stage_start_s"] > 0.0


def test_a_file_that_records_no_field_is_a_start_all_the_same(run, tmp_path):
    shutil.copytree(run[0] / "run", tmp_path / "run")
    with h5py.File(tmp_path / "run/run.h5", "r+") as file:
        del file["/observables/field"]
    assert field_of_run(tmp_path / "run") is None
    with h5py.File(tmp_path / "run/run.h5", "r+") as file:
        file["/observables/field/value"] = np.zeros(2)
    with pytest.raises(RunFileError, match="is an HDF5 file but not a run"):
        field_of_run(tmp_path / "run")
    with h5py.File(tmp_path / "run/run.h5", "r+") as file:
        del file["/observables/field/value"]
        file["/observables/field/value"] = np.full((4, 3), np.nan)
    with pytest.raises(RunFileError, match="ends in a field that is not a number"):
        field_of_run(tmp_path / "run")


def test_a_first_ramp_starts_from_no_field_and_says_so(run):
    ramp = '[[field.steps]]\nkind = "ramp"\nduration = "0.1 us"\nstrength = "20 mT"\n'
    text = small_film("0.5 us", 10).replace(FIELD, ramp) + '[start]\nkind = "file"\npath = "run"\n'
    said = from_text(text, str(run[0] / "second.toml")).notices
    assert [note for note in said if "number 1 ramps from no field" in note]
    assert not [n for n in from_text(text.replace('"ramp"', '"hold"')).notices if "ramps" in n]


def test_thicker_film_takes_it_in_the_middle(run):
    _, parameters, positions, *_ = run
    thicker = parameters.film.thickness + 60e-9
    system, state = started(run, thickness=thicker)
    found = state.positions[:, 2] * system.units.length_m
    np.testing.assert_allclose(found, positions[:, 2] + 30e-9, rtol=1e-9)
    system, state = started(run, thickness=thicker, count=90)
    check_inside(system, state.positions)
    assert nearest_shares(system, state.positions).min() > 0.8


def test_thinner_film_takes_the_middle_layer(run):
    _, parameters, positions, *_ = run
    thinner = parameters.film.thickness - 40e-9
    system, state = started(run, thickness=thinner, count=30)
    heights = positions[:, 2] - 20e-9
    kept = np.sort(heights[(heights > 9e-9) & (heights < thinner - 9e-9)])
    found = np.sort(state.positions[:, 2] * system.units.length_m)
    assert len(kept) >= 30
    nearest = np.abs(found[:, None] - kept).min(axis=1)
    assert nearest.max() < 1.1e-9  # those that stood in a window are moved to its face
    check = state.positions[:, 2]
    assert (check >= 0.9 * system.radius - 1e-12).all()


def test_fewer_and_more_particles(run):
    _, _, positions, *_ = run
    system, state = started(run, count=25)
    gap = np.abs(state.positions[:, None] * system.units.length_m - positions).max(axis=2)
    assert (gap.min(axis=1) < 1e-15).all()
    assert len(set(gap.argmin(axis=1))) == 25
    system, state = started(run, count=80)
    gap = np.abs(state.positions[:, None] * system.units.length_m - positions).max(axis=2)
    assert (gap.min(axis=1) < 1e-15).sum() == 60
    added = np.flatnonzero(gap.min(axis=1) > 1e-15)
    shares = np.full((80, 80), 9.0)
    shares[np.triu_indices(80, 1)] = nearest_shares(system, state.positions)
    shares = np.minimum(shares, shares.T)
    assert shares[added].min() >= 1.0  # new ones touch nobody


def test_patch_twice_as_long_is_tiled(run):
    _, _, positions, _, sides = run
    system, state = started(run, width=(2.0 * float(sides[0]), float(sides[1])), count=120)
    place = state.positions * system.units.length_m
    place[:, 0] = np.mod(place[:, 0], sides[0])
    gap = np.abs(place[:, None] - positions).max(axis=2)
    assert (np.bincount(gap.argmin(axis=1), minlength=60) == 2).all()
    assert gap.min(axis=1).max() < 1e-15


def test_films_that_do_not_fit_are_refused(run, tmp_path):
    _, _, _, _, sides = run
    with pytest.raises(RunFileError, match="width must be that of the run to start from or"):
        started(run, width=(1.4 * float(sides[0]), float(sides[1])))
    with pytest.raises(RunFileError, match="fills at least a tenth"):
        started(run, thickness=8e-6, count=4000)
    system, _ = started(run)
    with pytest.raises(RunFileError, match=r"\[start\] path .* does not exist"):
        state_from_run(tmp_path / "none.h5", system, 1)
    with pytest.raises(RunFileError, match=r"\[start\] path .* does not exist"):
        state_from_run(tmp_path, system, 1)
    (tmp_path / "text.h5").write_text("no run", encoding="utf-8")
    with pytest.raises(RunFileError, match="is not an HDF5 file"):
        state_from_run(tmp_path / "text.h5", system, 1)
    with h5py.File(tmp_path / "other.h5", "w") as file:
        file["numbers"] = [1.0]
    with pytest.raises(RunFileError, match="not a run of chainfilm"):
        state_from_run(tmp_path / "other.h5", system, 1)


def dipping(run, tmp_path, depth, gap):
    """Write a run that ends with a particle that dips into a window, and with a near pair."""
    shutil.copytree(run[0] / "run", tmp_path / "run")
    with h5py.File(tmp_path / "run" / "run.h5", "r+") as file:
        positions = file["/particles/film/position/value"]
        radius = 0.5 * file["/particles/film/diameter"][0]
        last = positions[-1]
        last[0, 2] = depth * radius
        last[2] = last[1] + np.array([2.0 * gap * radius, 0.0, 0.0])
        # the others out of the way of these three
        moved = np.linalg.norm(last[3:, None] - last[:3], axis=2).min(axis=1) < 2.5 * radius
        last[3:][moved] = np.array([0.3, 0.3, 0.5]) * run[4] + np.outer(
            np.arange(moved.sum()), [0.0, 2.6 * radius, 0.0]
        )
        positions[-1] = last
    return (tmp_path, *run[1:2], last, *run[3:])


def test_states_of_equilibrium_are_taken_as_they_are(run, tmp_path):
    # 4 (x^12 - x^6) + 1 is 4.4 kT of a window at 0.85 radii and 3.1 kT of a pair at 0.95 diameters
    other = dipping(run, tmp_path, 0.85, 0.95)
    system, state = started(other)
    np.testing.assert_allclose(state.positions * system.units.length_m, other[2], rtol=1e-12)


def test_places_that_other_forces_made_are_eased(run, tmp_path):
    # 450 kT of a pair at 0.7 diameters, which no step could follow
    other = dipping(run, tmp_path, 0.3, 0.7)
    system, state = started(other)
    gap = state.positions[1] - state.positions[2]
    gap[:2] -= np.array(system.sides) * np.rint(gap[:2] / system.sides)
    assert 0.8 < np.linalg.norm(gap) < 1.0
    assert 0.7 < state.positions[0, 2] / system.radius[0] < 0.9
    np.testing.assert_allclose(
        state.positions[3:] * system.units.length_m, other[2][3:], rtol=1e-12
    )
