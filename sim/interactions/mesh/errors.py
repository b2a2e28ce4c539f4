"""How wrong a mesh is: errors of field and force of uncorrelated dipoles, without units.

In units of the cloud's wave number kappa = c/radius, the error depends only on the cloud's shape
c, the window's width in grid points, the window's shape and the grid spacing times kappa. The
table here holds it for all plans that `mesh_plan` chooses among.

Method: a plane wave q of the density is seen by the grid as each of its aliases, and the gathered
field contains all aliases of each grid wave; the mean square of the wrong parts over all
positions, and over all directions of the moments, is an integral over the grid's wave numbers
(R. W. Hockney and J. W. Eastwood, Computer Simulation Using Particles (1988), section 8; for
dipoles J. J. Cerda, V. Ballenegger, O. Lenz and C. Holm, J. Chem. Phys. 129, 234104 (2008); both
from memory). All terms are positive, so that errors of 1e-12 are found without cancellation.
"""

import math
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.common.arrays import Floats
from sim.interactions.mesh.kaiser_bessel import CLOUD_ORDER, WINDOW_ORDER, bell_spectrum

WIDTHS = (4, 5, 6, 7, 8, 10, 12, 14, 16)
# Window shapes over their width, among which the best is taken.
WINDOW_SHAPES = (1.4, 1.7, 2.0, 2.3)
SPACINGS = (1.6, 1.8, 2.0, 2.2, 2.4, 2.6, 2.8, 3.0, 3.2)
CLOUD_SHAPES = tuple(float(c) for c in range(4, 41))

_ALIASES = 4
_NODES = 10


class ErrorTable(NamedTuple):
    """Errors by (width, spacing, cloud shape), for moments of one unit.

    Attributes
    ----------
    widths : int64 (A,)
        Grid points under a window.
    spacings : float64 (B,)
        Grid spacing times kappa.
    shapes : float64 (C,)
        c of the clouds.
    window_shape : float64 (A, B, C)
        Best shape of the window.
    field, force : float64 (A, B, C)
        RMS error over sqrt(density kappa^3) kappa^0 and sqrt(density kappa^5): of the field of
        uncorrelated dipoles, and of the force on one of them.
    own : float64 (A, B, C)
        Amplitude over kappa^3 of the false field of a dipole at itself, which swings with its
        place between grid points.
    """

    widths: NDArray[np.int64]
    spacings: Floats
    shapes: Floats
    window_shape: Floats
    field: Floats
    force: Floats
    own: Floats


def alias_sums(
    waves: Floats, spacing: float, width: int, shape: float
) -> tuple[dict[int, Floats], dict[int, Floats]]:
    """Sum q^n w(q)^2 over one axis: of the grid's own waves and of their aliases.

    Parameters
    ----------
    waves : float64 (K,)
        Wave numbers within the grid's first zone.
    spacing : float
        Grid spacing.
    width : int
        Grid points under a window.
    shape : float
        Shape of the window.

    Returns
    -------
    own, aliases : dict of float64 (K,)
        For n = 0, 2 and 4; w is the window's spectrum over that at wave number 0.
    """
    shifts = 2.0 * math.pi / spacing * np.arange(-_ALIASES, _ALIASES + 1)
    q = np.asarray(waves)[:, None] + shifts
    power = bell_spectrum(WINDOW_ORDER, shape, (q * spacing * width / 2.0) ** 2) ** 2
    own, aliases = {}, {}
    for n in (0, 2, 4):
        terms = power * q**n
        own[n] = terms[:, _ALIASES]
        aliases[n] = terms[:, :_ALIASES].sum(axis=1) + terms[:, _ALIASES + 1 :].sum(axis=1)
    return own, aliases


def _zone(spacing: float) -> tuple[Floats, Floats, Floats]:
    """Nodes along an axis, k^2 and weights/(2 pi)^3 of a quadrature over the first zone."""
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    edge = math.pi / spacing
    k, w = 0.5 * edge * (nodes + 1.0), 0.5 * edge * weights / math.pi
    squared = k[:, None, None] ** 2 + k[:, None] ** 2 + k**2
    return k, squared, w[:, None, None] * w[:, None] * w


