"""Spacing, width, direction and order of the stripes in a picture of a film.

The estimator is that of a simulated film: the power spectrum of the picture takes the place of the
projected structure factor, and the same profile across the chains and the same peak are used.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from analysis.common.arrays import Floats
from analysis.common.conventions import SPACINGS_WANTED
from analysis.micrograph.lines import Centre, centre_of, stripe_width
from analysis.micrograph.noise import noise_chance
from analysis.micrograph.picture import Picture
from analysis.quantities.micrograph import MICROGRAPH
from analysis.quantities.quantity import Quantity
from analysis.spacing.pattern import Stripes, half_width, stripes
from analysis.spacing.structure_factor import ModeGrid, Peak, find_peak, profile

MOST_MODES = 512
"""Modes along each half axis of the spectrum."""

BACKGROUND_DEGREE = 4
"""Degree of the polynomial in x and y that is taken for the light."""

SLOWEST = 3.5
"""Periods a picture that a spacing must have at least: slower changes may be the light's."""

"""Spacings that a picture should hold, as a simulated patch should."""

FINEST_PIXELS = 3.0
"""Pixels that a spacing must have at least."""

DIRECTED = 0.3
"""Order from which on the profile is taken across the stripes, not over all directions."""

SURROUNDINGS = 2.5
"""A peak is judged among the modes up to this many times its wave number."""

ANNULUS = 1.5
"""Modes within this factor of the peak tell the direction."""

OVERLAP = (1 + 2 * (4 / 9 + 1 / 36)) ** 0.5
"""Larger errors because the window mixes modes: Hann's correlates the power of neighbours by
(2/3)^2 and of the next by (1/6)^2."""

SMOOTHED = 1.27
"""The same correlation makes the maxima of a smoothed noisy curve higher: the root of
1 + 4 (4/9 + 1/36 / 4)/3, for the weights (1, 2, 1)/4."""

BAND_MODES = 4.0
"""Modes off the line across the stripes that count for the centre: all that the window lights."""

LEAST = 3e-5
"""Relative error of a spacing below which the light's polynomial is not known."""

COPIES = 60
"""Noisy copies of a profile from which the error of its width follows."""

STUDENT = 1.2
"""Student's factor for one standard error from four values."""

LIKELY_NOISE, PERHAPS_NOISE = 0.05, 0.02
"""Chance of a peak from noise alone, sharp or blurred: withheld, or warned about, above it."""


@dataclass(frozen=True)
class Micrograph:
    """What was measured in a picture: numbers for the JSON file, curves for the figure."""

    numbers: dict[str, Any]
    curves: dict[str, Any]


def measure_picture(picture: Picture) -> Micrograph:
    """Measure the stripes of a picture.

    Parameters
    ----------
    picture : Picture
        Brightness and scale.

    Returns
    -------
    Micrograph
        ``numbers`` has ``spacing_m``, ``spread_m``, ``width_m``, ``direction_deg`` and ``order``,
        each with value, error, unit and definition; value None with a reason in ``warnings``.
    """
    flat = evened(picture.brightness)
    spectrum = Spectrum.of(flat, picture.pixel)
    low = SLOWEST * 2 * math.pi / float(picture.sides.min())
    high = 2 * math.pi / (FINEST_PIXELS * picture.pixel)
    found = stripes(spectrum.above_noise(), spectrum.grid, low, high)
    peak, curve = _peak(spectrum, found, low, high)
    if peak is not None:
        found = _near(spectrum, peak.position)
        peak, curve = _peak(spectrum, found, low, high)
    warnings: list[str] = []
    if peak is None or peak.chance > LIKELY_NOISE:
        warnings.append("spacing_m: no peak of the spectrum stands out of the noise")
        values = {one.key: (math.nan, math.nan) for one in MICROGRAPH}
    else:
        if peak.chance > PERHAPS_NOISE:
            warnings.append(
                f"spacing_m: a weak peak; noise alone makes one as high in "
                f"{100 * peak.chance:.0f} of 100 cases"
            )
        found = _near(spectrum, peak.position)
        values = _values(flat, spectrum, found, curve, peak)
        held = float(picture.sides.min()) / values["spacing_m"][0]
        if held < SPACINGS_WANTED:
            warnings.append(
                f"spacing_m: the picture holds {held:.2g} spacings across its shorter side; "
                f"{SPACINGS_WANTED:.0f} are wanted"
            )
        if found.order < DIRECTED:
            warnings.append(
                "direction_deg: the pattern has hardly any direction; the spacing is an average "
                "over all directions"
            )
    numbers: dict[str, Any] = {
        "picture": picture.name,
        "pixels": list(picture.pixels),
        "averaged_pixels": picture.averaged,
        "pixel_m": picture.pixel,
        "size_m": [float(side) for side in picture.sides],
        **{one.key: _entry(one, *values[one.key]) for one in MICROGRAPH},
        "method": METHOD,
        "warnings": warnings,
    }
    curves = {"brightness": flat, "picture": picture, "spectrum": spectrum, "profile": curve}
    return Micrograph(numbers, curves)


