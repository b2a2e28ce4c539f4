"""Sheets that contradict themselves, told in one sentence each."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from analysis.common.arrays import Floats
from analysis.common.constants import BOLTZMANN, MU0
from sim.fluid.chantrell import ends_of_curve
from sim.fluid.curve_files import Curve, Spectrum
from sim.fluid.magnetisation import size_nodes, without_interactions
from sim.fluid.measured import Value
from sim.fluid.model import MOST_SPREAD, REACH, Model
from sim.fluid.scatter import MOST_SHARE, MOST_WIDENED
from sim.fluid.sheet import STATED, Sheet
from sim.fluid.suspension import fraction_of_viscosity
from sim.physics.units import format_quantity

FALLEN, MOST_FALLEN = 0.2, 0.5
"""So much of its largest M may a noisy curve fall, and one whose errors were widened."""
SMALLEST_DOMAIN, LARGEST_DOMAIN = 2e-9, 60e-9
"""Magnetic cores are of one domain up to about 57 nm (magnetite: Science vol 176, p 41 (1972))."""


def contradictions(sheet: Sheet) -> Iterator[str]:
    """Find what cannot all be true of one fluid.

    Parameters
    ----------
    sheet : Sheet
        What its sheet says.

    Yields
    ------
    str
        One sentence a contradiction that lies beyond `REACH` errors.
    """
    yield from _curve(sheet)
    yield from _spectrum(sheet)
    yield from _susceptibility(sheet)
    yield from _density(sheet)
    yield from _viscosity(sheet)


def _low(value: Value) -> float:
    return value.value - REACH * value.error


def _high(value: Value) -> float:
    return value.value + REACH * value.error


def _curve(sheet: Sheet) -> Iterator[str]:
    curve, stated = sheet.curve, sheet.numbers.get("saturation")
    if curve is None:
        return
    if problem := _fall(curve) or _scatter("curve", curve, curve.magnetisation):
        yield problem
        return
    if stated is not None:
        top = int(np.argmax(curve.magnetisation))
        reached = float(curve.magnetisation[top] - REACH * curve.error[top])
        if reached > _high(stated):
            yield (
                f"[fluid] saturation must be at least {_magnetisation(curve.magnetisation[top])}, "
                f"which the curve reaches; received {stated.text}."
            )
        return
    ends = ends_of_curve(curve.field, curve.magnetisation, curve.error)
    if ends is None or not (ends.is_saturated or abs(ends.rise) < REACH):
        led = "too few points to tell where they lead" if ends is None else _led(ends.risen)
        yield (
            f"[curve] must rise to saturation, or [fluid] saturation must be given; up to "
            f"{_magnetisation(curve.field[-1])} it does not: {led}."
        )


def _spectrum(sheet: Sheet) -> Iterator[str]:
    spectrum = sheet.spectrum
    if spectrum and (problem := _scatter("spectrum", spectrum, spectrum.real)):
        yield problem


def _fall(curve: Curve) -> str | None:
    """Tell where a curve falls by more than its errors and `FALLEN` of its largest M, if it does.

    In equilibrium M rises with H (Langevin); what falls is a curve with rows mixed up, or with the
    background of its holder left in.
    """
    found = curve.magnetisation
    before = np.array([int(np.argmax(found[: k + 1])) for k in range(found.size)])
    falls = found[before] - found
    allowed = REACH * (curve.error[before] + curve.error)
    if curve.widened > 1.0:
        allowed = np.maximum(
            np.minimum(allowed, MOST_FALLEN * found.max()), allowed / curve.widened
        )
    allowed = np.maximum(allowed, FALLEN * found.max())
    last = int(np.argmax(falls - allowed))
    if falls[last] <= allowed[last]:
        return None
    high, low = (
        f"{_magnetisation(found[k])} at H = {_magnetisation(curve.field[k])}"
        for k in (before[last], last)
    )
    return (
        f"[curve] file must hold an M that rises with H; received {high} and {low}: rows mixed up, "
        "a background left in, or an error stated too small."
    )


def _scatter(name: str, measured: Curve | Spectrum, values: Floats) -> str | None:
    """Tell of a curve that no fluid shows, however wide its errors."""
    if measured.widened == 1.0:
        return None
    share = float(np.median(measured.error) / np.abs(values).max())
    if measured.widened <= MOST_WIDENED and share <= MOST_SHARE:
        return None
    return (
        f"[{name}] file must hold what some fluid shows within {MOST_WIDENED:g} times its errors "
        f"and {100.0 * MOST_SHARE:g} % of its largest value; received one that every fluid misses "
        f"by {measured.widened:.2g} times its errors, {100.0 * share:.2g} %: rows mixed up, "
        "another unit, a background left in, or an error stated too small."
    )


def _led(risen: float) -> str:
    if not 0.0 < risen <= 1.0:
        return "its last points lead nowhere"
    return f"the last point is at {100.0 * risen:.0f} % of where the last ones lead"


def _magnetisation(value: float) -> str:
    return format_quantity(float(value), "magnetisation", 3)


def _susceptibility(sheet: Sheet) -> Iterator[str]:
    """Of a saturation that is too low for a susceptibility, or too high."""
    found, saturation = (sheet.numbers.get(name) for name in ("susceptibility", "saturation"))
    if found is None or saturation is None:
        return
    least = _domain(sheet, max(_low(found), 1e-9), _high(saturation))
    most = _domain(sheet, _high(found), max(_low(saturation), 1e-9))
    largest = LARGEST_DOMAIN
    if (stated := sheet.numbers.get("core_diameter")) is not None:
        largest = min(largest, _widest(sheet) * _high(stated))
    if least > largest:
        yield (
            f"[fluid] saturation must be higher for a susceptibility of {found.value:.3g}: at "
            f"{saturation.text} its magnetic cores would have at least "
            f"{format_quantity(least, 'length', 2)}, and "
            f"{format_quantity(largest, 'length', 2)} is the most that can be."
        )
    elif most < SMALLEST_DOMAIN:
        yield (
            f"[fluid] susceptibility must be higher for a saturation of {saturation.text}: at "
            f"{found.value:.3g} its magnetic cores would have at most "
            f"{format_quantity(most, 'length', 2)}."
        )


def _widest(sheet: Sheet) -> float:
    """Largest cube root of <d^6>/<d^3> over the median that the stated spread allows, or any."""
    stated = sheet.numbers.get("size_spread")
    spread = MOST_SPREAD if stated is None else min(_high(stated), MOST_SPREAD)
    deviations, shares = size_nodes()
    sixth, third = (float(shares @ np.exp(k * spread * deviations)) for k in (6.0, 3.0))
    return math.cbrt(sixth / third)


def _domain(sheet: Sheet, susceptibility: float, saturation: float) -> float:
    """Magnetic diameter in m of equal cores that give this susceptibility."""
    moment = 3.0 * BOLTZMANN * sheet.temperature * without_interactions(susceptibility)
    moment /= MU0 * saturation
    return math.cbrt(6.0 * moment / (math.pi * sheet.core_magnetisation.value))


def _magnetic_fraction(sheet: Sheet) -> float:
    """Least volume fraction of magnetic cores that the saturation allows; 0 where unknown."""
    saturation = sheet.numbers.get("saturation")
    if saturation is None:
        return 0.0
    return max(_low(saturation), 0.0) / _high(sheet.core_magnetisation)


def _density(sheet: Sheet) -> Iterator[str]:
    found = sheet.numbers.get("density")
    if found is None:
        return
    if _high(found) <= _low(sheet.carrier_density):
        yield (
            "[fluid] density must be above that of the carrier, "
            f"{format_quantity(sheet.carrier_density.value, 'density')}; received {found.text}."
        )
        return
    lightest = min(sheet.shell_density, _low(sheet.carrier_density))
    carrier = _low(sheet.carrier_density)
    # Shells lighter than the carrier leave room for more cores, at most for random packing.
    lifted = _high(found) - carrier + 0.64 * (carrier - lightest)
    most = lifted / (_low(sheet.core_density) - carrier)
    if (needed := _magnetic_fraction(sheet)) > most:
        yield (
            f"[fluid] density leaves room for cores of {100.0 * most:.2g} % by volume, and the "
            f"saturation needs at least {100.0 * needed:.2g} %: their dead layer would be negative."
        )


def _viscosity(sheet: Sheet) -> Iterator[str]:
    found = sheet.numbers.get("viscosity")
    if found is None:
        return
    most = _high(found) / _low(sheet.carrier_viscosity)
    if most <= 1.0:
        yield (
            "[fluid] viscosity must be above that of the carrier, "
            f"{format_quantity(sheet.carrier_viscosity.value, 'viscosity')}; received {found.text}."
        )
        return
    room = fraction_of_viscosity(most, sheet.viscosity_law)
    if (needed := _magnetic_fraction(sheet)) > room:
        yield (
            f"[fluid] viscosity leaves room for particles of {100.0 * room:.2g} % by volume, and "
            f"the saturation needs cores of at least {100.0 * needed:.2g} %: their shell would be "
            "negative."
        )


_KEYS = {
    **{
        name: f"[fluid] {name}" for name in ("saturation", "susceptibility", "density", "viscosity")
    },
    **{name: f"[core] {name}" for name in STATED[:3]},
    "shell_thickness": "[surfactant] thickness",
    "core_magnetisation": "[core] magnetisation",
    "core_density": "[core] density",
    "carrier_viscosity": "[carrier] viscosity",
    "carrier_density": "[carrier] density",
}


def key_of(name: str) -> str:
    """Return where a sheet says a number that fluids show, with its table as sentences write it."""
    return _KEYS[name]


def misfits(model: Model, best: Floats) -> Iterator[str]:
    """Find numbers that no possible fluid shows together with the others.

    Parameters
    ----------
    model : Model
        The sheet and what is possible.
    best : float64 (unknowns,)
        Coordinates of the fluid that fits best.

    Yields
    ------
    str
        One sentence for each number that it misses by more than `REACH` errors.
    """
    shown = model.predicted(model.fluids(best[None, :]))
    for name, found in shown.items():
        value = model.sheet.numbers.get(name) or getattr(model.sheet, name)
        if abs(float(found[0]) - value.value) > REACH * value.error:
            nearest = format_quantity(float(found[0]), value.dimension)
            yield (
                f"{key_of(name)} must agree with the rest of the sheet, whose nearest possible "
                f"fluid has {nearest}; received {value.text}."
            )
