"""Birefringence of every frame, beside alignment and magnetisation."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from analysis.chains.time_series import TimeSeries
from analysis.files.curve import Curve
from analysis.measures.measure import Measurement
from analysis.optics.mixture import Mixture, squares_of

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class OpticalSeries(Curve):
    """Birefringence of every frame at each wavelength, and what it follows from; (frames,) each.

    ``wavelengths`` holds a dictionary a wavelength with ``wavelength_m`` and ``birefringence``.
    """

    NAME: ClassVar = "optical_series"
    time_s: Floats
    alignment: Floats
    magnetisation: Floats
    field_t: Floats
    wavelengths: list[dict[str, Any]]


def optical_series(
    measurement: Measurement, films: list[Mixture], wavelengths: tuple[float, ...], close: float
) -> OpticalSeries:
    """Return the birefringence of every frame.

    Parameters
    ----------
    measurement : Measurement
        What was measured.
    films : list of Mixture
        The film at each wavelength.
    wavelengths : tuple of float
        Vacuum wavelengths in m.
    close : float
        Cube of diameter over distance of bonded particles.

    Notes
    -----
    All chains of a frame count with the length that an average chained particle sits in, (L_w -
    s)/(1 - s) of the weight mean length and the share of single particles; the average of the run
    knows all lengths, and differs from this by a few per cent.
    """
    series = TimeSeries.among(measurement.curves)
    found = [
        {
            "wavelength_m": wavelength,
            "birefringence": np.array(
                [
                    _birefringence(film, *row, close)
                    for row in zip(
                        series.weight_mean_length,
                        series.singles_fraction,
                        series.alignment,
                        strict=True,
                    )
                ]
            ),
        }
        for film, wavelength in zip(films, wavelengths, strict=True)
    ]
    return OpticalSeries(
        series.time_s, series.alignment, series.magnetisation, series.field_t, found
    )


def _birefringence(film: Mixture, weight: float, singles: float, order: float, c: float) -> float:
    """Return the birefringence of one frame; 0 without chains, NaN where nothing is known."""
    if not math.isfinite(weight) or singles >= 1.0:
        return 0.0 if singles >= 1.0 else math.nan
    if not math.isfinite(order):
        return math.nan
    length = max(2.0, (weight - singles) / (1 - singles))
    low = math.floor(length)
    shares = [singles, (1 - singles) * (low + 1 - length), (1 - singles) * (length - low)]
    along, across, _ = film.chained_index([1, low, low + 1], shares, c, squares_of(order))
    return float((along - across).real)