def _alias_shares(spacing: float, width: int, shape: float) -> tuple[Floats, Floats, Floats]:
    """Alias sums of w^2 q^2 and w^2 q^4 over w^2 k^2 and w^2 k^4, and the swing of a dipole's own.

    Over the nodes of `_zone`.
    """
    k, squared, _ = _zone(spacing)
    own, aliases = alias_sums(k, spacing, width, shape)
    total = {n: own[n] + aliases[n] for n in own}
    x, y, z = np.ix_(range(_NODES), range(_NODES), range(_NODES))

    def shared(nx: int, ny: int, nz: int) -> Floats:
        first = aliases[nx][x] * total[ny][y] * total[nz][z]
        second = own[nx][x] * aliases[ny][y] * total[nz][z]
        return np.asarray(first + second + own[nx][x] * own[ny][y] * aliases[nz][z])

    two = shared(2, 0, 0) + shared(0, 2, 0) + shared(0, 0, 2)
    four = shared(4, 0, 0) + shared(0, 4, 0) + shared(0, 0, 4)
    four += 2.0 * (shared(2, 2, 0) + shared(2, 0, 2) + shared(0, 2, 2))
    base = own[0][x] * own[0][y] * own[0][z]
    period = 2.0 * math.pi / spacing
    half = spacing * width / 2.0
    window = bell_spectrum(WINDOW_ORDER, shape, (k * half) ** 2)
    swing = np.zeros(_NODES)
    for q in (k - period, k + period):
        swing += k * q / window * bell_spectrum(WINDOW_ORDER, shape, (q * half) ** 2)
    return two / (base * squared), four / (base * squared**2), swing[:, None, None] / squared


def _cut_off(spacing: float, shape: float) -> tuple[float, float]:
    """Mean squares of what the grid cannot carry: the cloud's spectrum beyond the zone."""
    edge = math.pi / spacing
    q = np.linspace(edge, 10.0 * edge, 2001)
    step = q[1] - q[0]
    # Share of the sphere of radius q outside the cube, between its faces and its edges exact.
    outside = np.where(q < math.sqrt(2.0) * edge, np.minimum(3.0 - 3.0 * edge / q, 1.0), 1.0)
    cloud = bell_spectrum(CLOUD_ORDER, shape, (q * shape) ** 2)
    weight = 4.0 * math.pi * q**2 * step / (2.0 * math.pi) ** 3 * outside * cloud**2
    scale = 16.0 * math.pi**2
    return scale / 3.0 * float(weight.sum()), scale / 9.0 * float((weight * q**2).sum())


@lru_cache(maxsize=1)
def error_table() -> ErrorTable:
    """Return the errors of all plans; computed once per process, in a fraction of a second.

    Returns
    -------
    ErrorTable
    """
    sizes = (len(WIDTHS), len(SPACINGS), len(CLOUD_SHAPES))
    table = {name: np.full(sizes, np.inf) for name in ("window_shape", "field", "force", "own")}
    scale = 16.0 * math.pi**2
    for b, spacing in enumerate(SPACINGS):
        _, squared, weight = _zone(spacing)
        waves = np.sqrt(squared)
        cloud = [bell_spectrum(CLOUD_ORDER, c, (waves * c) ** 2) for c in CLOUD_SHAPES]
        spectrum = np.array(cloud).reshape(sizes[2], -1)
        lost = np.array([_cut_off(spacing, c) for c in CLOUD_SHAPES])
        for a, width in enumerate(WIDTHS):
            for ratio in WINDOW_SHAPES:
                two, four, swing = _alias_shares(spacing, width, ratio * width)
                left = 1.0 / (1.0 + two) ** 2  # the best influence function over 1/w^2
                wrong = (two * (2.0 + two) * left) ** 2
                field = wrong + left**2 * (2.0 * two + two**2)
                force = wrong + left**2 * (two + four + two * four)
                power = spectrum**2
                e = np.sqrt(power @ (scale / 3.0 * weight * field).ravel() + lost[:, 0])
                f = np.sqrt(power @ (scale / 9.0 * weight * squared * force).ravel() + lost[:, 1])
                own = spectrum @ (8.0 * math.pi * weight * swing).ravel()
                better = e * f < table["field"][a, b] * table["force"][a, b]
                for name, values in (("field", e), ("force", f), ("own", np.abs(own))):
                    table[name][a, b] = np.where(better, values, table[name][a, b])
                best = table["window_shape"][a, b]
                table["window_shape"][a, b] = np.where(better, ratio * width, best)
    return ErrorTable(
        np.array(WIDTHS, np.int64), np.array(SPACINGS), np.array(CLOUD_SHAPES), **table
    )
