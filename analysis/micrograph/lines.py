"""Where the line of a spectrum lies, and how wide the stripes of a picture are.

The position is the centre of mass of the power about the peak. Under Hann's window that is exact
for a wave that lies anywhere between the modes: the sum of k |F_k|^2 over the modes of w(x)
exp(iqx) is q times that of |F_k|^2 for every window w that ends at zero. In the same way the window
adds a known amount to the variance of a line: (2 pi/L)^2/3 along each side.

The width is that of the mean stripe. The local phase of the pattern tells where in its period each
pixel lies; the mean brightness against the phase is the profile of a stripe, free of noise and of
slow changes of the spacing. Blur that is the same on both sides leaves the places of half height
where they are, as long as it is narrow against the stripe.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.common.arrays import Floats
from analysis.spacing.structure_factor import ModeGrid

OVERLAP = 1 + 2 * (4 / 9 + 1 / 36)
"""Hann's window correlates the power of neighbours by (2/3)^2 and of the next by (1/6)^2: along
each axis so many modes count as one."""

REACH_MODES = 3.0
"""Steps of the grid about the peak that count at least: the window leaves no light outside."""

REACH_WIDTHS = 2.5
"""Half widths about a broad peak that count."""

PHASES = 96
"""Bins of a period."""

LOCAL = 1.5
"""Standard deviation in spacings of the surroundings that tell the phase of a pixel."""

BLOCKS = 4
"""Blocks along a side, left out in turn for the error of the width."""


@dataclass(frozen=True)
class Centre:
    """Centre of a line in rad per unit length, its error, and its own root mean square width."""

    position: float
    error: float
    spread: float


def centre_of(
    power: Floats,
    noise: float,
    grid: ModeGrid,
    sides: Floats,
    across: Floats | None,
    peak: tuple[float, float, float],
) -> Centre | None:
    """Return the centre of the line about a peak.

    Parameters
    ----------
    power : (2n + 1, m + 1) array
        Spectrum under Hann's window.
    noise : float
        Its level without the pattern.
    grid, sides : ModeGrid, (2,) array
        Modes and picture.
    across : (2,) array or None
        Direction across the stripes; None: all directions count, against the wave number.
    peak : (position, half width, band)
        Where the line is, roughly, and the half width of the band of modes that counts, rad per
        unit length.

    Returns
    -------
    Centre or None
        None where no power stands above the noise. The error holds the speckle of a line that is
        broader than the window, and the noise.
    """
    position, half, band = peak
    qx, qy, use = grid.flat()
    if across is None:
        number, weight = np.hypot(qx, qy), 1 / np.maximum(np.hypot(qx, qy), 1e-300)
        step = 2 * math.pi / math.sqrt(float(sides[0] * sides[1]))
        own = (2 * math.pi) ** 2 / 3 * float((1 / sides**2).mean())
    else:
        # Modes of the other half plane are those of this one turned round.
        number, weight = np.abs(qx * across[0] + qy * across[1]), np.ones_like(qx)
        use = use & (np.abs(qx * across[1] - qy * across[0]) <= band)
        step = 2 * math.pi * float(np.hypot(*(across / sides)))
        own = (2 * math.pi) ** 2 / 3 * float(((across / sides) ** 2).sum())
    reach = min(max(REACH_MODES * step, REACH_WIDTHS * half), 0.35 * position)
    q, p, w = number[use], power[use] - noise, weight[use]
    for _ in range(12):
        near = np.abs(q - position) <= reach
        total = float((w[near] * p[near]).sum())
        if total <= 0:
            return None
        moved = float((w[near] * p[near] * q[near]).sum()) / total
        moved = min(max(moved, peak[0] / 1.3), peak[0] * 1.3)
        settled = abs(moved - position) < 1e-9 * position
        position = moved
        if settled:
            break
    near = np.abs(q - position) <= reach
    w, away = w[near] * p[near] / total, q[near] - position
    part = weight[use][near] / total
    spread = max(0.0, float((w * away**2).sum()) - own)
    # Power of a disordered pattern is exponentially distributed, so the mean of its square is twice
    # the square of its mean; what the window spreads is no disorder.
    second = spread + own
    speckle = 0.5 * OVERLAP**2 * float(((w * away) ** 2).sum()) * spread / second
    random = (2 * np.maximum(p[near], 0.0) * noise + noise**2) * (part * away) ** 2
    error = math.sqrt(speckle + float(random.sum()))
    return Centre(position, error, math.sqrt(spread))


def stripe_width(
    flat: Floats, pixel: float, across: Floats, position: float
) -> tuple[float, float]:
    """Return the full width at half height of the mean stripe, and its error, in m.

    Parameters
    ----------
    flat : (rows, columns) array
        Contrast of the picture.
    pixel : float
        Side of a pixel in m.
    across : (2,) array
        Unit vector across the stripes.
    position : float
        Wave number of the pattern, rad/m.

    Returns
    -------
    width, error : float
        Of the stripes or of the gaps, whichever are narrower; NaN where the profile has no half
        height. The error is that of the jackknife over blocks of the picture, with what blur may
        have added: that of a bar with edges as steep as the steepest of the profile.
    """
    from scipy.ndimage import gaussian_filter

    rows, columns = flat.shape
    along = (
        np.arange(rows)[:, None] * across[1] + np.arange(columns)[None, :] * across[0]
    ) * (position * pixel)  # fmt: skip
    wave = flat * np.exp(-1j * along)
    reach = LOCAL * 2 * math.pi / (position * pixel)
    local = gaussian_filter(wave.real, reach) + 1j * gaussian_filter(wave.imag, reach)
    phase = (along + np.angle(local)) / (2 * math.pi)
    bins = np.floor((phase % 1.0) * PHASES).astype(np.int64) % PHASES
    block = (np.arange(rows) * BLOCKS // rows)[:, None] * BLOCKS + (
        np.arange(columns) * BLOCKS // columns
    )[None, :]
    place = (block * PHASES + bins).ravel()
    size = BLOCKS * BLOCKS * PHASES
    total = np.bincount(place, flat.ravel(), size).reshape(-1, PHASES)
    many = np.bincount(place, minlength=size).reshape(-1, PHASES)
    whole, blur = _narrower(total.sum(axis=0), many.sum(axis=0))
    pairs = zip(total.sum(axis=0) - total, many.sum(axis=0) - many, strict=True)
    without = np.array([_narrower(*pair)[0] for pair in pairs])
    left = len(without)
    error = math.sqrt((left - 1) / left * float(((without - without.mean()) ** 2).sum()))
    spacing = 2 * math.pi / position
    return whole * spacing, math.hypot(error * spacing, blur * spacing, 0.05 * pixel)


def _narrower(total: Floats, many: NDArray[np.int64]) -> tuple[float, float]:
    """Return the width at half height of a periodic profile, and what blur may have added to it.

    In periods, of the narrower half. The edge of a bar of height h that is blurred by s has the
    slope h/(s sqrt(2 pi)); the bar of width w is then h erf(w/(s sqrt 8)) high, and half of that
    is met further out.
    """
    profile = total / np.maximum(many, 1)
    smooth = 0.25 * np.roll(profile, 1) + 0.5 * profile + 0.25 * np.roll(profile, -1)
    above = smooth - 0.5 * (float(smooth.max()) + float(smooth.min()))
    after = np.roll(above, -1)
    if not (above > 0).any() or (above > 0).all():
        return math.nan, math.nan
    # The share of the period above: of each step that crosses, the part on the upper side.
    high, low = np.maximum(above, after), np.minimum(above, after)
    part = np.clip(high / np.maximum(high - low, 1e-300), 0.0, 1.0)
    share = float(np.where(low > 0, 1.0, np.where(high <= 0, 0.0, part)).mean())
    width = min(share, 1 - share)
    height, slope = float(np.ptp(smooth)), float(np.max(high - low)) * PHASES
    blur = height / (slope * math.sqrt(2 * math.pi))
    lower = 1 - math.erf(width / (blur * math.sqrt(8)))
    return width, lower * height / slope
