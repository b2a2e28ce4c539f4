"""What a benchmark prints first: processor, versions, and whether the machine is idle."""

import os
import platform
from pathlib import Path

import llvmlite
import numba
import numpy as np


def processor():
    """Return the processor's name."""
    try:
        lines = Path("/proc/cpuinfo").read_text().splitlines()
    except OSError:
        return platform.processor() or platform.machine()
    names = [line.split(":", 1)[1].strip() for line in lines if line.startswith("model name")]
    return names[0] if names else platform.machine()


def versions():
    """Return the versions that results depend on, in words."""
    return (
        f"python {platform.python_version()}, numpy {np.__version__}, numba {numba.__version__}, "
        f"llvmlite {llvmlite.__version__}"
    )


def headline():
    """Print processor, cores, load and versions; a busy machine makes every number too large."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    load = os.getloadavg()[0]
    print(f"processor {processor()}, {cores} cores, load {load:.2f}")
    print(versions())
    if load > 0.5:
        print("the machine is busy: times are too large, above all those on two threads")
