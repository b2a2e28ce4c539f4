"""Pure loops on arrays, compiled on first use: numpy, math and numba only, no checks by design.

Importing this package tells numba where to keep compiled code (`analysis.common.kernel_cache`),
before any kernel is defined.
"""

from __future__ import annotations

from analysis.common.kernel_cache import cache_folder, kernel_hash, set_cache_folder

__all__ = ["cache_folder", "kernel_hash"]

set_cache_folder()
