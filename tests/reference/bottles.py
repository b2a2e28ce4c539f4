"""Bottles whose particles are known, and the sheets that they would have."""

import dataclasses

import numpy as np

from sim.fluid.curve_files import Curve, Spectrum
from sim.fluid.measured import Value
from sim.fluid.model import Model
from sim.fluid.posterior import sample
from sim.fluid.scatter import widened
from sim.fluid.sheet import Sheet
from sim.physics.material import MATERIALS

ERRORS = {"saturation": 0.03, "susceptibility": 0.05, "density": 0.003, "viscosity": 0.05}
"""Standard errors of the numbers of a sheet, as shares."""
CURVE_ERROR = 0.005
FIELDS = np.geomspace(1e3, 8e5, 16)
FREQUENCIES = np.geomspace(1e2, 1e7, 12)


def exact(value, dimension):
    return Value(value, 0.0, dimension)


def blank():
    """Return a sheet that says nothing, of magnetite in an oil."""
    core = MATERIALS["magnetite"]
    return Sheet(
        title="known", text="", temperature=298.15, numbers={}, curve=None, spectrum=None,
        core=core, core_magnetisation=exact(core.magnetisation, "magnetisation"),
        core_density=exact(core.density, "density"),
        carrier_viscosity=exact(1.5e-3, "viscosity"), carrier_density=exact(800.0, "density"),
        shell_density=900.0, viscosity_law="krieger_dougherty", material="magnetite",
    )  # fmt: skip


def coordinates(model, **known):
    """Return the coordinates of one fluid from its values in SI."""
    values = [known[one.name] for one in model.unknowns]
    logs = [one.is_logarithmic for one in model.unknowns]
    return np.array([[np.log(v) if is_log else v for v, is_log in zip(values, logs, strict=True)]])


def sheet_of(place, rng, *, numbers=tuple(ERRORS), curve=False, spectrum=False, noise=1.0):
    """Return the sheet of a known fluid, each datum with its error.

    A curve may have more noise than it says, and its errors are widened then.
    """
    kinds = {
        "saturation": "fluid_magnetisation", "susceptibility": "susceptibility",
        "density": "density", "viscosity": "viscosity",
    }  # fmt: skip
    whole = dataclasses.replace(
        blank(), numbers={name: Value(1.0, 1.0, kinds[name]) for name in numbers}
    )
    model = Model(whole)
    found = {}
    for name, values in model.predicted(model.fluids(place)).items():
        error = ERRORS[name] * values[0]
        found[name] = Value(values[0] + error * rng.standard_normal(), error, kinds[name])
    sheet = dataclasses.replace(whole, numbers=found)
    if curve:
        exactly = model.curve(place, FIELDS)[0]
        error = np.full(FIELDS.size, CURVE_ERROR * exactly.max())
        noisy = exactly + noise * error * rng.standard_normal(FIELDS.size)
        sheet = dataclasses.replace(sheet, curve=Curve(FIELDS, noisy, error, 1))
        if noise > 1.0:
            sheet = widened(sheet)
    if spectrum:
        exactly = model.spectrum(place, FREQUENCIES)[0]
        error = np.full(FREQUENCIES.size, 0.02 * exactly.real.max())
        real, loss = (
            part + error * rng.standard_normal(error.size) for part in (exactly.real, -exactly.imag)
        )
        sheet = dataclasses.replace(sheet, spectrum=Spectrum(FREQUENCIES, real, loss, error, 1))
    return sheet


def ranks(count, rng, fluids, **data):
    """Recover fluids drawn from what is possible, each from its own sheet.

    Returns the share of likely fluids below the truth, (count, unknowns): evenly spread between 0
    and 1 where intervals are right (S. R. Cook, A. Gelman and D. B. Rubin, Journal of
    Computational and Graphical Statistics vol 15, p 675 (2006); from memory).
    """
    possible = Model(blank())
    return np.array(
        [
            (sample(Model(sheet_of(place[None], rng, **data)), rng, fluids) < place).mean(axis=0)
            for place in possible.draw(count, rng)
        ]
    )


def held(found, level):
    """Return how many truths lie in the interval of a level, by unknown."""
    return (np.abs(found - 0.5) < 0.5 * level).sum(axis=0)
