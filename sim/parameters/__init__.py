"""The parameters of one run, as read from a parameter file.

`load` and `from_text` give a frozen `Parameters` in SI or raise a `ParameterError` that lists every
mistake of the file.
"""

from __future__ import annotations

from sim.parameters.load import from_text, json_schema, load
from sim.parameters.particle_types import ParticleParameters
from sim.parameters.toml import ParameterError
from sim.parameters.types import (
    BondParameters,
    CarrierParameters,
    CellParameters,
    DipoleParameters,
    ElectrostaticParameters,
    FieldParameters,
    FieldStep,
    FilmParameters,
    GravityParameters,
    MotionParameters,
    OpticsParameters,
    OutputParameters,
    Parameters,
    RepulsionParameters,
    RunParameters,
    StartParameters,
    VanDerWaalsParameters,
    WindowParameters,
)

__all__ = [
    "BondParameters",
    "CarrierParameters",
    "CellParameters",
    "DipoleParameters",
    "ElectrostaticParameters",
    "FieldParameters",
    "FieldStep",
    "FilmParameters",
    "GravityParameters",
    "MotionParameters",
    "OpticsParameters",
    "OutputParameters",
    "ParameterError",
    "Parameters",
    "ParticleParameters",
    "RepulsionParameters",
    "RunParameters",
    "StartParameters",
    "VanDerWaalsParameters",
    "WindowParameters",
    "from_text",
    "json_schema",
    "load",
]
