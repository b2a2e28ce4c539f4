"""What the page of a bottle draws, computed from the fluids that fit."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from analysis.common.arrays import Floats
from analysis.fluid.bottle import Band, Bottle, CurveFit, Shown
from sim.fluid.findings import Findings
from sim.fluid.magnetisation import langevin_magnetisation
from sim.fluid.model import MAIN
from sim.fluid.tables import film_text
from sim.physics.sizes import LARGEST_DEVIATION

POINTS = 80
"""Points of a fitted curve."""
MOST_DRAWN = 200
"""Fluids behind a band."""


def bottle_of(findings: Findings, chosen: Floats, record: dict[str, Any]) -> Bottle:
    """Gather what is drawn.

    Parameters
    ----------
    findings : Findings
        What the sheet tells.
    chosen : float64 (members, unknowns)
        Coordinates of the fluids of the ensemble.
    record : dict
        Content of fluid.json.
    """
    model = findings.model
    likely, members = model.fluids(findings.places), model.fluids(chosen)
    unknowns = tuple(
        Shown(
            one.words, "m" if one.dimension == "length" else "", likely[one.name], members[one.name]
        )
        for one in model.unknowns
        if one.name in MAIN
    )
    real, loss = _spectrum(findings)
    return Bottle(
        content=record,
        unknowns=unknowns,
        curve=_curve(findings),
        real=real,
        loss=loss,
        by_number=_sizes(findings, 0),
        by_volume=_sizes(findings, 3),
        film=film_text(findings),
        ensemble="ensemble.toml",
    )


def _rows(findings: Findings) -> Floats:
    """Give the best fluid, then some of those that fit."""
    step = max(1, len(findings.places) // MOST_DRAWN)
    return np.concatenate([findings.best[None, :], findings.places[::step]])


def _band(x: Floats, values: Floats) -> Band:
    """Give the band of curves (fluids, points) of which the first is the best."""
    low, high = np.quantile(values[1:], [0.025, 0.975], axis=0)
    return Band(x, values[0], low, high)


def _curve(findings: Findings) -> CurveFit | None:
    model, measured = findings.model, findings.model.sheet.curve
    if measured is None:
        return None
    x = np.geomspace(measured.field[0], measured.field[-1], POINTS)
    cores = model.cores(model.fluids(findings.best[None, :]))
    alone = langevin_magnetisation(cores, x[None, :], model.sheet.temperature)[0][0]
    fit = _band(x, model.curve(_rows(findings), x))
    return CurveFit(measured.field, measured.magnetisation, measured.error, fit, alone)


def _spectrum(findings: Findings) -> tuple[CurveFit | None, CurveFit | None]:
    measured = findings.model.sheet.spectrum
    if measured is None:
        return None, None
    x = np.geomspace(measured.frequency[0], measured.frequency[-1], POINTS)
    found = findings.model.spectrum(_rows(findings), x)
    none = np.empty(0)
    return (
        CurveFit(measured.frequency, measured.real, measured.error, _band(x, found.real), none),
        CurveFit(measured.frequency, measured.loss, measured.error, _band(x, -found.imag), none),
    )


def _sizes(findings: Findings, power: int) -> Band:
    """Density of the core diameters, weighted by a power of them, over diameters in m."""
    fluids = findings.model.fluids(_rows(findings))
    median, spread = fluids["core_diameter"][:, None], fluids["size_spread"][:, None]
    largest = fluids["core_diameter"] * np.exp(LARGEST_DEVIATION * fluids["size_spread"])
    reach = float(np.quantile(largest, 0.8))
    smallest = fluids["core_diameter"] * np.exp(-LARGEST_DEVIATION * fluids["size_spread"])
    x = np.linspace(0.9 * float(np.quantile(smallest, 0.2)), 1.02 * reach, 2 * POINTS)
    deviation = np.log(x / median) / spread
    density = np.where(
        np.abs(deviation) <= LARGEST_DEVIATION,
        np.exp(-0.5 * deviation**2) / (spread * x * math.sqrt(2.0 * math.pi)),
        0.0,
    )
    weighted = density * x**power
    total = weighted.sum(axis=1, keepdims=True) * (x[1] - x[0])
    return _band(x, weighted / np.maximum(total, 1e-300))
