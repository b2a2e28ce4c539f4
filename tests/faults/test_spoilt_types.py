"""A bit that makes a text in a file a list: HDF5 would follow what is no address and crash.

Where HDF5 stores the kind of an attribute, one bit tells a text of any length from a list of any
length (HDF5 File Format Specification, version 3, section IV.A.2.d, datatype message of class 9).
A reader must look at the kind before it reads, its own checksum included.
"""

import subprocess
import sys
from pathlib import Path

import pytest

from tests.reference.spoilt_runs import write_run

ROOT = Path(__file__).parents[2]
TEXT_OF_ANY_LENGTH = b"\x19\x01\x01\x00\x10\x00\x00\x00"
READ = """
import sys
from pathlib import Path
from analysis.sweeps.run import read_run
from analysis.trajectory.run import open_run
from sim.commands.errors import BAD_INPUT, explain
from sim.run.simulate import plan
from sim.files.comparison import compare_runs
from sim.files.folder import RunFolder

path, places = Path(sys.argv[1]), [int(word) for word in sys.argv[2:]]
whole = path.read_bytes()
def resumed(path):
    plan(RunFolder(path.parent), True, False)
for place in places:
    content = bytearray(whole)
    content[place] ^= 1
    path.write_bytes(content)
    for read in (open_run, resumed, lambda path: compare_runs(path, path)):
        try:
            read(path)
        except Exception as error:
            code, text = explain(error)
            assert code == BAD_INPUT, text
            print("refused")
    assert read_run(path.parent).status == "unfinished"
"""


@pytest.fixture
def run_file(tmp_path):
    return write_run(tmp_path / "run", sealed=True)


def test_a_text_that_has_become_a_list_is_refused(run_file):
    whole = run_file.read_bytes()
    places, at = [], whole.find(TEXT_OF_ANY_LENGTH)
    while at >= 0:
        places.append(at + 1)
        at = whole.find(TEXT_OF_ANY_LENGTH, at + 1)
    assert len(places) > 10
    words = [sys.executable, "-c", READ, str(run_file), *map(str, places)]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    assert done.stdout.count("refused") >= 2 * len(places)
