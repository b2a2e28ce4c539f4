"""H5MD files of other origin are honoured or refused: boundaries, ids, fillers, times, types.

Source of the rules: H5MD, version 1.1 (an open standard; from memory). The truth is the array that
was written.
"""

import h5py
import numpy as np
import pytest

from analysis.trajectory.run import TrajectoryError, open_run

FRAMES, COUNT = 4, 20
RNG = np.random.default_rng(11)
PLACES = RNG.random((FRAMES, COUNT, 3)) * [500, 300, 200]
MOMENTS = RNG.standard_normal((FRAMES, COUNT, 3)) * 1e-19
SIZES = 20.0 + np.arange(COUNT)


def element(group, name, value, unit=None, **options):
    """Write an element that changes in time."""
    made = group.create_group(name)
    made.create_dataset("value", data=value, **options)
    if unit:
        made["value"].attrs["unit"] = unit
    made["step"], made["time"] = np.arange(FRAMES) * 10, np.arange(FRAMES) * 2.5
    made["time"].attrs["unit"] = "us"


def film_file(path, change=None, *, order=None, rows=COUNT, boundary=True):
    """Write a file whose frame t holds particle ``order[t, row]`` in a row, -1 for a filler."""
    order = np.tile(np.arange(COUNT), (FRAMES, 1)) if order is None else order

    def placed(values, filler):
        out = np.full((FRAMES, rows, *values.shape[2:]), filler, float)
        for t in range(FRAMES):
            real = order[t] >= 0
            out[t, real] = values[t, order[t, real]]
        return out

    with h5py.File(path, "w") as file:
        file.create_group("h5md").attrs["version"] = [1, 1]
        film = file.create_group("particles/beads")
        box = film.create_group("box")
        box.attrs["dimension"] = 3
        if boundary:
            box.attrs["boundary"] = np.array(["periodic", "periodic", "none"], "S8")
        box["edges"] = [500.0, 300.0, 200.0]
        box["edges"].attrs["unit"] = "nm"
        element(film, "position", placed(PLACES, 0.0), "nm")
        element(film, "moment", placed(MOMENTS, 0.0), "A m2")
        element(film, "diameter", placed(np.tile(SIZES, (FRAMES, 1)), 0.0), "nm")
        if change:
            change(film)
    return path


def check(path):
    """Compare all that is read with what was written, particle by particle."""
    run = open_run(path)
    assert run.count == COUNT
    for frame in (2, 0, 3, 1):
        assert run.positions(frame) == pytest.approx(PLACES[frame] * 1e-9, rel=1e-12)
        assert np.array_equal(run.moments(frame), MOMENTS[frame])
    assert run.diameters == pytest.approx(SIZES * 1e-9)
    return run


def mixed(rows, seed=5):
    """Return an order that is another in every frame, with fillers."""
    rng = np.random.default_rng(seed)
    names = np.concatenate([np.arange(COUNT), np.full(rows - COUNT, -1)])
    return np.array([rng.permutation(names) for _ in range(FRAMES)])


def test_plain_file_is_read_as_it_stands(tmp_path):
    assert check(film_file(tmp_path / "a.h5")).notices == ()


def test_ids_put_particles_in_order(tmp_path, monkeypatch):
    order = mixed(COUNT)
    path = film_file(
        tmp_path / "a.h5", lambda film: element(film, "id", 7 + 3 * order), order=order
    )
    check(path)
    monkeypatch.setattr("analysis.trajectory.run.BLOCK_BYTES", 1)
    check(path)
    monkeypatch.setattr("analysis.trajectory.particles.BLOCK", 1)
    check(path)


@pytest.mark.parametrize(
    ("dtype", "filler", "options"),
    [
        ("i8", -1, {}),
        ("i4", -1, {"fillvalue": -1}),
        ("i4", 9999, {"fillvalue": 9999}),
        ("u4", 2**32 - 1, {}),
    ],
)
def test_fillers_are_no_particles(tmp_path, dtype, filler, options):
    order = mixed(COUNT + 7)
    names = np.where(order >= 0, 100 + order, filler).astype(dtype)
    path = film_file(
        tmp_path / "a.h5", lambda film: element(film, "id", names, **options),
        order=order, rows=COUNT + 7,
    )  # fmt: skip
    run = check(path)
    assert any("7 of 27 rows of a.h5 are fillers" in notice for notice in run.notices)


