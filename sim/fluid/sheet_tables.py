"""What a sheet may say: a class for each of its tables, which declares the keys."""

from __future__ import annotations

from dataclasses import dataclass

from sim.fluid.measured import SPECIFIC, Measured, Value
from sim.fluid.suspension import LAWS
from sim.parameters.keys import REQUIRED, key
from sim.parameters.values import Choice, FileName, Number, Quantity
from sim.physics.material import MATERIALS

_DENSITY = ("density",)


@dataclass(frozen=True, kw_only=True)
class FluidTable:
    """The fluid as a whole: any of these, as far as the sheet says them."""

    saturation: Value | None = key(
        Measured(("fluid_magnetisation", SPECIFIC), 10.0, 500e3, "20 mT +- 1 mT", 0.05),
        "Saturation magnetisation; in T or G that of mu0 M, which some sheets call 4 pi M.",
        None,
    )
    susceptibility: Value | None = key(
        Measured(("susceptibility",), 1e-4, 100.0, "0.9 +- 0.05", 0.1),
        "Initial susceptibility, SI; or in emu/(cm^3 Oe).",
        None,
    )
    density: Value | None = key(
        Measured(_DENSITY, 500.0, 5000.0, "1.07 g/cm^3 +- 1 %", 0.01), "Mass density.", None
    )
    viscosity: Value | None = key(
        Measured(("viscosity",), 1e-5, 1e3, "3 cP +- 5 %", 0.1),
        "Viscosity without a field.",
        None,
    )
    viscosity_law: str = key(
        Choice(tuple(LAWS)),
        "Law of the viscosity over the fraction of whole particles.",
        "krieger_dougherty",
    )
    temperature: float = key(
        Quantity("temperature", 200.0, 500.0, "25 degC"), "At which all was measured.", "25 degC"
    )


@dataclass(frozen=True, kw_only=True)
class CurveTable:
    """A magnetisation curve in a CSV file."""

    file: str = key(FileName(1000, "curve.csv"), "File beside the sheet, columns H and M.")
    error: float = key(
        Number(1e-5, 0.5, 0.01),
        "Standard error of a point as a share of the largest M, where the file has no errors.",
        0.01,
    )
    demagnetising_factor: float = key(
        Number(0.0, 1.0, 0.333), "N of the sample: H inside is that applied less N M.", 0.0
    )


@dataclass(frozen=True, kw_only=True)
class SpectrumTable:
    """A spectrum of the susceptibility in a CSV file."""

    file: str = key(
        FileName(1000, "spectrum.csv"),
        "File beside the sheet, columns frequency, chi_real and chi_loss.",
    )
    error: float = key(
        Number(1e-5, 0.5, 0.02),
        "Standard error of a point as a share of the largest chi_real, without errors in the file.",
        0.02,
    )


@dataclass(frozen=True, kw_only=True)
class CoreTable:
    """The magnetic cores."""

    material: str = key(
        Choice((*MATERIALS, "custom")),
        "Material, which stands in for what is left out; custom needs magnetisation and density.",
        "magnetite",
    )
    magnetisation: Value | None = key(
        Measured(("magnetisation", SPECIFIC), 1e3, 2.5e6, "446 kA/m", 0.0),
        "Saturation magnetisation of the material; exact unless an error is given.",
        None,
    )
    density: Value | None = key(
        Measured(_DENSITY, 500.0, 25e3, "5180 kg/m^3", 0.0), "Mass density of the material.", None
    )
    anisotropy: float | None = key(
        Quantity("energy_density", 0.0, 1e7, "11 kJ/m^3"), "Anisotropy, for the spectrum.", None
    )
    attempt_time: float | None = key(
        Quantity("time", 1e-13, 1e-6, "1 ns"), "Attempt time, for the spectrum.", None
    )
    core_diameter: Value | None = key(
        Measured(("length",), 2e-9, 100e-9, "15 nm +- 2 nm", 0.15),
        "Stated median size by number, dead layer included, as microscopes see it.",
        None,
    )
    size_spread: Value | None = key(
        Measured(("number",), 0.01, 0.6, "0.2 +- 0.05", 0.25),
        "Stated standard deviation of ln(core diameter).",
        None,
    )
    dead_layer: Value | None = key(
        Measured(("length",), 0.0, 5e-9, "0.7 nm +- 0.2 nm", 0.3), "Stated dead layer.", None
    )


@dataclass(frozen=True, kw_only=True)
class ShellTable:
    """The surfactant around each core."""

    thickness: Value | None = key(
        Measured(("length",), 0.0, 50e-9, "2 nm +- 0.5 nm", 0.25), "Stated thickness.", None
    )
    density: float = key(
        Quantity("density", 100.0, 25e3, "900 kg/m^3"), "Mass density of the shell.", "900 kg/m^3"
    )


@dataclass(frozen=True, kw_only=True)
class LiquidTable:
    """The carrier liquid alone."""

    viscosity: Value = key(
        Measured(("viscosity",), 1e-5, 1e3, "1.5 cP", 0.0),
        "Viscosity; exact unless an error is given.",
        "1.5 mPa s",
        inside=REQUIRED,
    )
    density: Value = key(
        Measured(_DENSITY, 100.0, 5000.0, "800 kg/m^3", 0.0),
        "Mass density; exact unless an error is given.",
        "800 kg/m^3",
        inside=REQUIRED,
    )


SHEET_TABLES: dict[str, type] = {
    "fluid": FluidTable,
    "curve": CurveTable,
    "spectrum": SpectrumTable,
    "core": CoreTable,
    "surfactant": ShellTable,
    "carrier": LiquidTable,
}
"""The tables of a sheet, by name."""

FILES = ("curve", "spectrum")
"""Those that are there only where the sheet has them."""
