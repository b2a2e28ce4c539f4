"""A run that the memory cannot hold is refused before it is made, in one sentence."""

import resource
import subprocess
import sys
import time
from pathlib import Path

import pytest

import sim
from sim.command_line import main
from sim.film import memory
from tests.reference.small_film import small_film
from tests.reference.small_systems import film as small_system

ROOT = Path(__file__).parents[2]


@pytest.fixture
def film(tmp_path):
    path = tmp_path / "film.toml"
    path.write_text(small_film().replace("count = 60", "count = 2000000"))
    return path


def test_under_a_limit_of_the_process(film, tmp_path):
    """2 million particles need 600 bytes each and their lists; 1.5 GB hold libraries, not these."""
    words = [sys.executable, "-m", "sim", "run", str(film), "-o", str(tmp_path / "out")]
    done = subprocess.run(
        words,
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (1_500_000_000,) * 2),
    )
    assert done.returncode == 2, done.stderr
    assert "[film] 2000000 particles need about" in done.stderr
    assert done.stderr.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_on_a_machine_with_little_left(tmp_path, monkeypatch, capsys):
    film = tmp_path / "film.toml"
    film.write_text(small_film())
    monkeypatch.setattr(memory, "free_bytes", lambda: 10_000)
    assert main(["run", str(film), "-o", str(tmp_path / "out")]) == 2
    assert "60 particles need about" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_particles_beyond_the_memory_are_not_drawn(tmp_path, monkeypatch, capsys):
    """A true film, (20 um)^3 at 1 % of 14 nm particles, is possible, on a machine that holds it."""
    film = tmp_path / "film.toml"
    film.write_text(small_film().replace("count = 60", "count = 55700000"))
    assert sim.load(film).film.count == 55_700_000
    monkeypatch.setattr(memory, "free_bytes", lambda: 2_000_000_000)
    began = time.perf_counter()
    assert main(["check", str(film)]) == 2
    assert time.perf_counter() - began < 5.0
    told = capsys.readouterr().err
    assert "[film] 55700000 particles need about 6.68 GB of memory, and 2 GB are free" in told


def test_a_film_on_a_card_leaves_its_lists_there(monkeypatch):
    system = small_system(2000, fraction=0.1, thickness=20.0)
    monkeypatch.setattr(memory, "free_bytes", lambda: 2000 * memory.CARD_PARTICLE_BYTES)
    memory.require_memory(system, on_card=True)
    with pytest.raises(memory.MemoryShortError, match="2000 particles need about"):
        memory.require_memory(system)
    monkeypatch.setattr(memory, "free_bytes", lambda: 2000 * memory.CARD_PARTICLE_BYTES - 1)
    with pytest.raises(memory.MemoryShortError, match="2000 particles need about"):
        memory.require_memory(system, on_card=True)


def test_what_is_free_is_the_least_of_all_limits(monkeypatch):
    for machine, process, group, free in (
        (5, None, None, 5),
        (5, 3, None, 3),
        (5, 3, -1, 0),
    ):
        monkeypatch.setattr(memory, "_of_machine", lambda value=machine: value)
        monkeypatch.setattr(memory, "_of_process", lambda value=process: value)
        monkeypatch.setattr(memory, "_of_group", lambda value=group: value)
        assert memory.free_bytes() == free


def test_free_memory_is_that_of_the_machine_and_of_the_limit():
    """Beside the kernel's own words: /proc/meminfo (proc(5)) in kB, RLIMIT_AS (getrlimit(2))."""
    lines = dict(line.split(":") for line in Path("/proc/meminfo").read_text().splitlines())
    available = int(lines["MemAvailable"].split()[0]) * 1024
    assert memory._of_machine() == pytest.approx(available, rel=0.3)
    limit = "resource.setrlimit(resource.RLIMIT_AS, (2 * 10**9,) * 2)"
    code = f"import resource; {limit}; from sim.film import memory; print(memory._of_process())"
    words = [sys.executable, "-c", code]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=True)
    assert 1e9 < int(done.stdout) < 2e9
    assert memory._of_process() is None
