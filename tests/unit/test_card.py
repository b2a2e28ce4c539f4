"""The engine on a graphics card without a card: its kernels in numba's simulator, and refusals."""

import dataclasses
import os
import subprocess
import sys
from pathlib import Path

import numba
import pytest

from sim.command_line import main
from sim.commands.errors import BAD_INPUT
from sim.engines.card.kinds import kind_of
from sim.engines.card.memory import card_bytes
from sim.engines.card.ready import CardError, require_card, require_room
from sim.engines.checkpoints import other_processor
from sim.interactions.flow.plan import plan_flow
from sim.interactions.flow.smooth import SmoothTables
from tests.reference.small_film import small_film
from tests.reference.small_systems import film

ROOT = Path(__file__).parents[2]


@pytest.mark.slow
@pytest.mark.parametrize("checks", ["card_in_simulator.py", "card_flow_in_simulator.py"])
def test_kernels_of_the_card_in_the_simulator(checks):
    """All checks of a file for the simulator, in a process of their own."""
    done = subprocess.run(
        [
            sys.executable, "-m", "pytest", "-q", "-x", "-n", "0", "-p", "no:cacheprovider",
            f"tests/unit/{checks}",
        ],
        env={**os.environ, "NUMBA_ENABLE_CUDASIM": "1", "PYTHONPATH": str(ROOT)},
        cwd=ROOT, capture_output=True, text=True, timeout=900,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-3000:]
    assert " passed" in done.stdout


def refused(tmp_path, capsys, text, *words, command="run"):
    """Run a command on a film that is to be refused; return the sentence."""
    path = tmp_path / "film.toml"
    path.write_text(text, encoding="utf-8")
    folder = tmp_path / "out"
    assert main([command, str(path), "-o", str(folder), "--device", "gpu", *words]) == BAD_INPUT
    assert not folder.exists()
    said = capsys.readouterr()
    assert "Traceback" not in said.err
    (line,) = said.err.strip().splitlines()
    return line


LACKING = {
    "exact sum of the dipoles": small_film().replace(
        'sum = "cutoff"\ncutoff_diameters = 4.0', 'sum = "exact"'
    ),
    'dynamics = "monte_carlo"': small_film().replace("[run]", '[run]\ndynamics = "monte_carlo"')
    .replace('duration = "4 us"', "sweeps = 20"),
}  # fmt: skip


@pytest.mark.parametrize("named", LACKING)
def test_a_film_with_what_the_card_lacks_is_refused_by_name(tmp_path, capsys, named):
    said = refused(tmp_path, capsys, LACKING[named])
    assert named in said
    assert "--device must be cpu" in said


@pytest.mark.parametrize("command", ["run", "sweep"])
def test_without_the_extra_the_line_that_installs_it_is_told(
    tmp_path, capsys, monkeypatch, command
):
    monkeypatch.setattr("sim.engines.card.ready.find_spec", lambda _: None)
    text = small_film()
    if command == "sweep":
        text += '[sweep]\n"field.strength" = ["10 mT", "20 mT"]\n'
    said = refused(tmp_path, capsys, text, command=command)
    assert (
        'numba-cuda and cupy, which this installation lacks; pip install "chainfilm[gpu]"' in said
    )


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ("", "needs numba-cuda and cupy"),
        (
            '[sweep]\n"field.strength" = ["10 mT", "20 mT"]\n',
            "--device must be cpu for a look ahead at a sweep; received gpu",
        ),
    ],
)
def test_a_look_ahead_takes_the_card_of_this_machine_or_says_why_not(
    tmp_path, capsys, monkeypatch, table, words
):
    monkeypatch.setattr("sim.engines.card.ready.find_spec", lambda _: None)
    path = tmp_path / "film.toml"
    path.write_text(small_film() + table, encoding="utf-8")
    assert main(["check", str(path), "--device", "gpu"]) == BAD_INPUT
    said = capsys.readouterr()
    assert words in said.err
    assert not said.out


