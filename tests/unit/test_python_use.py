"""Python as people use it: films from tables, paths for objects, figures in axes, short words."""

import sys
import types
from pathlib import Path

import h5py
import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.figure import Figure

import analysis
import sim
from analysis.pictures.all import FIGURES
from analysis.plotting import FigureNameError
from sim.parameters import ParameterError
from sim.run.bars import Bar
from tests.reference.fake_engine import FakeEngine, fake_setup
from tests.reference.planted import planted_run
from tests.reference.planted_sweep import planted_sweep
from tests.reference.small_film import small_film

PNG = b"\x89PNG\r\n\x1a\n"


def tables():
    import tomllib

    return tomllib.loads(small_film())


def test_tables_are_read_as_their_file_is(tmp_path):
    (tmp_path / "film.toml").write_text(small_film(), encoding="utf-8")
    told = [
        {key: value for key, value in vars(p).items() if key not in ("text", "name", "folder")}
        for p in (sim.load(tables()), sim.load(tmp_path / "film.toml"))
    ]
    assert told[0] == told[1]


def test_arrays_and_paths_are_values(tmp_path):
    film = tables()
    film["field"]["direction"] = np.array([0.0, 0.0, 1.0])
    film["run"]["seed"] = np.int64(11)
    film["start"] = {"kind": "file", "path": tmp_path / "first"}
    found = sim.load(film)
    assert found.run.seed == 11
    assert found.field.direction == (0.0, 0.0, 1.0)
    assert found.start.path == str(tmp_path / "first")


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"run": {"duration": "-1 us"}}, r"\[run\] duration must be .*received \"-1 us\""),
        ({"run": {"duration": "1 us", "sede": 3}}, r"sede"),
        ({"run": {"duration": None}}, r"run\.duration must be a text, number, .*received None"),
        ({"field": {"direction": [1, {3}, 0]}}, r"field\.direction\[1\] must be .*received \{3\}"),
    ],
)
def test_mistakes_in_tables_are_told_as_those_of_a_file(change, told):
    with pytest.raises(ParameterError, match=told):
        sim.load(tables() | change)


@pytest.fixture
def fake(monkeypatch):
    monkeypatch.setattr("sim.run.simulate.RunSetup", fake_setup())
    monkeypatch.setattr("sim.run.simulate.make_cpu_engine", FakeEngine)


def test_a_run_is_made_from_tables_and_is_a_path(tmp_path, fake):
    run = sim.simulate(tables(), tmp_path / "film")
    assert Path(run) == run.path
    assert repr(run) == f"<Run {tmp_path / 'film'}: finished, step {run.step} of {run.steps}, " + (
        f"{run.frames} frames>"
    )
    assert "<td" in run._repr_html_()
    assert analysis.open_run(run).frames == run.frames
    (tmp_path / "film.toml").write_text(small_film(), encoding="utf-8")
    again = sim.simulate(str(tmp_path / "film.toml"), tmp_path / "other")
    assert again.steps == run.steps


def test_parameters_are_short():
    assert repr(sim.load(tables())) == f"<Parameters of parameters: {sim.load(tables()).title}>"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("planted")
    planted_run(folder, frames=12)
    return folder


@pytest.fixture(scope="module")
def measured(folder):
    return analysis.measure(str(folder))


def test_runs_and_measurements_are_short(folder, measured):
    run = analysis.open_run(folder)
    assert repr(run) == (
        f"<Run {folder / 'run.h5'}: {run.count} particles, {run.frames} frames to 0.2 ms, "
        "1.2 um x 0.6 um, 0.3 um thick, finished>"
    )
    length = measured.numbers["chains"]["mean_length"]["value"]
    assert len(repr(measured)) < 400
    assert f"{length:.1f}"[:3] in repr(measured)
    page = measured._repr_html_()
    assert page.count("<tr>") > len(measured.numbers["warnings"]) > 0
    assert str(folder / "run.h5") in page
    assert page.count("<script") == 0


def test_what_a_file_says_is_escaped(folder):
    run = analysis.open_run(folder)
    run.finished, run.end_reason = False, "<script>alert(1)</script>"
    assert "<script>" not in run._repr_html_()
    assert "&lt;script&gt;" in run._repr_html_()


def test_paths_are_accepted_where_runs_are(folder, measured, tmp_path):
    page = analysis.write_report(measured, folder, str(tmp_path / "page"))
    assert page.name == "report.html"
    assert page.exists()


def columns_of_equal_length(table):
    """What a table of data takes: columns by name, one number or text a row."""
    sizes = {len(column) for column in table.values()}
    assert len(sizes) == 1
    assert all(np.ndim(value) == 0 for column in table.values() for value in column)
    return sizes.pop()


