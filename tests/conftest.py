"""What holds for all tests: they run side by side, a process a core."""

import os

# Before numpy is loaded, here and in the processes that tests start: two processes whose libraries
# of matrices take all cores each wait for one another.
for _library in ("OPENBLAS", "MKL"):
    os.environ.setdefault(f"{_library}_NUM_THREADS", "1")
