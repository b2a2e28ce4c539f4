"""Light far behind the film, in the picture of a thin phase and absorption grating.

The film is a screen that changes phase and amplitude of a plane wave at normal incidence; what
leaves it is the Fourier transform of that screen (Fraunhofer). Limits: the film counts as thin
(no light scattered twice, no volume grating), polarisation is left out, reflections at the windows
too, and the particles answer as spheres in a Maxwell Garnett mixture. What is finer than the
wavelength in the liquid sends no light anywhere and is left out of the screen: there the film is
an effective medium.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.optics.budget import angular_spread, rest_of_light
from analysis.optics.indices import Optics
from analysis.optics.mixture import Mixture, filled_index
from analysis.optics.projection import grid_shape, particle_thickness, wave_vectors
from analysis.trajectory.run import Run

Floats = NDArray[np.float64]

MOST_FRAMES = 12
"""Frames whose intensities are averaged: neighbouring ones show the same speckle."""

LIMITS = (
    "thin phase and absorption grating at normal incidence, Fraunhofer; no multiple scattering, no "
    "volume grating, no polarisation, no reflections; the periodic patch gives orders where a wide "
    "film gives a continuum"
)


def diffracted(phase: NDArray[np.complex128]) -> Floats:
    """Return the share of the light that a periodic thin grating sends into each order.

    Parameters
    ----------
    phase : complex array
        Phase that the screen adds at each cell of one period, in rad; its imaginary part absorbs.

    Returns
    -------
    array
        |c|^2 of each order as ``numpy.fft.fft2`` orders them; they add up to the transmittance.

    Notes
    -----
    For phase = a sin(q x) the orders are the squares of the Bessel functions J_m(a); Goodman,
    Introduction to Fourier Optics, section 4.4 (from memory).
    """
    amplitude = np.fft.fft2(np.exp(1j * phase)) / phase.size
    return np.asarray(np.abs(amplitude) ** 2)


@dataclass(frozen=True)
class Orders:
    """Orders of the patch that an aperture collects.

    Attributes
    ----------
    sine_x, sine_y : (M,) arrays
        Direction in the outer medium; sines of the angles in the planes x-z and y-z.
    share, error : (M,) arrays
        Share of the incident light in the order, and its standard error: that of the average and
        ``mixing``, in squares; NaN where the former is not known.
    speckle : (M,) array
        Standard error of the average.
    mixing : (M,) array
        Share after the other law of mixing in beads, less ``share``; 0 of particles of one core.
    per_sr : (M,) array
        The same over the solid angle that belongs to one order, 1/sr; NaN for the direct beam.
    cells : tuple of float
        Distance of orders along sine_x and sine_y.
    """

    sine_x: Floats
    sine_y: Floats
    share: Floats
    error: Floats
    speckle: Floats
    mixing: Floats
    per_sr: Floats
    cells: tuple[float, float]

    @property
    def direct(self) -> NDArray[np.bool_]:
        """True for the direct beam."""
        return np.asarray((self.sine_x == 0) & (self.sine_y == 0))

    @property
    def polar(self) -> Floats:
        """Angle from the film normal in rad."""
        return np.arcsin(np.minimum(np.hypot(self.sine_x, self.sine_y), 1.0))


def collect(
    shares: list[Floats],
    sides: Floats,
    wavelength: float,
    outer_index: float,
    aperture: float,
    mixed: list[Floats] | None = None,
) -> Orders:
    """Return the orders within an aperture, averaged over frames.

    Parameters
    ----------
    shares : list of arrays
        ``diffracted`` of each frame.
    sides : (2,) array
        Patch in m.
    wavelength, outer_index, aperture : float
        Vacuum wavelength in m, index of the outer medium, numerical aperture.
    mixed : list of arrays, optional
        ``diffracted`` of each frame after the other law of mixing in beads.

    Returns
    -------
    Orders
        Means over the frames.

    Notes
    -----
    Scattered light of one structure is speckle: each order is exponentially distributed, so its
    standard deviation is its mean (Goodman, Speckle Phenomena in Optics, section 3.2, from
    memory). Frames of frozen chains show one speckle, so the error of an order is its own value,
    however many frames there are; that of the direct beam is the scatter between frames, which one
    frame does not show.
    """
    qx, qy = wave_vectors(shares[0].shape, sides)
    sine_x, sine_y = np.broadcast_arrays(
        qx * wavelength / (2 * math.pi * outer_index), qy * wavelength / (2 * math.pi * outer_index)
    )
    sine = np.hypot(sine_x, sine_y)
    inside = (sine < 1) & (sine <= aperture / outer_index * (1 + 1e-12))
    share = np.mean(shares, axis=0)[inside]
    cells = tuple(wavelength / (outer_index * side) for side in sides)
    cosine = np.sqrt(1 - sine[inside] ** 2)
    is_direct = sine[inside] == 0
    per_sr = np.where(is_direct, np.nan, share * cosine / (cells[0] * cells[1]))
    scatter = np.std([s[0, 0] for s in shares], ddof=1) if len(shares) > 1 else math.nan
    speckle = np.where(is_direct, scatter, share)
    mixing = np.mean(mixed, axis=0)[inside] - share if mixed else np.zeros(len(share))
    order = np.lexsort((sine_x[inside], sine_y[inside]))
    return Orders(
        sine_x[inside][order],
        sine_y[inside][order],
        share[order],
        np.hypot(speckle, mixing)[order],
        speckle[order],
        mixing[order],
        per_sr[order],
        (cells[0], cells[1]),
    )


def profile_across(orders: Orders, lateral: Floats | None) -> dict[str, Floats]:
    """Return scattered light against the angle across the chains, in bins of one order.

    Parameters
    ----------
    orders : Orders
        Collected light.
    lateral : (2,) array or None
        Unit vector of the plane across the chains: orders within half an order of it count.
        None: all directions.

    Returns
    -------
    dict
        ``angle_deg``, ``per_sr``, ``error`` (speckle of the orders in the bin and the distance to
        the other law of mixing), ``orders``.
    """
    keep = ~orders.direct
    x, y, light = (a[keep] for a in (orders.sine_x, orders.sine_y, orders.per_sr))
    other = orders.mixing[keep] * np.cos(orders.polar[keep]) / math.prod(orders.cells)
    cell = np.array(orders.cells)
    if lateral is None:
        sine, width = np.hypot(x, y), float(cell.max())
    else:
        sine = np.abs(x * lateral[0] + y * lateral[1])
        off = np.abs(x * lateral[1] - y * lateral[0])
        width = float(np.abs(lateral) @ cell)
        near = off <= 0.5 * float(np.abs(lateral[::-1]) @ cell) * (1 + 1e-9)
        sine, light, other = sine[near], light[near], other[near]
    bins = np.floor(sine / width + 0.5).astype(np.int64)
    many = np.bincount(bins)
    filled = many > 0
    modes = many[filled]
    mean = np.bincount(bins, light)[filled] / modes
    place = np.bincount(bins, sine)[filled] / modes
    square = np.bincount(bins, light**2)[filled] / modes
    mixing = np.bincount(bins, other)[filled] / modes
    # +q and -q carry the same light of a weak grating: half the orders are independent.
    free = np.maximum(modes / 2, 1)
    return {
        "angle_deg": np.degrees(np.arcsin(np.minimum(place, 1.0))),
        "per_sr": mean,
        "error": np.hypot(np.sqrt(np.maximum(square / 2, mean**2) / free), mixing),
        "orders": modes.astype(np.float64),
    }


def screen(
    thickness: Floats, sides: Floats, film: Mixture, wavelength: float
) -> NDArray[np.complex128]:
    """Return the phase that a film adds to light at each place of the patch, in rad.

    Parameters
    ----------
    thickness : array
        Path through particles in m, ``projection.particle_thickness``.
    sides : (2,) array
        Patch in m.
    film : Mixture
        Particles and liquid at this wavelength.
    wavelength : float
        Vacuum wavelength in m.

    Returns
    -------
    complex array
        Phase beyond that of the liquid; the imaginary part absorbs. Its mean is that of the film
        without structure.
    """
    qx, qy = wave_vectors(thickness.shape, sides)
    per_metre = 2 * math.pi / wavelength
    propagates = np.hypot(qx, qy) < per_metre * film.carrier.real**0.5
    smooth = np.fft.ifft2(np.fft.fft2(thickness) * propagates).real
    return np.asarray(per_metre * film.index_per_fraction() * smooth)


NO_CORES = "not known: the file holds no /particles/.../core_diameter"


def unknown(run: Run, optics: Optics) -> str | None:
    """Say why a film has no index, for which its cores are needed; None where it has one."""
    if optics.core_indices is None:
        return f"the index of the cores is {optics.core_source}"
    return f"the volume of the cores is {NO_CORES}" if run.core_diameters is None else None


def mixtures(run: Run, optics: Optics, grains: bool = False) -> list[Mixture] | None:
    """Return the film as a mixture for each wavelength; None where an index is not known.

    What lies under the shell is core throughout, or a bead of small cores in their matrix after
    Maxwell Garnett (``light.filled_index``); ``grains`` takes the law of Bruggeman in its place,
    in which cores touch each other as they come.
    """
    if optics.core_indices is None or run.core_diameters is None:
        return None
    inside = [
        filled_index(core, optics.matrix_index, optics.magnetic_share, grains=grains)
        for core in optics.core_indices
    ]
    whole = float((run.diameters_of(-1) ** 3).sum())
    fraction = math.pi / 6 * whole / (float(run.sides[0] * run.sides[1]) * run.thickness)
    share = float((run.held_of(run.core_diameters, -1) ** 3).sum()) / whole
    return [
        Mixture.of(optics.carrier_index, optics.shell_index, index, share, fraction)
        for index in inside
    ]


def averaged_frames(run: Run, times: tuple[float, float]) -> list[int]:
    """Return at most ``MOST_FRAMES`` frames, evenly from those between two times in s."""
    inside = np.flatnonzero((run.times >= times[0]) & (run.times <= times[1]))
    if len(inside) == 0:
        inside = np.array([run.frames - 1])
    chosen = np.linspace(0, len(inside) - 1, min(len(inside), MOST_FRAMES)).round().astype(int)
    return [int(frame) for frame in inside[chosen]]


def far_field(
    run: Run,
    optics: Optics,
    films: list[Mixture],
    frames: list[int],
    lateral: Floats | None,
    grains: list[Mixture] | None = None,
) -> list[dict[str, Any]]:
    """Return the far field of a run for each wavelength.

    Parameters
    ----------
    run : Run
        The trajectory.
    optics : Optics
        Wavelengths, outer medium, aperture.
    films : list of Mixture
        The film at each wavelength.
    frames : list of int
        Frames to average over.
    lateral : (2,) array or None
        Direction across the chains.
    grains : list of Mixture, optional
        The film after the other law of mixing in beads; the distance to it joins the errors.

    Returns
    -------
    list of dict
        ``wavelength_m``, ``orders`` (an ``Orders``), ``profile``, ``spread`` (``angular_spread``),
        and the shares of the incident light: ``direct``, ``scattered`` (collected, without the
        direct beam), those of ``rest_of_light``, each with its ``_error``, and ``transmitted``
        (all that is not absorbed), each a mean over the frames.
    """
    shape = grid_shape(run.sides, float(np.median(run.diameters)))
    shares: list[list[Floats]] = [[] for _ in films]
    mixed: list[list[Floats]] = [[] for _ in films]
    pairs = list(zip(films, grains or films, optics.wavelengths, strict=True))
    for frame in frames:
        thickness = particle_thickness(
            run.positions(frame), run.diameters_of(frame), run.sides, shape
        )
        for k, (film, other, wavelength) in enumerate(pairs):
            shares[k].append(diffracted(screen(thickness, run.sides, film, wavelength)))
            if other != film:
                mixed[k].append(diffracted(screen(thickness, run.sides, other, wavelength)))
    out = []
    for own, others, wavelength in zip(shares, mixed, optics.wavelengths, strict=True):
        orders = collect(
            own, run.sides, wavelength, optics.outer_index, optics.numerical_aperture, others
        )
        out.append(
            {
                "wavelength_m": wavelength,
                "orders": orders,
                "profile": profile_across(orders, lateral),
                "transmitted": float(np.mean([s.sum() for s in own])),
                **beam_and_rest(orders),
                **rest_of_light(
                    own,
                    others,
                    run.sides,
                    wavelength,
                    optics.outer_index,
                    optics.numerical_aperture,
                ),
                "spread": angular_spread(orders.sine_x, orders.sine_y, orders.share, lateral),
            }
        )
    return out


def beam_and_rest(orders: Orders) -> dict[str, float]:
    """Return the shares ``direct`` and ``scattered`` of the incident light, with errors.

    The speckle of orders adds up in squares, but for +q and -q, which carry the same light of a
    weak grating; what the other law of mixing changes adds up as it is.
    """
    direct, rest = orders.direct, ~orders.direct
    speckle = math.sqrt(2 * float((orders.speckle[rest] ** 2).sum()))
    return {
        "direct": float(orders.share[direct].sum()),
        "direct_error": float(orders.error[direct].sum()),
        "scattered": float(orders.share[rest].sum()),
        "scattered_error": math.hypot(speckle, float(orders.mixing[rest].sum())),
    }