METHOD = (
    f"light taken off by a polynomial of degree {BACKGROUND_DEGREE} in x and y, Hann window, power "
    "spectrum; profile and peak as for the projected structure factor of a simulated film, no peak "
    "where noise makes one, of a spectrum that is flat or falls by blur; the "
    "spacing from the centre of the power about the peak, its error from speckle and noise; that "
    "of the width from parts of the picture left out, of the spread from noisy copies of the "
    "profile, of direction and order from the four quarters of the picture"
)


def _entry(one: Quantity, value: float, error: float) -> dict[str, Any]:
    return {
        "value": value if math.isfinite(value) else None,
        "error": error if math.isfinite(error) else None,
        "unit": one.si_unit,
        "definition": one.definition,
    }


def evened(brightness: Floats) -> Floats:
    """Return a picture without uneven light: over a fitted polynomial, less one.

    Parameters
    ----------
    brightness : (rows, columns) array
        Any unit.

    Returns
    -------
    (rows, columns) array
        Contrast; the difference from the polynomial over the mean where the polynomial comes near
        zero and cannot be the light.
    """
    from numpy.polynomial import legendre

    rows, columns = brightness.shape
    y, x = (legendre.legvander(np.linspace(-1, 1, n), BACKGROUND_DEGREE) for n in (rows, columns))
    # On the grid the polynomials are nearly orthogonal, so one axis after the other is exact
    # least squares for all products of degrees.
    weights = np.linalg.lstsq(y, brightness, rcond=None)[0]
    weights = np.linalg.lstsq(x, weights.T, rcond=None)[0].T
    degree = np.add.outer(np.arange(BACKGROUND_DEGREE + 1), np.arange(BACKGROUND_DEGREE + 1))
    light = y @ np.where(degree <= BACKGROUND_DEGREE, weights, 0.0) @ x.T
    mean = float(brightness.mean())
    if mean > 0 and light.min() > 0.1 * mean:
        return np.asarray(brightness / light - 1)
    return np.asarray((brightness - light) / (abs(mean) or 1.0))


