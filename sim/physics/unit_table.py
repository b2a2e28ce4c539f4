"""The units that a parameter file may use, by dimension."""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal

from analysis.common.constants import ELEMENTARY, MU0


@dataclass(frozen=True)
class Dimension:
    """One kind of quantity and the units in which it may be written.

    Attributes
    ----------
    noun : str
        How messages call it, with its article.
    units : dict of str to Decimal or float
        Factor from each unit to the unit inside; decimal factors are kept exact.
    shown : tuple of str
        Units for messages, from small to large.
    example : str
        A quantity as a user would write it.
    accepted : tuple of str
        Units that messages name; other spellings are understood as well.
    """

    noun: str
    units: dict[str, Decimal | float]
    shown: tuple[str, ...]
    example: str
    accepted: tuple[str, ...]


def _dimension(noun: str, units: str, shown: str, example: str, aliases: str = "") -> Dimension:
    """Build a dimension from lines of "unit=factor", separated by commas."""
    table: dict[str, Decimal | float] = {}
    accepted = []
    for text, is_named in ((units, True), (aliases, False)):
        for pair in filter(None, (part.strip() for part in text.split(","))):
            unit, factor = pair.rsplit("=", 1)
            table[unit] = Decimal(factor)
            if is_named:
                accepted.append(unit)
    return Dimension(noun, table, tuple(shown.split(",")), example, tuple(accepted))


def _field_dimension() -> Dimension:
    """Flux density in T; A/m and kA/m come in through B = mu0 H, 1 Oe being 1e-4 T exactly."""
    plain = _dimension(
        "a magnetic field",
        "T=1, mT=1e-3, uT=1e-6, G=1e-4, kG=1e-1",
        "uT,mT,T",
        "25 mT",
    )
    units = {
        **plain.units,
        "kA/m": 1e3 * MU0,
        "A/m": MU0,
        "Oe": Decimal("1e-4"),
        "kOe": Decimal("1e-1"),
    }
    return Dimension(plain.noun, units, plain.shown, plain.example, tuple(units))


def _energy_product_dimension() -> Dimension:
    """Energy products in J/m^3; 1 MGOe is 1e6 G x 1 Oe, with 1 Oe = 1e-4 T/mu0."""
    plain = _dimension(
        "an energy product", "J/m^3=1, kJ/m^3=1e3", "J/m^3,kJ/m^3", "334 kJ/m^3",
        "J/m3=1, kJ/m3=1e3",
    )  # fmt: skip
    units: dict[str, Decimal | float] = {**plain.units, "MGOe": 1e-2 / MU0}
    return Dimension(plain.noun, units, plain.shown, plain.example, ("MGOe", *plain.accepted))


def _fluid_magnetisation_dimension() -> Dimension:
    """Magnetisation of a fluid in A/m; T and G are those of mu0 M, which sheets state as 4 pi M."""
    plain = _dimension(
        "a magnetisation of the fluid",
        "A/m=1, kA/m=1e3, emu/cm^3=1e3",
        "A/m,kA/m",
        "20 mT",
        "emu/cm3=1e3, emu/cc=1e3",
    )
    flux = {"mT": 1e-3 / MU0, "T": 1.0 / MU0, "G": 1e-4 / MU0, "kG": 1e-1 / MU0}
    return Dimension(
        plain.noun, {**plain.units, **flux}, plain.shown, plain.example, (*plain.accepted, *flux)
    )


def _susceptibility_dimension() -> Dimension:
    """Susceptibilities of the SI; one of the Gaussian system is 4 pi of them."""
    gaussian = {"emu/(cm^3 Oe)": 4.0 * math.pi, "emu/(cm3 Oe)": 4.0 * math.pi}
    units: dict[str, Decimal | float] = {"": Decimal(1), **gaussian}
    return Dimension("a susceptibility", units, ("",), "0.9", ("emu/(cm^3 Oe)",))


def _angle_dimension() -> Dimension:
    """Angles in rad inside."""
    units: dict[str, Decimal | float] = {"deg": math.pi / 180.0, "rad": Decimal(1)}
    return Dimension("an angle", units, ("deg",), "30 deg", tuple(units))


