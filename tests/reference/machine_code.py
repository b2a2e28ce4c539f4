"""A program that makes an engine of a film and looks at the machine code of its kernels.

python -m tests.reference.machine_code FILE

Prints, as JSON: by kernel whether it came from the cache, and functions with loose arithmetic that
a kernel calls instead of holding them; then bits of the state after some steps, and the energies.
"""

import hashlib
import json
import re
import sys

import numpy as np

import sim
from sim.kernels.vectors import calls as blocks
from sim.run.setup import RunSetup
from sim.run.simulate import make_cpu_engine

STEPS = 20
LOOSE = re.compile(r"= f\w+ (?:\w+ )*?(?:reassoc|contract|fast|afn|arcp)\b")


def called_loosely(library):
    """Return functions that the kernel of a library calls and that may round differently."""
    found = []
    for text in re.split(r"\n(?=define )", library.get_llvm_str()):
        head = text.splitlines()[0]
        if head.startswith("define linkonce_odr") and LOOSE.search(text):
            found.append(re.search(r"@[\"\w.$]+", head).group())
    return found


def main(path):
    """Print what is found."""
    kernels, copies = {}, {}
    compiled = blocks.Kernel.compiled

    def watched(self, kind):
        code = compiled(self, kind)
        kernels[self.__name__] = code.cache_hits > 0
        if not code.cache_hits:
            loose = called_loosely(code._library)
            if loose:
                copies[self.__name__] = loose
        return code

    blocks.Kernel.compiled = watched
    setup = RunSetup(sim.load(path), 1)
    engine = make_cpu_engine(setup.system, setup.state, 1)
    before = engine.observe()
    engine.advance(STEPS)
    state, seen = engine.snapshot(), engine.observe()
    digest = hashlib.sha256()
    for array in (state.positions, state.directions, seen["magnetisation"]):
        digest.update(np.ascontiguousarray(array).tobytes())
    energies = [
        {name: value for name, value in row.items() if isinstance(value, float)}
        for row in (before, seen)
    ]
    json.dump(
        {
            "cached": kernels,
            "copies": copies,
            "bits": digest.hexdigest(),
            "energies": [{k: v.hex() for k, v in row.items()} for row in energies],
        },
        sys.stdout,
    )


if __name__ == "__main__":
    main(sys.argv[1])
