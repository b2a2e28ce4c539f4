"""What holds for all tests: they run side by side, a process a core."""

import os
import tempfile

import pytest

# Before numpy is loaded, here and in the processes that tests start: two processes whose libraries
# of matrices take all cores each wait for one another.
for _library in ("OPENBLAS", "MKL"):
    os.environ.setdefault(f"{_library}_NUM_THREADS", "1")
# Threads of compiled loops that wait for one another sleep: as many processes as cores, each with
# as many threads, would else spend most of their time asking whether the others are done.
os.environ.setdefault("OMP_WAIT_POLICY", "PASSIVE")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """Give each process files of its own, and those of others when it has none left.

    By turns, as is usual, all processes come to the same files at once: each compiles the same
    kernels and makes the same films of a module.
    """
    if config.getoption("dist") != "load":  # something else was asked for
        return None
    from xdist.scheduler import WorkStealingScheduling

    return WorkStealingScheduling(config, log)


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node):
    """Name the folder of locks to a process that is about to start."""
    if not hasattr(node.config, "compiling"):
        node.config.compiling = tempfile.TemporaryDirectory(prefix="chainfilm-tests-")
        node.config.add_cleanup(node.config.compiling.cleanup)
    node.workerinput["compiling"] = node.config.compiling.name


def pytest_configure(config):
    """Compile no kernel that another process of these tests is compiling."""
    if hasattr(config, "workerinput"):
        from tests.reference.compiled_once import compile_once

        compile_once(config.workerinput["compiling"])