DIMENSIONS: dict[str, Dimension] = {
    "length": _dimension(
        "a length",
        "m=1, cm=1e-2, mm=1e-3, um=1e-6, nm=1e-9, pm=1e-12",
        "pm,nm,um,mm,m",
        "12 nm",
        "angstrom=1e-10",
    ),
    "time": _dimension(
        "a time",
        "s=1, ms=1e-3, us=1e-6, ns=1e-9, ps=1e-12, fs=1e-15, min=60, h=3600",
        "fs,ps,ns,us,ms,s",
        "0.2 ms",
        "day=86400, days=86400, d=86400, week=604800, weeks=604800, year=31557600, years=31557600",
    ),
    "frequency": _dimension(
        "a frequency", "Hz=1, kHz=1e3, MHz=1e6, GHz=1e9", "Hz,kHz,MHz,GHz", "2 kHz", "1/s=1"
    ),
    "field": _field_dimension(),
    "field_gradient": _dimension(
        "a field gradient",
        "T/m=1, mT/m=1e-3, mT/mm=1, mT/um=1e3, G/cm=1e-2",
        "mT/m,T/m",
        "10 T/m",
        "T/mm=1e3, T/cm=1e2",
    ),
    "viscosity": _dimension(
        "a viscosity",
        "Pa s=1, mPa s=1e-3, P=1e-1, cP=1e-3",
        "mPa s,Pa s",
        "1.5 mPa s",
        "Pas=1, mPas=1e-3, uPa s=1e-6, N s/m^2=1",
    ),
    "temperature": _dimension("a temperature", "K=1, degC=1", "K", "25 degC"),
    "area_density": _dimension(
        "a number per area",
        "nm^-2=1e18, um^-2=1e12, m^-2=1",
        "nm^-2",
        "0.3 nm^-2",
        "1/nm^2=1e18, 1/um^2=1e12, 1/m^2=1, 1/nm2=1e18, nm-2=1e18, m-2=1",
    ),
    "magnetisation": _dimension(
        "a magnetisation",
        "A/m=1, kA/m=1e3, MA/m=1e6, emu/cm^3=1e3",
        "A/m,kA/m",
        "446 kA/m",
        "emu/cm3=1e3, emu/cc=1e3",
    ),
    "fluid_magnetisation": _fluid_magnetisation_dimension(),
    "specific_magnetisation": _dimension(
        "a magnetisation per mass",
        "A m^2/kg=1, emu/g=1",
        "A m^2/kg",
        "15 emu/g",
        "A m2/kg=1",
    ),
    "susceptibility": _susceptibility_dimension(),
    "energy_density": _dimension(
        "an energy density",
        "J/m^3=1, kJ/m^3=1e3, MJ/m^3=1e6, erg/cm^3=1e-1",
        "J/m^3,kJ/m^3",
        "11 kJ/m^3",
        "J/m3=1, kJ/m3=1e3, MJ/m3=1e6, erg/cm3=1e-1",
    ),
    "energy_product": _energy_product_dimension(),
    "density": _dimension(
        "a mass density",
        "kg/m^3=1, g/cm^3=1e3",
        "kg/m^3",
        "5180 kg/m^3",
        "kg/m3=1, g/cm3=1e3, g/ml=1e3",
    ),
    "acceleration": _dimension("an acceleration", "m/s^2=1", "m/s^2", "9.81 m/s^2", "m/s2=1"),
    "concentration": _dimension(
        "a concentration",
        "mol/L=1e3, mmol/L=1, M=1e3, mM=1, uM=1e-3, mol/m^3=1",
        "uM,mM,M",
        "1 mM",
        "mol/l=1e3, mmol/l=1",
    ),
    # kT depends on the temperature: `parse` gives energies in kT, so the joules stand apart.
    "energy": _dimension(
        "an energy",
        f"kT=1, zJ=1e-21, aJ=1e-18, J=1, meV={1e-3 * ELEMENTARY!r}, eV={ELEMENTARY!r}",
        "kT",
        "1 kT",
    ),
    "current": _dimension("a current", "A=1, mA=1e-3, kA=1e3", "mA,A,kA", "20 A"),
    "angle": _angle_dimension(),
    "moment": _dimension(
        "a magnetic moment", "A m^2=1, emu=1e-3", "A m^2", "2e-18 A m^2", "A m2=1"
    ),
    "number": _dimension("a number", "=1, %=1e-2", "", "0.03"),
}
"""Every kind of quantity a parameter file may hold, by name."""
