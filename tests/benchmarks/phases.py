"""Where the time of a command goes, above all that of a large film before its first step.

Run as ``python -m tests.benchmarks.phases run FILE -o OUT ...``: the command, with a line for each
part that took longer than a quarter of a second: when it ended, how long it took, in which thread.
"""

import functools
import importlib
import sys
import threading
import time

PARTS = {
    "sim.film.particles": ["draw"],
    "sim.film.reduce": ["reduce"],
    "sim.film.start": ["start_state"],
    "sim.outlook.expectations": ["expect"],
    "sim.outlook.look_ahead": ["look_ahead"],
    "sim.interactions.mesh.tables": ["make_tables"],
    "sim.files.checkpoint": ["load", "save", "_require_whole"],
    "sim.files.folder": ["plan", "examine"],
    "sim.files.run_file": [
        "read_summary", "RunWriter.create", "RunWriter.reopen", "RunWriter.flush",
    ],
    "sim.engines.card.ready": ["require_card"],
    "sim.engines.card.ahead": ["Ahead.__call__", "compile_part", "compile_transforms"],
    "sim.engines.card.batch": [
        "CardBatch.prepare", "CardBatch._make", "CardBatch._compile_kernels", "CardBatch.lay_out",
        "CardBatch.fresh",
    ],
    "sim.engines.card.film": ["CardFilm.__init__", "CardFilm.fill", "CardFilm.compile"],
    "sim.engines.card.mesh": ["CardMesh.__init__", "CardMesh.sum"],
    "sim.engines.card.engine": [
        "CardEngine.restore", "CardEngine.observe", "CardEngine.part", "CardEngine.checkpoint",
        "CardEngine.snapshot", "CardEngine._state_on_host",
    ],
}  # fmt: skip
SHORT = 0.25
BEGAN = time.perf_counter()


def timed(name, function):
    """Return the function, which tells how long it took."""

    @functools.wraps(function)
    def called(*args, **words):
        began = time.perf_counter()
        try:
            return function(*args, **words)
        finally:
            now = time.perf_counter()
            if now - began > SHORT:
                where = threading.current_thread().name
                print(f"phase {now - BEGAN:6.1f}: {name} {now - began:.2f} s, {where}", flush=True)

    return called


def watch():
    """Have all parts timed, wherever they are called from."""
    for place, names in PARTS.items():
        module = importlib.import_module(place)
        for name in names:
            owner, _, method = name.rpartition(".")
            if owner:
                of = getattr(module, owner)
                plain = vars(of)[method]
                if isinstance(plain, classmethod):
                    setattr(of, method, classmethod(timed(name, plain.__func__)))
                else:
                    setattr(of, method, timed(name, plain))
                continue
            plain = getattr(module, name)
            made = timed(name, plain)
            for other in list(sys.modules.values()):
                if getattr(other, name, None) is plain:
                    setattr(other, name, made)


def main():
    from sim.command_line import main as command

    if "gpu" in sys.argv:
        watch()
    else:
        for place in [place for place in PARTS if "card" in place]:
            del PARTS[place]
        watch()
    raise SystemExit(command(sys.argv[1:]))


if __name__ == "__main__":
    main()
