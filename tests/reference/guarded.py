"""Reads one spoilt file under guard: how it ended, and what it must not have done.

`Guard` watches a process: time by a timer, memory by a limit on the address space, code and writes
by an audit hook, further files by a list of the folder. Time is that of the processor, so that a
busy machine spoils nothing. Compiled code and a file that never answers hear no timer: after twelve
times as long by the clock the process ends and says where it was.
"""

import faulthandler
import os
import resource
import signal
import sys
import warnings
from contextlib import contextmanager
from pathlib import Path

from sim.commands.errors import BAD_INPUT, explain

SECONDS = 10.0
MEMORY = 2 * 2**30
RUNS = ("os.system", "os.exec", "os.posix_spawn", "os.spawn", "os.fork", "subprocess.Popen",
        "socket.connect", "webbrowser.open")  # fmt: skip
CHANGES = ("os.remove", "os.rename", "os.rmdir", "os.mkdir", "os.link", "os.symlink", "os.chmod",
           "os.truncate", "shutil.rmtree", "shutil.move")  # fmt: skip
WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT
KERNELS = os.environ.get("NUMBA_CACHE_DIR") or str(
    Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "chainfilm"
)

_guards = []
"""The guard at work; an audit hook cannot be taken away again."""


class TooSlow(BaseException):
    """A case passed its time; no `except Exception` may catch it."""


def _heed(event, arguments):
    if not _guards:
        return
    writes = event == "open" and isinstance(arguments[2], int) and arguments[2] & WRITING
    if event not in RUNS + CHANGES and not writes:
        return
    # Compiled kernels are kept in a folder of the program's own.
    if event in RUNS or not str(arguments[0]).startswith(KERNELS):
        _guards[-1].deeds.append((event, str(arguments[0])))


sys.addaudithook(_heed)


class Guard:
    """What happened besides the answer: `deeds` are programs started and files written."""

    def __init__(self):
        self.deeds = []

    @contextmanager
    def watch(self):
        """Watch what is done inside."""
        used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
        soft, hard = resource.getrlimit(resource.RLIMIT_AS)
        before = signal.signal(signal.SIGPROF, _too_slow)
        resource.setrlimit(resource.RLIMIT_AS, (used + MEMORY, hard))
        signal.setitimer(signal.ITIMER_PROF, SECONDS)
        faulthandler.dump_traceback_later(12 * SECONDS, exit=True, file=sys.__stderr__)
        _guards.append(self)
        try:
            yield self
        finally:
            _guards.pop()
            faulthandler.cancel_dump_traceback_later()
            signal.setitimer(signal.ITIMER_PROF, 0.0)
            signal.signal(signal.SIGPROF, before)
            resource.setrlimit(resource.RLIMIT_AS, (soft, hard))


def _too_slow(number, frame):
    raise TooSlow


def files_in(folder):
    """Return all files below a folder with their sizes."""
    return {path: path.lstat().st_size for path in folder.rglob("*")}


def outcome(read, path, folder):
    """Read a file under guard.

    Parameters
    ----------
    read : callable
        Takes the path.
    path, folder : Path
        The file, and the folder in which nothing may change.

    Returns
    -------
    str
        "read", "refused", or what was wrong with the program.
    """
    before, guard, said = files_in(folder), Guard(), "read"
    try:
        with guard.watch(), warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)
            read(path)
    except TooSlow:
        said = f"longer than {SECONDS:g} s"
    except Exception as error:
        code, text = explain(error)
        said = (
            "refused" if code == BAD_INPUT and text.strip() else f"{type(error).__name__}: {text}"
        )
    if guard.deeds:
        return f"did {guard.deeds[:3]}"
    return said if files_in(folder) == before else "changed files"


def read_parameters(path):
    """Load a parameter file as `check` does, without timing; a sweep with all its points."""
    import sim
    from sim.outlook.expectations import expect
    from sim.sweeps.table import is_sweep, load_sweep

    if is_sweep(path):
        load_sweep(path)
    else:
        expect(sim.load(path))


def read_run(path):
    """Open a run file and measure it."""
    import analysis

    analysis.measure(analysis.open_run(path))
