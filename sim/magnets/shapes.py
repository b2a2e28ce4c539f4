"""Magnets and coils beside the film: their field and its gradient.

The closed forms are magpylib's, see `sim.magnets.library`. Gradients are central differences of
fourth order, with a step that shrinks with the distance from the nearest surface.
"""

from __future__ import annotations

import dataclasses
import math
from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from analysis.common.arrays import Floats, Vector
from sim.magnets.library import MagnetError, Piece, summed
from sim.magnets.motion import Motion
from sim.physics.field_gradients import differences

__all__ = [
    "MOST_MAGNETS",
    "Block",
    "CurrentLoop",
    "Disc",
    "Magnet",
    "MagnetError",
    "Ring",
    "SoftIronSphere",
    "Sphere",
    "UniformField",
    "field_and_gradient",
    "total_field",
    "with_induced",
]

_STEP = 0.005
"""Step of the differences over the distance from the surface; leaves an error of about 2e-8."""

MOST_MAGNETS = 1000
"""Most single magnets of a file, whose map takes minutes."""


@dataclass(frozen=True)
class Magnet(ABC):
    """A source of field outside the film.

    Attributes
    ----------
    position : tuple of float
        Centre (x, y, z) in m; z = 0 is the mid-plane of the film.
    rotation : tuple of float
        By which the magnet and its magnetisation are turned about the centre: the axis, as long as
        the angle in rad.
    kind : str
        The same word as in parameter files.
    motion : Motion or None
        How it moves in time; position and rotation are those at the start.
    """

    position: Vector = (0.0, 0.0, 0.0)
    rotation: Vector = (0.0, 0.0, 0.0)
    kind: str = dataclasses.field(default="magnet", init=False)
    motion: Motion | None = dataclasses.field(default=None, kw_only=True)

    @abstractmethod
    def field(self, points: Floats) -> Floats:
        """Give the field at points (n, 3) in m as (n, 3) in T."""

    def gradient(self, points: Floats) -> Floats:
        """Give dB_a/dx_b (n, 3, 3) in T/m at points (n, 3) in m."""
        return differences(self.field, points, _STEP * self.clearance(points))

    def clearance(self, points: Floats) -> Floats:
        """Give the distance (n,) in m of points (n, 3) from the surface; negative inside."""
        seen = points - np.asarray(self.position)
        return self._own_clearance(seen @ self.matrix if any(self.rotation) else seen)

    @cached_property
    def matrix(self) -> Floats:
        """The matrix (3, 3) by which the magnet is turned."""
        from scipy.spatial.transform import Rotation

        return np.asarray(Rotation.from_rotvec(self.rotation).as_matrix())

    @abstractmethod
    def _own_clearance(self, points: Floats) -> Floats:
        """Give the distance of points from the surface of the magnet at rest at the origin."""


@dataclass(frozen=True)
class _FromLibrary(Magnet):
    """A source whose field is a sum of magpylib's."""

    def field(self, points: Floats) -> Floats:
        """Give the field at points (n, 3) in m as (n, 3) in T."""
        return summed(self.pieces())(points)

    @abstractmethod
    def pieces(self) -> list[Piece]:
        """Give the closed forms that make it up."""

    def _piece(self, form: str, size: tuple[float, ...], strength: tuple[float, ...]) -> Piece:
        return Piece(form, self.position, self.matrix, size, strength)


@dataclass(frozen=True)
class _Permanent(_FromLibrary):
    """A uniformly magnetised body; ``polarisation`` is the remanence (T) times its direction."""

    polarisation: Vector = (0.0, 0.0, 1.0)


@dataclass(frozen=True)
class Sphere(_Permanent):
    """A magnetised sphere; diameter in m."""

    kind: str = dataclasses.field(default="sphere", init=False)
    diameter: float = 1e-2

    def pieces(self) -> list[Piece]:
        """Give one sphere."""
        return [self._piece("sphere", (self.diameter,), self.polarisation)]

    def _own_clearance(self, points: Floats) -> Floats:
        return _from_sphere(points, self.diameter)


@dataclass(frozen=True)
class Block(_Permanent):
    """A magnetised block; sides (x, y, z) in m before it is turned."""

    kind: str = dataclasses.field(default="block", init=False)
    sides: Vector = (1e-2, 1e-2, 1e-2)

    def pieces(self) -> list[Piece]:
        """Give one block."""
        return [self._piece("block", self.sides, self.polarisation)]

    def _own_clearance(self, points: Floats) -> Floats:
        return _beyond(np.abs(points) - 0.5 * np.asarray(self.sides))


