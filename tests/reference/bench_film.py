"""The example film with any of its lines changed: for tests of expectations and pair theory."""

from sim import parameters

BENCH_FILM = """\
title = "bench film"
[particles]
material = "magnetite"
moment = "blocked"
core_diameter = "20 nm"
size_spread = 0.1
shell_thickness = "2 nm"
volume_fraction = 0.03
[carrier]
viscosity = "1.5 mPa s"
temperature = "25 degC"
[film]
thickness = "0.4 um"
width = ["2.0 um", "0.6 um"]
[repulsion]
kind = "surfactant"
grafting_density = "0.3 nm^-2"
[field]
strength = "30 mT"
direction = [1, 0, 0]
[dipoles]
sum = "cutoff"
[run]
duration = "0.2 ms"
seed = 7
[bonds]
distance = 1.3
alignment = 0.5
"""


def bench_film(**changes):
    """Return the parameters with keys given new values as they stand in the file."""
    lines = []
    for line in BENCH_FILM.splitlines():
        key = line.split(" = ")[0]
        lines.append(f"{key} = {changes.pop(key)}" if key in changes else line)
    if changes:
        raise KeyError(f"not in the file: {sorted(changes)}")
    return parameters.from_text("\n".join(lines) + "\n", "film.toml")
