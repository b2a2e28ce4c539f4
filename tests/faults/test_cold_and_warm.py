"""Code that was just compiled and code from the cache give the same bits.

numba copies called functions into their callers. Where arithmetic may be reordered, copies round
differently, and a process that compiles runs others than one that loads: frames of a first and of
a second run differed. Kernels hold all of it, once.
"""

import json
import os
import subprocess
import sys
from pathlib import Path

import numba
import pytest

from tests.reference.bench_film import BENCH_FILM
from tests.reference.machine_code import called_loosely

ROOT = Path(__file__).parents[2]


def look(path, cache):
    """Return what `machine_code` finds, with the cache in a folder."""
    environment = {key: value for key, value in os.environ.items() if key != "NUMBA_CACHE_DIR"}
    environment |= {"PYTHONPATH": str(ROOT), "XDG_CACHE_HOME": str(cache)}
    done = subprocess.run(
        [sys.executable, "-m", "tests.reference.machine_code", str(path)],
        env=environment, capture_output=True, text=True, check=True, timeout=600,
    )  # fmt: skip
    return json.loads(done.stdout)


@pytest.mark.parametrize(
    ("dipoles", "run", "seen"),
    [
        ('"cutoff"', "", "near_pair_part"),
        pytest.param('"cutoff"', 'time_step = "1 ns"\n', "pair_part", marks=pytest.mark.slow),
        pytest.param('"mesh"\ntolerance = 1e-3', "", "gather_part", marks=pytest.mark.slow),
        pytest.param('"exact"', "", "near_part", marks=pytest.mark.slow),
    ],
    ids=["cutoff", "plain steps", "mesh", "exact"],
)
def test_second_run_has_the_bits_of_the_first_that_compiled(dipoles, run, seen, tmp_path):
    text = BENCH_FILM.replace('width = ["2.0 um", "0.6 um"]', 'width = "0.5 um"')
    text = text.replace('"cutoff"', dipoles).replace("[run]\n", f"[run]\n{run}")
    (tmp_path / "film.toml").write_text(text, encoding="utf-8")
    cold = look(tmp_path / "film.toml", tmp_path / "cache")
    warm = look(tmp_path / "film.toml", tmp_path / "cache")
    assert seen in cold["cached"]
    assert not any(cold["cached"].values())
    assert all(warm["cached"].values())
    assert cold["cached"].keys() == warm["cached"].keys()
    assert cold["copies"] == {}
    assert cold["bits"] == warm["bits"]
    assert cold["energies"] == warm["energies"]


@numba.njit(fastmath=True)
def loose(x):
    total = 0.0
    for k in range(x.size):
        total += x[k] * x[k - 1]
        if total > 1e3:
            total = total * 0.5 + x[k] * x[k] - x[0] * 7.0
    return total


@numba.njit
def strict(x):
    total = 0.0
    for k in range(x.size):
        total += x[k] * x[k - 1]
        if total > 1e3:
            total = total * 0.5 + x[k] * x[k] - x[0] * 7.0
    return total


@pytest.mark.parametrize("callee", [loose, strict])
def test_a_loose_function_that_is_called_and_not_inlined_is_found(callee):
    # Two calls, so that the compiler keeps the function apart.
    @numba.cfunc(numba.void(numba.types.CPointer(numba.float64), numba.int64))
    def kernel(pointer, size):
        x = numba.carray(pointer, size)
        x[0] = callee(x[1:]) + callee(x[2:])

    found = called_loosely(kernel._library)
    assert bool(found) == (callee is loose)
