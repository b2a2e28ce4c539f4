"""Films drawn over the legal ranges of their keys, for tests that the automatic step holds."""

from __future__ import annotations

import dataclasses

import numpy as np

from sim.parameters import ParameterError, from_text

FILM = """\
[particles]
core_diameter = "{core} nm"
size_spread = {spread}
shell_thickness = "{shell} nm"
moment = "{moment}"
magnetisation = "{magnetisation} A/m"
volume_fraction = {fraction}
[carrier]
viscosity = "{viscosity} mPa s"
temperature = "{temperature} K"
[film]
thickness = "{thickness} nm"
count = {count}
[repulsion]
{repulsion}
[field]
strength = "{field} mT"
direction = {direction}
[dipoles]
sum = "cutoff"
cutoff_diameters = {cutoff}
[start]
kind = "{start}"
{added}[run]
duration = "{duration}"
seed = {seed}
[output]
frames = 2
"""


def charged(rng):
    """Tables of charges, van der Waals forces, weight or none."""
    kind = rng.integers(4)
    if kind == 1:
        charge, debye = 10 ** rng.uniform(-3, 0), 10 ** rng.uniform(-0.5, 1)
        return (
            f'[electrostatics]\nsurface_charge = "{charge:.3g} nm^-2"\n'
            f'debye_length = "{debye:.3g} nm"\n'
        )
    return ""


def drawn_text(rng, duration="1 us"):
    """Text of one film; it may be refused."""
    core = 10 ** rng.uniform(0.3, 1.9)
    shell = rng.uniform(0.5, 4.0)
    spread = rng.choice([0.0, 0.1, 0.3])
    diameter = core + 2 * shell
    is_soft = rng.random() < 0.4
    grafting, strength = 10 ** rng.uniform(-3, 0.5), 10 ** rng.uniform(-0.5, 1.5)
    soft = f'kind = "soft_core"\nstrength = {strength:.3g}'
    brush = f'kind = "surfactant"\ngrafting_density = "{grafting:.3g} nm^-2"'
    values = {
        "core": round(core, 3),
        "spread": float(spread),
        "shell": round(shell, 3),
        "moment": "superparamagnetic" if rng.random() < 0.3 else "blocked",
        "magnetisation": float(f"{10 ** rng.uniform(4.5, 6.4):.3g}"),
        "fraction": float(f"{10 ** rng.uniform(-3, -0.7):.3g}"),
        "viscosity": float(f"{10 ** rng.uniform(-1, 3):.3g}"),
        "temperature": round(rng.uniform(250, 400), 1),
        "thickness": round(diameter * rng.uniform(4, 12), 2),
        "count": int(rng.integers(20, 61)),
        "repulsion": soft if is_soft else brush,
        "field": float(f"{10 ** rng.uniform(-1, 3):.3g}"),
        "direction": [[1, 0, 0], [0, 0, 1]][rng.integers(2)],
        "cutoff": round(rng.uniform(2, 5), 2),
        "start": "lattice" if rng.random() < 0.2 else "random",
        "seed": int(rng.integers(1000)),
    }
    return FILM.format(**values, added=charged(rng), duration=duration)


def with_steps(text, steps=200):
    """Parameters of a film whose duration is so many of its automatic steps."""
    from sim.particles import draw
    from sim.reduced_system import reduce

    parameters = from_text(text)
    step = reduce(parameters, draw(parameters)).dt_s
    run = dataclasses.replace(parameters.run, duration=steps * step)
    return dataclasses.replace(parameters, run=run)


def legal_films(number, seed=1):
    """Give the texts of so many films that are not refused."""
    rng = np.random.default_rng(seed)
    found = []
    while len(found) < number:
        text = drawn_text(rng)
        try:
            from_text(text)
        except ParameterError:
            continue
        found.append(text)
    return found
