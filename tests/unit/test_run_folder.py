"""What a run may do to its folder: all that it writes is known, and no start is destroyed."""

import ast
import re
from pathlib import Path

import pytest

import analysis
import sim
from analysis.common import file_names
from sim.files.folder import RunFolder, make_writable, refuse_own_start
from sim.files.lock import FolderError
from sim.parameters import from_text
from sim.sweeps.folder import SweepFolder
from sim.sweeps.table import plan_sweep
from tests.reference.small_film import small_film

FILE = re.compile(r"[\w.]+\.(csv|json|html|h5|vtp|vti|pvd)|\.stop")
NO_RESULT = {"field.csv", "film.schema.json", "curve.csv", "spectrum.csv"}
"""Names of files that a user gives, or asks for by `new`."""


def names_in(module):
    """Names of files that stand as whole texts in a module."""
    tree = ast.parse(module.read_text(encoding="utf-8"))
    texts = {n.value for n in ast.walk(tree) if isinstance(n, ast.Constant)}
    return {t for t in texts if isinstance(t, str) and FILE.fullmatch(t)}


def test_every_file_that_is_written_is_named_in_the_one_list():
    listed = Path(file_names.__file__)
    modules = [
        m for package in (sim, analysis) for m in Path(package.__file__).parent.rglob("*.py")
    ]
    named = {m.name: found - NO_RESULT for m in modules if (found := names_in(m)) and m != listed}
    assert {name: found for name, found in named.items() if found} == {}
    every = {*file_names.OF_RUN, *file_names.OF_SWEEP, *file_names.OF_MAP}
    every |= {*file_names.OF_MICROGRAPH, file_names.OUTCOME, file_names.PROGRESS}
    every |= {*file_names.OF_DESIGN, *file_names.OF_FLUID, file_names.CHECKED_FLUIDS}
    every |= set(file_names.FIGURES_OF_FLUID)
    assert names_in(listed) <= every
    assert {"lag.csv", "measures.json", "report.html"} <= names_in(listed)  # the search finds them


def test_nothing_that_was_written_outlives_its_run(tmp_path):
    (tmp_path / "figures").mkdir()
    (tmp_path / "frames").mkdir()
    more = ("figures/spacing.png", "figures/film.gif", "figures/film.mp4", "frames/chains_0007.vtp")
    for name in (*file_names.OF_RUN, *more, "notes.txt", "frames/notes_1.vtp"):
        (tmp_path / name).write_text("x", encoding="utf-8")
    RunFolder(tmp_path).clear()
    left = sorted(p.name for p in tmp_path.rglob("*") if p.is_file())
    assert left == ["notes.txt", "notes_1.vtp"]


@pytest.mark.parametrize("named", ["", "run.h5"])
def test_folder_of_the_start_is_refused(tmp_path, named):
    (tmp_path / "run.h5").write_bytes(b"start")
    with pytest.raises(FolderError, match=r"holds run\.h5 that \[start\] path names"):
        refuse_own_start(tmp_path, str(tmp_path / named))
    refuse_own_start(tmp_path / "other", str(tmp_path / named))


def test_overwriting_run_and_sweep_leave_their_start_alone(tmp_path):
    from sim.run.simulate import simulate

    start = tmp_path / "first" / "run.h5"
    start.parent.mkdir()
    start.write_bytes(b"start")
    text = small_film() + f'[start]\nkind = "file"\npath = "{start.parent}"\n'
    with pytest.raises(FolderError, match="name another folder"):
        simulate(from_text(text), start.parent, overwrite=True)
    plan = plan_sweep(from_text(text + '[sweep]\n"field.strength" = ["5 mT", "10 mT"]\n'))
    for name in (start.parent, tmp_path):
        with pytest.raises(FolderError, match="name another folder"):
            SweepFolder(name).claim(plan, resume=False, overwrite=True)
    assert start.read_bytes() == b"start"


def test_a_link_that_leads_nowhere_is_told_as_one(tmp_path):
    link = tmp_path / "out"
    link.symlink_to(tmp_path / "gone")
    with pytest.raises(FolderError, match="out is a link that leads nowhere"):
        make_writable(link)
