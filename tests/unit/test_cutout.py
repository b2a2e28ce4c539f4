"""Runs whose frames hold a cut-out: kept, resumed, started from, read and measured as they should.

The film of each run is also kept whole, which tells what the cut-out must hold.
"""

import math
from dataclasses import replace
from types import SimpleNamespace

import h5py
import numpy as np
import pytest

import analysis
from analysis.chains.bonds import BondRule
from analysis.chains.measured_run import MeasuredRun
from analysis.trajectory.run import TrajectoryError
from sim.command_line import main
from sim.commands.template import TEMPLATE
from sim.engines.protocol import ENERGIES
from sim.files.comparison import compare_runs
from sim.files.layout import file_bytes
from sim.files.record import Ending
from sim.files.run_file import Frame, RunWriter
from sim.files.selection import CutOut, Selection, count_map
from sim.film import start_file
from sim.parameters import from_text
from sim.parameters.toml import ParameterError
from sim.run import simulate as one_run
from sim.run.schedule import AtSteps
from sim.run.simulate import simulate
from sim.run.watchers import Stop
from tests.reference.fake_engine import COUNT, SIDES, THICKNESS, FakeEngine, fake_setup
from tests.reference.planted import straight_chains, wrapped
from tests.unit.test_storage import record

BOX = (120e-9, 1e-6, 60e-9)
"""Cut along x and z, as wide as the film along y."""


@pytest.fixture
def run(monkeypatch):
    """Return a function that simulates 100 steps of the small engine, 8 frames, 2 states."""
    monkeypatch.setattr(one_run, "RunSetup", fake_setup(100))
    parameters = from_text(TEMPLATE, "film.toml")

    def go(directory, cutout=BOX, **options):
        output = replace(parameters.output, frames=8, cutout=cutout, states=2, map_step=30e-9)
        given = replace(parameters, output=output)
        return simulate(given, directory, engine_factory=FakeEngine, **options)

    return go


def stop_at(step, ending=Ending.INTERRUPTED):
    """Return a rule that ends a run."""

    def look(scene):
        raise Stop(ending, "as the test wants")

    return SimpleNamespace(schedule=AtSteps([step]), look=look, close=lambda _: None)


def test_the_export_repeats_only_what_is_as_wide_as_the_film(run, tmp_path):
    cut = run(tmp_path / "cut")
    assert main(["export", str(tmp_path / "cut"), "--frames", "2"]) == 0
    with h5py.File(cut.path.with_name("film_nm.h5")) as file:
        boundary = file["particles/film/box"].attrs["boundary"].tolist()
    assert boundary == [b"none", b"periodic", b"none"]


def test_frames_hold_what_is_in_the_box_and_states_hold_all(run, tmp_path):
    whole, cut = run(tmp_path / "whole", None), run(tmp_path / "cut")
    low, high = np.array([40e-9, 0.0, 20e-9]), np.array([160e-9, 1.0, 80e-9])
    with h5py.File(whole.path) as one, h5py.File(cut.path) as other:
        film, kept = one["particles/film"], other["particles/film"]
        assert kept["origin"][()] == pytest.approx(low, abs=1e-20)
        assert kept["box/edges/value"][4] == pytest.approx([120e-9, SIDES[1], 60e-9])
        assert kept["box"].attrs["boundary"].tolist() == [b"none", b"periodic", b"none"]
        assert kept["id/step"] == kept["position/step"]
        numbers = set()
        for k in range(9):
            places = film["position/value"][k]
            inside = ((places >= low) & (places < high)).all(axis=1)
            rows = np.flatnonzero(inside)
            names = kept["id/value"][k]
            assert names[names >= 0].tolist() == rows.tolist() == names[: len(rows)].tolist()
            for name in ("position", "image", "moment"):
                held = kept[f"{name}/value"][k, : len(rows)]
                assert np.array_equal(held, film[f"{name}/value"][k][rows])
            numbers.add(len(rows))
        assert len(numbers) > 1  # particles come and go
        states = other["particles/whole"]
        assert states["position/step"][()].tolist() == [50, 100]
        for name in ("position", "image", "moment"):
            found = states[f"{name}/value"][()]
            assert np.array_equal(found, film[f"{name}/value"][()][[4, 8]])
        maps = other["observables/projected_count/value"][()]
        assert maps.shape == (9, math.ceil(SIDES[0] / 30e-9), math.ceil(SIDES[1] / 30e-9))
        assert (maps.sum(axis=(1, 2)) == COUNT).all()
        for name in ("magnetisation", "energy_dipolar"):
            path = f"observables/{name}/value"
            assert np.array_equal(one[path][()], other[path][()])