@dataclass(frozen=True)
class Spectrum:
    """Power spectrum of a picture on the half grid of its modes; 1 for white noise."""

    power: Floats
    grid: ModeGrid
    sides: Floats

    @classmethod
    def of(cls, flat: Floats, pixel: float) -> Spectrum:
        """Return the spectrum of a picture under Hann's window."""
        rows, columns = flat.shape
        window = np.outer(*(np.sin(np.pi * (np.arange(n) + 0.5) / n) ** 2 for n in flat.shape))
        away = flat - (flat * window).sum() / window.sum()
        scale = (window**2).sum() * max(float(flat.var()), 1e-300)
        whole = np.abs(np.fft.fft2(away * window)) ** 2 / scale
        most = [min(MOST_MODES, (n - 1) // 2) for n in (columns, rows)]
        sides = np.array([columns, rows]) * pixel
        x, y = np.arange(-most[0], most[0] + 1), np.arange(most[1] + 1)
        grid = ModeGrid(2 * math.pi / sides[0] * x, 2 * math.pi / sides[1] * y)
        return cls(whole[np.ix_(y, x)].T.copy(), grid, sides)

    def noise(self) -> float:
        """Return the power of the noise, which the finest tenth of the modes tells."""
        qx, qy, use = self.grid.flat()
        reach = np.maximum(np.abs(qx) / self.grid.qx[-1], np.abs(qy) / self.grid.qy[-1])
        fine = use & (reach > 0.9)
        # Power of noise is exponentially distributed: its mean is the median over ln 2.
        return float(np.median(self.power[fine])) / math.log(2)

    def above_noise(self) -> Floats:
        """Return the power less that of the noise."""
        return np.where(self.grid.flat()[2], self.power - self.noise(), 0.0)


def _near(spectrum: Spectrum, position: float) -> Stripes:
    """Direction of the pattern from the modes near a peak."""
    return stripes(spectrum.above_noise(), spectrum.grid, position / ANNULUS, position * ANNULUS)


def _profile(spectrum: Spectrum, found: Stripes) -> dict[str, Floats]:
    """Return the profile across a pattern, over all directions where it has none."""
    directed = found.order >= DIRECTED
    band = max(found.streak, 2 * 2 * math.pi / float(spectrum.sides.min()))
    q, s, error, flat = profile(
        spectrum.power, spectrum.grid, spectrum.sides, found.across if directed else None, band, 1.0
    )
    # Straight stripes put all power of a bin into one or two modes, which then count, not all.
    flat = np.maximum(flat, error / np.maximum(s, 1e-300)) * OVERLAP * SMOOTHED
    error = error * OVERLAP
    return {"q_per_m": q, "s": s, "error": error, "flat_error": flat}


def _peak(
    spectrum: Spectrum, found: Stripes, low: float, high: float
) -> tuple[Peak | None, dict[str, Floats]]:
    """Return the peak of the profile across a pattern, and the profile."""
    curve = _profile(spectrum, found)
    q, s, error, flat = (curve[key] for key in ("q_per_m", "s", "error", "flat_error"))
    first = find_peak(q, s, error, flat, low, high)
    if first is None:
        return None, curve
    # Whether noise makes such a peak is a question to its surroundings, not to finer details,
    # which blur and the sizes of things make weak.
    near = find_peak(q, s, error, flat, low, min(high, SURROUNDINGS * first.position)) or first
    falling = noise_chance(q, s, flat, (low, high), SURROUNDINGS)
    return replace(near, chance=max(near.chance, falling)), curve


def _values(
    flat: Floats, spectrum: Spectrum, found: Stripes, curve: dict[str, Floats], peak: Peak
) -> dict[str, tuple[float, float]]:
    """Return value and error of every number."""
    half, half_error = _half_width(curve, peak.position)
    line = _centre(spectrum, found, peak, half)
    spacing = 2 * math.pi / line.position
    pixel = float(spectrum.sides[0]) / flat.shape[1]
    rows, columns = (n // 2 for n in flat.shape)
    turns, orders = [], []
    for part in (flat[:rows], flat[-rows:]):
        for quarter in (part[:, :columns], part[:, -columns:]):
            seen = _near(Spectrum.of(quarter, pixel), line.position)
            turn = seen.direction_deg - found.direction_deg
            turns.append((turn + 90.0) % 180.0 - 90.0)
            orders.append(seen.order)
    # Within a small part of a mode the direction of a peak is a matter of the grid.
    least = math.degrees(0.05 * 2 * math.pi / (line.position * float(spectrum.sides.min())))
    return {
        "spacing_m": (spacing, spacing * max(line.error / line.position, LEAST)),
        "spread_m": (spacing * half / line.position, spacing * half_error / line.position),
        "width_m": stripe_width(flat, pixel, found.across, line.position),
        "direction_deg": (found.direction_deg, max(_scatter(turns), least)),
        "order": (found.order, max(_scatter(orders), 1e-3)),
    }


def _centre(spectrum: Spectrum, found: Stripes, peak: Peak, half: float) -> Centre:
    """Return the centre of the line about a peak, the peak itself where there is none."""
    band = max(2 * found.streak, BAND_MODES * 2 * math.pi / float(spectrum.sides.min()))
    across = found.across if found.order >= DIRECTED else None
    place = (peak.position, half, band)
    line = centre_of(spectrum.power, spectrum.noise(), spectrum.grid, spectrum.sides, across, place)
    return line or Centre(peak.position, peak.error, math.nan)


def _half_width(curve: dict[str, Floats], peak: float) -> tuple[float, float]:
    """Return the half width of a peak, and its scatter in noisy copies of the profile."""
    q, s, error = (curve[key] for key in ("q_per_m", "s", "error"))
    value = half_width(q, s, peak)
    shape = 1 / np.clip(error / np.maximum(s, 1e-300), 1e-6, 3.0) ** 2
    copies = s * np.random.default_rng(20_001).gamma(shape, 1 / shape, (COPIES, len(s)))
    low, high = np.nanquantile([half_width(q, copy, peak) for copy in copies], [0.159, 0.841])
    return value, max(0.5 * float(high - low), 0.25 * float(np.median(np.diff(q))))


def _scatter(values: list[float]) -> float:
    """Return the standard error of the mean of four quarters."""
    return STUDENT * float(np.std(values, ddof=1)) / math.sqrt(len(values))
