"""Effective permittivity of a frame from the coupled dipoles of its particles, no mixing law.

Each particle is a point dipole that is raised by the light and by the fields of all others, in the
periodic film. Fields are those at rest (no delay): local coupling is, as particles lie far closer
than a wavelength. What a mixing law says of the same particles can be held against it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

MOST_PAIRS = 100_000
"""Pairs of particles that are summed one by one; farther ones are spread evenly."""
LAYERS = 48
"""Layers of the film between which the field of far particles is told."""
ACCURACY = 1e-8
"""Residual of the dipoles, as a share of those without coupling."""


@dataclass(frozen=True)
class DipoleFilm:
    """The particles of one frame and the sums between them; lengths in units of ``unit``.

    Attributes
    ----------
    volumes : (N,) array
        Cubes of the radii.
    near : (3 N, 3 N) sparse array
        Field of dipoles within reach, laterally, by component and particle.
    layer : (N,) array
        Layer of the film that each particle is in.
    far : (LAYERS, LAYERS) array
        Field along x or y of a unit dipole along it, spread beyond the reach; along z it is -2.
    volume : float
        Of the film.
    """

    volumes: Floats
    near: Any
    layer: NDArray[np.int64]
    far: Floats
    volume: float

    @classmethod
    def of(
        cls,
        positions: Floats,
        diameters: Floats,
        sides: Floats,
        thickness: float,
        reach: float | None = None,
    ) -> DipoleFilm:
        """Sum up the fields of a frame.

        Parameters
        ----------
        positions : (N, 3) array
            Centres in m; x and y are periodic.
        diameters : (N,) array
            Diameters in m.
        sides : (2,) array
            Patch in m.
        thickness : float
            Thickness of the film in m.
        reach : float, optional
            Lateral distance in m up to which pairs are summed one by one; by default such that
            there are ``MOST_PAIRS`` of them.

        Notes
        -----
        Field of a dipole (3 n (n p) - p)/r^3 (Gaussian). A layer of parallel dipoles converges
        absolutely; beyond a cylinder of radius R, spread evenly with one per area A, at height z,
        it adds pi R^2/(A (R^2 + z^2)^(3/2)) along x and y and twice that, negative, along z (own
        integral).
        """
        unit = float(np.median(diameters))
        places, cell = positions / unit, np.asarray(sides, dtype=np.float64) / unit
        area, count = float(np.prod(cell)), len(places)
        radius = math.sqrt(MOST_PAIRS * area / (math.pi * count**2))
        radius = min(max(radius, 4.0), 200.0) if reach is None else reach / unit
        height = places[:, 2]
        edges = np.linspace(min(0.0, height.min()), max(thickness / unit, height.max()), LAYERS + 1)
        layer = np.clip(np.searchsorted(edges, height, side="right") - 1, 0, LAYERS - 1)
        middle = 0.5 * (edges[1:] + edges[:-1])
        apart = (middle[:, None] - middle[None, :]) ** 2
        far = math.pi * radius**2 / (area * (radius**2 + apart) ** 1.5)
        volumes = (0.5 * np.asarray(diameters) / unit) ** 3
        near = _near_fields(places, cell, radius)
        return cls(volumes, near, layer, far, area * thickness / unit)

    def permittivity(self, host: complex, particle: complex) -> Complexes:
        """Return the effective permittivity of the film, (3, 3).

        Parameters
        ----------
        host, particle : complex
            Permittivities of liquid and particles, which are uniform spheres.

        Raises
        ------
        ArithmeticError
            Where the dipoles do not settle.

        Notes
        -----
        In the film the field along x and y is that outside, and along z the displacement is; so P =
        chi E inside follows from the mean dipole and the field outside (textbook boundary
        conditions of a slab).
        """
        pull = complex((particle - host) / (particle + 2 * host))
        answer = np.asarray(self.volumes * pull, dtype=np.complex128)
        mean = np.stack([self._mean_dipole(answer, axis) for axis in range(3)], axis=1)
        inside = np.eye(3, dtype=np.complex128)
        inside[2] -= 4 * math.pi * mean[2]
        return np.asarray(host * (np.eye(3) + 4 * math.pi * mean @ np.linalg.inv(inside)))

    def _mean_dipole(self, answer: Complexes, axis: int) -> Complexes:
        """Return the dipole moment per volume, (3,), in a unit field along an axis."""
        from scipy.sparse.linalg import LinearOperator, gmres

        count = len(answer)
        raised = np.tile(answer, 3)
        drive = np.zeros(3 * count, dtype=np.complex128)
        drive[axis * count : (axis + 1) * count] = answer
        operator = LinearOperator(
            (3 * count, 3 * count),
            matvec=lambda dipoles: dipoles - raised * self._field(dipoles),
            dtype=np.complex128,
        )
        dipoles, failed = gmres(operator, drive, rtol=ACCURACY, restart=60, maxiter=20)
        if failed:
            raise ArithmeticError("the coupled dipoles did not settle")
        return np.asarray(dipoles.reshape(3, count).sum(axis=1) / self.volume)

    def _field(self, dipoles: Complexes) -> Complexes:
        """Return the field of all dipoles at each particle, by component and particle."""
        found = self.near @ dipoles
        count = len(self.volumes)
        for axis, weight in enumerate((1.0, 1.0, -2.0)):
            own = slice(axis * count, (axis + 1) * count)
            real, imaginary = (
                np.bincount(self.layer, part, LAYERS)
                for part in (dipoles[own].real, dipoles[own].imag)
            )
            found[own] += weight * (self.far @ (real + 1j * imaginary))[self.layer]
        return np.asarray(found)


def _near_fields(places: Floats, cell: Floats, radius: float) -> Any:
    """Return the field of each unit dipole at each particle, images within the radius included."""
    from scipy.sparse import block_array, coo_array
    from scipy.spatial import cKDTree

    # Laterally wrapped, then repeated as far as the radius reaches.
    flat = places[:, :2] % cell
    images = [math.ceil(radius / side) for side in cell]
    shifts = [
        np.array([a, b]) * cell
        for a in range(-images[0], images[0] + 1)
        for b in range(-images[1], images[1] + 1)
    ]
    points = np.concatenate([flat + shift for shift in shifts])
    source = np.tile(np.arange(len(flat)), len(shifts))
    kept = np.all((points > -radius) & (points < cell + radius), axis=1)
    points, source = points[kept], source[kept]
    pairs = cKDTree(flat).sparse_distance_matrix(cKDTree(points), radius, output_type="ndarray")
    at, image = pairs["i"], pairs["j"]
    lateral = flat[at] - points[image]
    apart = np.column_stack([lateral, places[at, 2] - places[source[image], 2]])
    square = np.einsum("ij,ij->i", apart, apart)
    own = square < 1e-18
    at, origin = at[~own], source[image][~own]
    apart, square = apart[~own], square[~own]

    def component(a: int, b: int) -> Any:
        field = (3 * apart[:, a] * apart[:, b] / square - (a == b)) / square**1.5
        return coo_array((field, (at, origin)), shape=(len(flat), len(flat)))

    tensor = {(a, b): component(a, b) for a in range(3) for b in range(a, 3)}
    return block_array(
        [[tensor[min(a, b), max(a, b)] for b in range(3)] for a in range(3)], format="csr"
    )
