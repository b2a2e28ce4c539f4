"""Compiled loops on arrays, without checks by design: only numpy, math, numba and llvmlite.

Importing this package tells numba where to keep compiled code (`analysis.common.kernel_cache`) and
how to thread, before any kernel is defined.
"""

from __future__ import annotations

import os

import numba

from analysis.common.kernel_cache import cache_folder, kernel_hash, set_cache_folder

__all__ = ["cache_folder", "kernel_hash"]

set_cache_folder()
if not os.environ.get("NUMBA_THREADING_LAYER_PRIORITY"):
    layers = ["omp", "tbb", "workqueue"]
    numba.config.THREADING_LAYER_PRIORITY = layers  # type: ignore[attr-defined]
# A step is one short parallel region. Threads that spin for long at its end would rob other
# programs of the cores that the region itself waits for: on a busy machine that made steps ten
# times slower. Threads that sleep at once cost 50 us to wake, 7 % of a step of 20000 particles;
# this many rounds last about as long.
if not {"OMP_WAIT_POLICY", "GOMP_SPINCOUNT"} & set(os.environ):
    os.environ["GOMP_SPINCOUNT"] = "1000"