class Runtime:
    """A driver that answers as it is told."""

    class CUDARuntimeError(RuntimeError):
        """What the driver raises."""

    def __init__(self, version=13000, cards=1, free=10**12):
        self.version, self.cards, self.free = version, cards, free

    def driverGetVersion(self):
        return self.version

    def getDeviceCount(self):
        if isinstance(self.cards, str):
            raise self.CUDARuntimeError(self.cards)
        return self.cards

    def memGetInfo(self):
        return self.free, 2 * self.free


@pytest.fixture
def driver(monkeypatch):
    """Return a function that puts a driver in the place of this machine's."""
    import types

    def install(**answers):
        cupy, cuda = types.ModuleType("cupy"), types.ModuleType("cupy.cuda")
        cuda.runtime = Runtime(**answers)
        cupy.cuda = cuda
        monkeypatch.setitem(sys.modules, "cupy", cupy)
        monkeypatch.setitem(sys.modules, "cupy.cuda", cuda)
        monkeypatch.setattr("sim.engines.card.ready.find_spec", lambda name: name)

    return install


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        ({"version": 0}, "has no graphics card"),
        ({"cards": 0}, "has no graphics card"),
        ({"cards": "cudaErrorNoDevice: no CUDA-capable device is detected"}, "no graphics card"),
        ({"version": 12080}, "CUDA 13 or newer; that of this machine is for CUDA 12.8"),
        ({"version": 12080, "cards": "cudaErrorInsufficientDriver: old"}, "CUDA 13 or newer"),
        ({"free": 10**6}, "GB of memory on the card, and 0.001 GB are free"),
    ],
)
def test_a_machine_that_cannot_is_told_why(driver, answers, said):
    driver(**answers)
    with pytest.raises(CardError, match=said):
        require_card(film(2000))
    driver()
    require_card(film(2000))


def test_the_memory_of_a_card_grows_with_the_film():
    """The goal at 1 %, mesh included, is 600 bytes a particle; own bookkeeping."""
    small, large = (
        film(count, precision="float32", fraction=0.01, thickness=40.0, cutoff=6.0,
             dipole_sum="mesh", tolerance=1e-3, inner_steps=8)
        for count in (20_000, 80_000)
    )  # fmt: skip
    a_particle = (card_bytes(large) - card_bytes(small)) / 60_000
    assert 600.0 < a_particle < 1367.0  # 917 to 1367 were found on a card
    assert card_bytes(dataclasses.replace(small, precision="float64")) > card_bytes(small)
    beads = dataclasses.replace(small, core_langevin=0.1, inner_steps=1)
    apart = card_bytes(beads) - card_bytes(dataclasses.replace(small, inner_steps=1))
    assert apart > 20_000 * 8 * 24  # what the search remembers, in double precision
    assert kind_of(beads) != kind_of(dataclasses.replace(beads, core_langevin=0.0))


def test_a_film_with_flow_is_taken_and_its_memory_counted():
    plain = film(2000, thickness=16.7)
    plan = plan_flow(plain.sides, plain.thickness, plain.radius)
    stirred = dataclasses.replace(plain, flow=plan)
    needed = card_bytes(stirred) - card_bytes(plain)
    # what is laid out for it: noise, vectors and products, and the grid
    functions = 2 * SmoothTables(plan).profiles.shape[2]
    grid = 3 * functions * plan.points[0] * plan.points[1] * (8 + 8 + 8)
    assert needed > 3 * 3 * 8 * 8 * plain.count + grid
    require_room(stirred, needed + card_bytes(plain))
    with pytest.raises(CardError, match="need about"):
        require_room(stirred, card_bytes(plain))


def test_a_notice_tells_of_another_processor():
    assert other_processor("cpu", {}) == []
    assert other_processor("gpu", {"processor": "gpu"}) == []
    (notice,) = other_processor("gpu", {})
    assert "comes from a processor and goes on on a graphics card" in notice


def test_this_process_is_no_simulator():
    assert not numba.config.ENABLE_CUDASIM
