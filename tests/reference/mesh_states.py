"""States of films for the mesh sum: dipoles that keep a distance of 1, drawn with a fixed seed."""

import numpy as np

DENSITY = 0.06 / np.pi * 3.0  # 3 % of spheres of diameter 1, per volume
FILMS = ("thin", "cubic", "thick")
STATES = ("random", "chained", "along", "across")
CHAIN = 8


def film(shape, count):
    """Sides and range of z of a film of so many dipoles: a thin one, a cube, h = 10 W."""
    if shape == "thin":
        thickness = 2.0
        side = (count / DENSITY / thickness) ** 0.5
    else:
        ratio = 1.0 if shape == "cubic" else 10.0
        side = (count / DENSITY / ratio) ** (1.0 / 3.0)
        thickness = ratio * side
    return (side, side), thickness


def _clear(placed, candidate, sides):
    """Whether rods of points keep a distance of 1 from all that are placed."""
    for point in candidate:
        gap = placed - point
        gap[:, :2] -= sides * np.rint(gap[:, :2] / sides)
        if ((gap**2).sum(axis=1) < 1.0).any():
            return False
    return True


def _placed(rods, length, sides, thickness, rng):
    """Put rods of points along x at random without overlap."""
    sides = np.array(sides)
    placed = np.full((rods * length, 3), np.inf)
    placed[:, 2] = 1.0e9
    placed[:, :2] = 0.0
    for k in range(rods):
        while True:
            start = rng.random(3) * [*sides, thickness]
            candidate = start + np.outer(np.arange(length), [1.0, 0.0, 0.0])
            if _clear(placed[: k * length], candidate, sides):
                placed[k * length : (k + 1) * length] = candidate
                break
    return placed


def state(kind, shape, count, seed=3, spread=0.0):
    """Positions, moments, sides and range of z of a film; `spread` is that of ln(moment)."""
    rng = np.random.default_rng(seed)
    sides, thickness = film(shape, count)
    length = CHAIN if kind == "chained" else 1
    positions = _placed(count // length, length, sides, thickness, rng)
    size = len(positions)
    if kind == "random":
        moments = rng.normal(size=(size, 3))
        moments /= np.linalg.norm(moments, axis=1)[:, None]
    elif kind == "chained":
        moments = np.outer(np.repeat(rng.choice([1.0, -1.0], size // length), length), [1, 0, 0])
    else:
        moments = np.tile([1.0, 0.0, 0.0] if kind == "along" else [0.0, 0.0, 1.0], (size, 1))
    moments *= np.exp(spread * rng.normal(size=size))[:, None]
    return positions, moments, sides, thickness


def rms(rows):
    """Root of the mean squared length of rows."""
    return float(np.sqrt((rows**2).sum(axis=1).mean()))


def nearest_distance(positions, sides):
    """Shortest distance between two dipoles or of one from its own image."""
    from scipy.spatial import cKDTree

    sides = np.asarray(sides, float)
    inside = positions.copy()
    inside[:, :2] %= sides
    inside[:, :2][inside[:, :2] >= sides] = 0.0
    if len(inside) == 1:
        return float(sides.min())
    # z is open: a period beyond the film keeps its ends apart.
    span = 2.0 * float(np.ptp(inside[:, 2])) + 2.0 * float(sides.max())
    inside[:, 2] -= inside[:, 2].min()
    tree = cKDTree(inside, boxsize=[*sides, span])
    return float(min(tree.query(inside, k=2)[0][:, 1].min(), sides.min()))


def relative_errors(result, reference, positions, moments, sides):
    """Relative RMS errors of field and force.

    The force is measured against the larger of the RMS force and the RMS of field times moment
    over the nearest distance.
    """
    strength = np.linalg.norm(moments, axis=1)[:, None]
    pull = rms(reference[0] * strength) / nearest_distance(positions, sides)
    scale = max(rms(reference[1]), pull)
    field = rms(result[0] - reference[0]) / rms(reference[0])
    return field, rms(result[1] - reference[1]) / scale
