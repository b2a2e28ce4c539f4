"""The kernels on processors with shorter vectors than this one's: the same sums, by other code."""

import os
import platform
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
# Name of the processor and its features, as LLVM calls them.
PROCESSORS = {
    "256 bits": ("haswell", "+sse4.2,+avx,+avx2,+fma,+bmi,+bmi2,+popcnt,+lzcnt,+f16c"),
    "128 bits": ("x86-64", "+sse2"),
}
CHECKS = (
    "tests/unit/test_vector.py",
    "tests/unit/test_pair_sums.py::test_sums_match_slow_loops",
    "tests/unit/test_pair_sums.py::test_forces_of_pairs_cancel",
    "tests/unit/test_motion.py",
    "tests/unit/test_lists.py::test_list_holds_all_pairs_in_range",
)
SHOW_REGISTERS = """\
import numpy as np
from numba import njit
from sim.kernels.vectors import types as vector
from sim.kernels.vectors.ops import rsqrt

@njit
def roots(x):
    vector.store(x, np.uint64(0), rsqrt(vector.load(x, np.uint64(0))))

for dtype in (np.float32, np.float64):
    x = np.full(16, 4.0, dtype)
    roots(x)
    assert abs(x[0] - 0.5) < 1e-6
(code,) = {text for form, text in roots.inspect_asm().items() if "float64" in str(form)}
print(*(name for name in ("xmm", "ymm", "zmm") if "%" + name in code))
"""

pytestmark = pytest.mark.skipif(
    platform.machine() not in ("x86_64", "AMD64"), reason="the names are those of x86"
)


def narrowed(kind):
    """Return the environment in which numba compiles for a narrower processor."""
    name, features = PROCESSORS[kind]
    return {
        **os.environ,
        "NUMBA_CPU_NAME": name,
        "NUMBA_CPU_FEATURES": features,
        "PYTHONPATH": str(ROOT),
    }


@pytest.mark.parametrize(("kind", "widest"), [("256 bits", "ymm"), ("128 bits", "xmm")])
def test_vectors_are_split_where_registers_are_shorter(kind, widest):
    done = subprocess.run(
        [sys.executable, "-c", SHOW_REGISTERS],
        env=narrowed(kind), cwd=ROOT, capture_output=True, text=True, timeout=300,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.split()[-1] == widest


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["256 bits", "128 bits"])
def test_sums_lists_and_moves_are_right_there_too(kind):
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-x", "-n", "0", "-p", "no:cacheprovider", *CHECKS],
        env=narrowed(kind), cwd=ROOT, capture_output=True, text=True, timeout=900,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-3000:]
    assert " passed" in done.stdout