@dataclass(frozen=True)
class Disc(_Permanent):
    """A magnetised disc or rod; diameter and height in m, its axis along z before it is turned."""

    kind: str = dataclasses.field(default="disc", init=False)
    diameter: float = 1e-2
    height: float = 5e-3

    def pieces(self) -> list[Piece]:
        """Give one cylinder."""
        return [self._piece("cylinder", (self.diameter, self.height), self.polarisation)]

    def _own_clearance(self, points: Floats) -> Floats:
        radial = np.hypot(points[:, 0], points[:, 1]) - 0.5 * self.diameter
        return _beyond(np.stack([radial, np.abs(points[:, 2]) - 0.5 * self.height], axis=1))


@dataclass(frozen=True)
class Ring(_Permanent):
    """A disc with a round hole; diameters and height in m, its axis along z before it is turned."""

    kind: str = dataclasses.field(default="ring", init=False)
    diameter: float = 1e-2
    inner_diameter: float = 5e-3
    height: float = 5e-3

    def pieces(self) -> list[Piece]:
        """Give a cylinder, and one magnetised against it in place of the hole."""
        x, y, z = self.polarisation
        return [
            self._piece("cylinder", (self.diameter, self.height), self.polarisation),
            self._piece("cylinder", (self.inner_diameter, self.height), (-x, -y, -z)),
        ]

    def _own_clearance(self, points: Floats) -> Floats:
        radius = np.hypot(points[:, 0], points[:, 1])
        radial = np.maximum(radius - 0.5 * self.diameter, 0.5 * self.inner_diameter - radius)
        return _beyond(np.stack([radial, np.abs(points[:, 2]) - 0.5 * self.height], axis=1))


@dataclass(frozen=True)
class CurrentLoop(_FromLibrary):
    """A thin circular coil, axis z before it is turned; diameter in m, current times turns in A."""

    kind: str = dataclasses.field(default="loop", init=False)
    diameter: float = 1e-2
    current: float = 1.0

    def pieces(self) -> list[Piece]:
        """Give one loop."""
        return [self._piece("loop", (self.diameter,), (self.current,))]

    def _own_clearance(self, points: Floats) -> Floats:
        return np.hypot(np.hypot(points[:, 0], points[:, 1]) - 0.5 * self.diameter, points[:, 2])


@dataclass(frozen=True)
class UniformField(Magnet):
    """A uniform field in T, as in the middle of a pair of coils; it has no place."""

    kind: str = dataclasses.field(default="uniform", init=False)
    strength: Vector = (0.0, 0.0, 0.0)

    def field(self, points: Floats) -> Floats:
        """Give the field at points (n, 3) in m as (n, 3) in T."""
        turned: Floats = self.matrix @ np.asarray(self.strength)
        return np.broadcast_to(turned, points.shape).copy()

    def gradient(self, points: Floats) -> Floats:
        """Give no gradient (n, 3, 3)."""
        return np.zeros((len(points), 3, 3))

    def _own_clearance(self, points: Floats) -> Floats:
        return np.full(len(points), math.inf)


@dataclass(frozen=True)
class SoftIronSphere(Magnet):
    """An unmagnetised sphere of soft iron, magnetised by the field of the others at its centre.

    In a uniform field B it has the polarisation 3 B (mu - 1)/(mu + 2) (Jackson, Classical
    Electrodynamics, section 5.11; from memory), at most its saturation. Taking the field at the
    centre for that over the whole sphere is good where it varies little over the diameter.

    Attributes
    ----------
    diameter : float
        Diameter in m.
    permeability : float
        Relative permeability mu.
    saturation : float
        Largest polarisation in T.
    """

    kind: str = dataclasses.field(default="soft_iron_sphere", init=False)
    diameter: float = 1e-2
    permeability: float = 1000.0
    saturation: float = 2.1

    def field(self, points: Floats) -> Floats:
        """Give no field: by itself it is not magnetised."""
        return np.zeros(points.shape)

    def _own_clearance(self, points: Floats) -> Floats:
        return _from_sphere(points, self.diameter)

    def induced(self, field: Floats) -> Floats:
        """Give the polarisation in T in fields (..., 3) in T at its centre."""
        found = 3.0 * (self.permeability - 1.0) / (self.permeability + 2.0) * field
        size = np.linalg.norm(found, axis=-1, keepdims=True)
        return np.asarray(found * (self.saturation / np.maximum(size, self.saturation)))

    def magnetised(self, field: Floats) -> Sphere:
        """Give the sphere as a field (3,) in T at its centre magnetises it."""
        x, y, z = (float(part) for part in self.induced(field))
        return Sphere(self.position, polarisation=(x, y, z), diameter=self.diameter)