def test_stopped_and_resumed_gives_the_same_bits(run, tmp_path):
    whole = run(tmp_path / "whole")
    for step in (30, 63):
        cut = run(tmp_path / "cut", resume=step == 63, stop_rules=[stop_at(step)])
        assert cut.ending is Ending.INTERRUPTED
    assert run(tmp_path / "cut", resume=True).finished
    found = compare_runs(tmp_path / "whole", tmp_path / "cut")
    assert found.same, found.of("frames")
    with h5py.File(tmp_path / "cut/run.h5", "a") as file:
        file["particles/whole/moment/value"][1, 3, 0] *= 1.5
    assert [one.key for one in compare_runs(whole.directory, tmp_path / "cut").of("frames")] == [
        "moment"
    ]


def test_a_rule_that_stops_a_run_leaves_the_whole_state_of_its_end(run, tmp_path):
    done = run(tmp_path / "out", stop_rules=[stop_at(70, Ending.STOPPED)])
    assert done.ending is Ending.STOPPED
    with h5py.File(done.path) as file:
        assert file["particles/whole/position/step"][()].tolist() == [50, 70]
        assert file["particles/film/position/step"][-1] == 70


def test_a_start_takes_the_last_whole_state(run, tmp_path):
    done = run(tmp_path / "out")
    places, _, diameters, box = start_file._last_frame(done.path)
    with h5py.File(done.path) as file:
        assert np.array_equal(places, file["particles/whole/position/value"][-1])
    assert len(diameters) == COUNT
    assert box == pytest.approx([*SIDES, THICKNESS])


def test_sizes_of_files_are_told_beforehand(run, tmp_path):
    for cutout in (None, BOX):
        done = run(tmp_path / str(cutout is None), cutout)
        selection = Selection.of(cutout, 30e-9, (*SIDES, THICKNESS))
        told = file_bytes(COUNT, 9, len(ENERGIES), selection, 2)
        assert told == pytest.approx(done.path.stat().st_size, rel=0.15, abs=80_000)
    # A true film: 5.57e7 particles, a box of (3 um)^3 out of (20 um)^3, 200 frames, one state.
    selection = Selection.of((3e-6,) * 3, 20e-9, (20e-6,) * 3)
    assert file_bytes(55_700_000, 201, 12, selection, 1) == pytest.approx(7.4e9, rel=0.1)


MOVED_IN = (2e-6, 1.2e-6, 0.3e-6)
"""Patch and thickness of the film of chains that drift."""


def film_moving_through(path, cutout=(2e-6, 0.5e-6, 0.3e-6)):
    """Write six frames of chains of 8 that drift along y through a box; return whose chain is."""
    places = [(x, y, z) for x in (0.1e-6, 0.9e-6) for y in np.arange(0, 1.2e-6, 60e-9)
              for z in (40e-9, 0.2e-6)]  # fmt: skip
    film = straight_chains(places, [8] * len(places), sides=MOVED_IN[:2], thickness=MOVED_IN[2])
    order = np.random.default_rng(2).permutation(len(film.positions))
    particles = SimpleNamespace(
        diameter=film.diameters[order],
        core_diameter=film.diameters[order] - 4e-9,
        moment=np.full(len(order), 2e-18),
        sides=MOVED_IN[:2],
        thickness=MOVED_IN[2],
    )
    writer = RunWriter.create(
        path, record(), particles, ENERGIES, Selection.of(cutout, None, MOVED_IN)
    )
    for k in range(6):
        frame = Frame(
            step=k,
            time=k * 1e-6,
            position=wrapped(film.positions[order] + [0, 50e-9 * k, 0], MOVED_IN),
            image=np.zeros((len(order), 3), np.int32),
            moment=film.moments[order].astype(np.float32),
            magnetisation=np.array([1.0, 0, 0]),
            field=np.array([0.03, 0, 0]),
            energies={},
        )
        writer.append(frame)
    if cutout is not None:
        writer.append_state(frame)
    writer.end(Ending.FINISHED, "finished", {"steps": 6})
    writer.close()
    return film.chain[order]