@pytest.mark.parametrize("fixed", [True, False])
def test_fillers_are_told_by_species_too(tmp_path, fixed):
    order = np.tile(np.concatenate([[-1, -1], np.arange(COUNT), [-1]]), (FRAMES, 1))
    kinds = np.where(order >= 0, 1 + order % 2, -1)

    def change(film):
        if fixed:
            film["species"] = kinds[0]
        else:
            element(film, "species", kinds)

    run = check(film_file(tmp_path / "a.h5", change, order=order, rows=COUNT + 3))
    assert any("3 of 23 rows" in notice for notice in run.notices)
    assert any("all species" in notice for notice in run.notices)


def coming_and_going(film):
    names = np.tile(np.arange(COUNT), (FRAMES, 1))
    names[2, 5] = -1
    element(film, "id", names)


def another(film):
    names = np.tile(np.arange(COUNT), (FRAMES, 1))
    names[3, 5] = 77
    element(film, "id", names)


def twins(film):
    element(film, "id", np.tile(np.arange(COUNT) // 2, (FRAMES, 1)))


def species_that_goes(film):
    kinds = np.ones((FRAMES, COUNT), int)
    kinds[1, 0] = -1
    element(film, "species", kinds)


def places_without_sizes(film):
    del film["diameter"]
    film["diameter"] = SIZES
    film["diameter"].attrs["unit"] = "nm"
    element(film, "id", mixed(COUNT))


def growing(film):
    film["diameter/value"][2, 3] += 1


def other_steps(film):
    film["moment/step"][...] = np.arange(FRAMES) * 20


def boundary(*words):
    def change(film):
        film["box"].attrs["boundary"] = np.array(words, "S8")

    return change


def times(*values):
    def change(film):
        for name in ("position", "moment", "diameter"):
            film[name]["time"][...] = values

    return change


def steps(*values):
    def change(film):
        for name in ("position", "moment", "diameter"):
            del film[name]["step"]
            film[name]["step"] = np.array(values)

    return change


def typed(name, values, unit):
    def change(film):
        del film[name]["value"]
        film[name]["value"] = values
        film[name]["value"].attrs["unit"] = unit

    return change


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (boundary("none", "none", "none"), "periodic, periodic, none, those of a film"),
        (boundary("none", "periodic", "none"), "it has none, periodic, none"),
        (boundary("periodic", "periodic", "periodic"), "it has periodic, periodic, periodic"),
        (coming_and_going, "the same particles in all frames"),
        (another, "the same particles in all frames"),
        (twins, "an id occurs twice"),
        (lambda film: element(film, "id", np.full((FRAMES, COUNT), -1)), "are fillers"),
        (lambda film: element(film, "id", np.ones((FRAMES, COUNT))), "whole numbers as id"),
        (lambda film: element(film, "id", np.ones((FRAMES, 3), int)), "one id for each of 20"),
        (species_that_goes, "fillers in some of them only"),
        (places_without_sizes, "diameter with every frame"),
        (growing, "diameter that is fixed in time"),
        (other_steps, "moment at the steps of the positions"),
        (times(0, 2.5, 2.5, 5), "times that repeat, fall"),
        (times(0, 5, 2.5, 7), "times that repeat, fall"),
        (steps(0, 10, 10, 20), "steps that repeat, fall or are fractions"),
        (steps(0, 20, 10, 30), "steps that repeat, fall or are fractions"),
        (steps(0.0, 10.5, 20.0, 30.0), "steps that repeat, fall or are fractions"),
        (typed("position", PLACES + 1j, "nm"), "positions as real numbers"),
        (typed("position", (PLACES / 1000).astype(int), "um"), "it holds whole numbers of 1e-06"),
        (typed("moment", MOMENTS + 0j, "A m2"), "moments as real numbers"),
        (typed("diameter", np.tile(SIZES, (FRAMES, 1)) + 0j, "nm"), "diameter as real numbers"),
    ],
)
def test_what_is_no_film_of_fixed_particles_is_refused(tmp_path, change, said):
    path = film_file(tmp_path / "a.h5", change)
    with pytest.raises(TrajectoryError, match=said) as caught:
        open_run(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_whole_numbers_of_a_fine_unit_are_read(tmp_path):
    fine = np.round(PLACES * 1000).astype(np.int32)
    run = open_run(film_file(tmp_path / "a.h5", typed("position", fine, "pm")))
    assert run.positions(1) == pytest.approx(fine[1] * 1e-12, rel=1e-12)


def test_boundaries_that_are_not_told_are_assumed_aloud(tmp_path):
    run = check(film_file(tmp_path / "a.h5", boundary=False))
    assert any("tells no boundaries" in notice for notice in run.notices)