def test_numbers_are_columns(measured):
    table = measured.table()
    assert columns_of_equal_length(table) > 30
    row = table["key"].index("chains.mean_length")
    entry = measured.numbers["chains"]["mean_length"]
    assert [table[name][row] for name in ("value", "error", "samples")] == [
        entry[name] for name in ("value", "error", "samples")
    ]
    assert [table["low"][row], table["high"][row]] == entry["interval_95"]
    assert table["unit"][row] == "1"
    assert len(set(table["key"])) == len(table["key"])


def test_curves_are_columns(measured):
    filled = 0
    for curve in measured.curves.values():
        if table := curve.table():
            filled += columns_of_equal_length(table) > 0
    assert filled > 3
    series = measured.curves["time_series"].table()
    assert len(series["time_s"]) == measured.run.frames
    assert "field_T" in series


def test_rows_of_a_sweep_are_records(tmp_path):
    planted_sweep(tmp_path)
    swept = analysis.collect(tmp_path)
    assert len({tuple(row) for row in swept.rows}) == 1  # the same columns in each


# Figures


def drawn(figure):
    """Draw a figure and return its picture."""
    import io

    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=50)
    return stream.getvalue()


def test_a_new_figure_shows_in_a_notebook(measured):
    figure = analysis.plot(measured, "chain_lengths")
    assert isinstance(figure, Figure)
    assert figure._repr_png_().startswith(PNG)


@pytest.mark.parametrize("name", FIGURES)
def test_every_figure_is_drawn_into_axes_of_the_callers(measured, name):
    with mpl.rc_context():
        mpl.rcdefaults()
        figure = Figure(figsize=(9, 4))
        left, right = figure.subplots(1, 2)
        before = right.get_position().bounds
        assert analysis.plot(measured, name, ax=left) is figure
        assert drawn(figure).startswith(PNG)
    marks = [part for part in (figure, *figure.subfigs) if part.get_children()]
    assert marks
    shown = left in figure.axes and (left.has_data() or left.texts)
    assert shown or figure.subfigs[0].axes
    assert right.get_position().bounds == before
    assert not right.has_data()  # the neighbour is left alone


def test_a_single_panel_stays_the_callers(measured):
    figure = Figure()
    axes = figure.add_axes((0.1, 0.1, 0.8, 0.8))
    analysis.plot(measured, "chain_lengths", ax=axes)
    assert figure.axes == [axes]
    assert axes.get_xlabel()
    axes.set_title("mine")
    assert figure._suptitle is None


def test_several_panels_need_a_grid(measured):
    axes = Figure().add_axes((0.1, 0.1, 0.8, 0.8))
    with pytest.raises(ValueError, match="ax must be one of a grid"):
        analysis.plot(measured, "time_series", ax=axes)


def test_a_figure_of_no_run_is_told_with_the_nearest(measured):
    with pytest.raises(FigureNameError, match=r"received 'chain_lenths'; the nearest is chain_len"):
        analysis.plot(measured, "chain_lenths")
    with pytest.raises(FigureNameError, match="there are film_views, "):
        analysis.plot(measured, "?")


def test_a_sweep_is_drawn_by_name_too(tmp_path):
    planted_sweep(tmp_path)
    swept = analysis.collect(tmp_path)
    axes = Figure().subplots()
    analysis.plot(swept, "trend_mean_length", ax=axes)
    assert axes.has_data()


def test_plots_and_reports_are_public():
    public = {"plot", "draw_all", "write_report", "collect", "write_sweep_report"}
    assert public <= set(analysis.__all__)
    assert all(callable(getattr(analysis, name)) for name in analysis.__all__)


# Bars and files in use


def test_a_notebook_gets_a_bar_of_its_kind(monkeypatch, capsys):
    made = []
    kind = types.ModuleType("tqdm.auto")
    kind.tqdm = lambda **shape: made.append(shape) or types.SimpleNamespace(close=lambda: None)
    monkeypatch.setitem(sys.modules, "tqdm.auto", kind)
    Bar("simulating", 10).close()
    assert made == []
    monkeypatch.setitem(sys.modules, "IPython", types.ModuleType("IPython"))
    Bar("simulating", 10, unit="step").close()
    assert made == [{"desc": "simulating", "total": 10, "initial": 0.0, "unit": "step"}]


@pytest.mark.parametrize("mode", ["r", "r+"])
def test_a_run_that_this_program_has_open_is_read(folder, mode):
    with h5py.File(folder / "run.h5", mode):
        assert analysis.open_run(folder).positions(0).shape[1] == 3


def test_a_run_that_is_read_cannot_be_gone_on_with(folder):
    from sim.files.opening import InUseError, open_hdf5

    held = h5py.File(folder / "run.h5", "r", locking=False)
    with held, pytest.raises(InUseError, match="is in use by this program"):
        open_hdf5(folder / "run.h5", "r+")