def test_particles_that_come_and_go_keep_their_names_and_bonds(tmp_path):
    chain = film_moving_through(tmp_path / "run.h5")
    run = analysis.open_run(tmp_path / "run.h5")
    assert run.sides == pytest.approx([2e-6, 0.5e-6])
    assert "cut-out of 2 um x 0.5 um x 0.3 um of a film of 2 um x 1.2 um x 0.3 um" in run.notices[0]
    assert run.cutout.particles == len(chain)
    held = [len(run.positions(k)) for k in range(run.frames)]
    assert run.cutout.held.tolist() == held
    assert len(set(held)) > 1
    assert run.count > max(held)
    seen = MeasuredRun.of(run, BondRule(), 0.0)
    frames = list(seen.frames())
    for frame in frames:
        named = run.cutout.names[frame.present]
        assert len(frame.diameters) == len(named) == len(frame.positions)
        assert (frame.positions >= 0).all()
        assert (frame.positions[:, :2] < run.sides).all()
        pairs = run.cutout.names[frame.bonds]
        assert (chain[pairs[:, 0]] == chain[pairs[:, 1]]).all()
        assert frame.group.shape == (run.count,)
    assert seen.series.values["mean_length"] == pytest.approx(8.0)
    # No bond breaks: pairs of two frames that are in both boxes are bonded in both.
    both = set(map(tuple, frames[0].bonds)) & set(map(tuple, frames[1].bonds))
    stay = np.intersect1d(frames[0].present, frames[1].present)
    inside = np.isin(frames[0].bonds, stay).all(axis=1)
    assert len(both) == inside.sum() > 50


def test_a_box_as_large_as_the_film_is_measured_as_the_film(tmp_path):
    found = []
    for name, cutout in (("a.h5", None), ("b.h5", (1.0, 1.0, 1.0))):
        chain = film_moving_through(tmp_path / name, cutout)
        found.append(analysis.measure(analysis.open_run(tmp_path / name)).numbers)
    one, other = found
    for section in ("chains", "alignment", "spacing", "magnetisation"):
        assert one[section] == other[section]
    assert one["chains"]["mean_length"]["value"] == 8.0
    assert len(chain) == one["derived"]["particle_count"] == other["derived"]["particle_count"]


def test_damaged_cut_outs_are_refused(tmp_path):
    for change, words in (
        (lambda rows: rows[::-1], "in the order of their numbers"),
        (lambda rows: np.full_like(rows, -1), "in every frame"),
        (lambda rows: rows + 10**6, "in the order of their numbers"),
    ):
        film_moving_through(tmp_path / "run.h5")
        with h5py.File(tmp_path / "run.h5", "a") as file:
            data = file["particles/film/id/value"]
            data[1] = change(data[1])
        with pytest.raises(TrajectoryError, match=words):
            analysis.open_run(tmp_path / "run.h5")


def test_maps_count_every_particle_once():
    rng = np.random.default_rng(4)
    places = rng.random((5000, 3)) * [*SIDES, THICKNESS]
    places[0] = [SIDES[0] * (1 - 1e-16), 0.0, 0.0]
    found = count_map(places, SIDES, (7, 5))
    wanted, *_ = np.histogram2d(
        places[:, 0], places[:, 1], bins=(7, 5), range=[(0, SIDES[0]), (0, SIDES[1])]
    )
    assert found.dtype == np.uint32
    assert np.array_equal(found, wanted)


def test_a_side_as_long_as_the_film_is_not_cut():
    box = CutOut.of((1.0, 50e-9, 1.0), (*SIDES, THICKNESS))
    assert box.low == (0.0, 50e-9, 0.0)
    assert box.high == (SIDES[0], 100e-9, THICKNESS)
    assert box.boundaries == [b"periodic", b"none", b"none"]


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('cutout = ["3 um", "3 um"]', "[output] cutout must be a list of three lengths"),
        ('cutout = ["3 um", "3 um", "0 um"]', "[output] cutout"),
        ("states = 0", "[output] states must be a whole number from 1 to 1000"),
        ('map_step = "0.1 nm"', "[output] map_step must be a length from 1 nm"),
    ],
)
def test_bad_values_are_told_by_key_and_range(line, words):
    with pytest.raises(ParameterError) as told:
        from_text(TEMPLATE.replace("[output]", f"[output]\n{line}"), "film.toml")
    assert words in str(told.value)