def field_and_gradient(magnets: Sequence[Magnet], points: Floats) -> tuple[Floats, Floats]:
    """Give the field of magnets and coils and its full gradient.

    Parameters
    ----------
    magnets : sequence of Magnet
        The sources, whose fields add.
    points : ndarray, shape (n, 3)
        Places (x, y, z) in m.

    Returns
    -------
    field : ndarray, shape (n, 3)
        In T.
    gradient : ndarray, shape (n, 3, 3)
        ``gradient[i, a, b]`` = dB_a/dx_b in T/m, good to about 1e-7 of the largest.

    Raises
    ------
    MagnetError
        If a place lies inside a magnet or on its surface, or magpylib is not installed.
    """
    points = np.asarray(points, dtype=np.float64).reshape(-1, 3)
    bodies = with_induced(magnets)
    nearest = np.full(len(points), math.inf)
    for body in bodies:
        clearance = body.clearance(points)
        if np.any(clearance <= 0.0):
            x, y, z = 1e3 * points[int(np.argmin(clearance))]
            raise MagnetError(
                f"field must be asked for outside the magnets; ({x:.6g}, {y:.6g}, {z:.6g}) mm lies "
                f"inside a {body.kind} or on its surface."
            )
        nearest = np.minimum(nearest, clearance)
    library, others = _sorted_out(bodies)
    field_of = summed(library)
    gradient = sum((body.gradient(points) for body in others), np.zeros((len(points), 3, 3)))
    if library:
        gradient = gradient + differences(field_of, points, _STEP * nearest)
    field = sum((body.field(points) for body in others), field_of(points))
    return np.asarray(field), gradient


def total_field(magnets: Sequence[Magnet], points: Floats) -> Floats:
    """Give the field (n, 3) in T of magnets and coils at places (n, 3) in m.

    Soft iron counts as it is given, see `with_induced`, and places inside a magnet are not refused.
    """
    library, others = _sorted_out(magnets)
    found = sum((magnet.field(points) for magnet in others), np.zeros(points.shape))
    return np.asarray(found + summed(library)(points))


def _sorted_out(magnets: Sequence[Magnet]) -> tuple[list[Piece], list[Magnet]]:
    """Part the closed forms of the library from the other sources."""
    library = [
        piece for magnet in magnets if isinstance(magnet, _FromLibrary) for piece in magnet.pieces()
    ]
    return library, [magnet for magnet in magnets if not isinstance(magnet, _FromLibrary)]


def with_induced(magnets: Sequence[Magnet]) -> list[Magnet]:
    """Replace soft-iron spheres by the magnetised ones that they become beside the others.

    The spheres magnetise one another too: their polarisations are iterated to 1e-10.
    """
    steady = [magnet for magnet in magnets if not isinstance(magnet, SoftIronSphere)]
    iron = [magnet for magnet in magnets if isinstance(magnet, SoftIronSphere)]
    if not iron:
        return steady
    centres = np.array([sphere.position for sphere in iron])
    applied = total_field(steady, centres)
    found = [sphere.magnetised(field) for sphere, field in zip(iron, applied, strict=True)]
    for _ in range(200 if len(iron) > 1 else 0):
        before = np.array([sphere.polarisation for sphere in found])
        total = applied.copy()
        for index, source in enumerate(found):
            others = np.arange(len(iron)) != index
            total[others] += source.field(centres[others])
        found = [sphere.magnetised(field) for sphere, field in zip(iron, total, strict=True)]
        change = np.array([sphere.polarisation for sphere in found]) - before
        if np.abs(change).max() <= 1e-10 * max(np.abs(before).max(), 1e-30):
            break
    return [*steady, *found]


def _from_sphere(points: Floats, diameter: float) -> Floats:
    """Give the distance (n,) of places from a sphere about the origin; negative inside."""
    distance: Floats = np.linalg.norm(points, axis=1)
    return distance - 0.5 * diameter


def _beyond(over: Floats) -> Floats:
    """Give the distance (n,) of places from a convex body, by how far (n, k) they pass sides."""
    beyond = np.maximum(over, 0.0)
    outside = np.sqrt(np.einsum("ij,ij->i", beyond, beyond))
    return np.asarray(np.where(outside > 0.0, outside, over.max(axis=1)))
