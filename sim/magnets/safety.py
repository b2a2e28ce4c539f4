"""What hands, implants and tools meet beside the magnets of a file: the cautions of the bench.

Orders of magnitude for a reader's care, no assessment: local codes and licensed practice decide.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import astuple, dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.common.arrays import Floats
from analysis.common.constants import MU0
from sim.magnets.poses import poses_to_mind
from sim.magnets.shapes import (
    Block,
    CurrentLoop,
    Disc,
    Magnet,
    Ring,
    Sphere,
    total_field,
    with_induced,
)
from sim.physics.units import format_quantity

if TYPE_CHECKING:
    from sim.parameters.types import Parameters

PUBLIC_LIMIT = 0.4
"""Static field in T for the public, any part of the body: ICNIRP, Health Physics 96, 504 (2009)."""
IMPLANT_LIMIT = 0.5e-3
"""Field in T that people with implants and ferromagnetic objects should not meet (the same)."""
HAND = 1e-3
"""How close to the surface of a magnet a hand counts as being, in m: about the skin."""
REMANENCE_PER_K = 0.0011
"""Share of its remanence that a neodymium magnet loses with each K, reversibly (from memory)."""
FERRITE_PER_K = 0.002
"""The same of hard ferrite (from memory)."""
STANDARD_GRAVITY = 9.80665

_DIRECTIONS = 150
_MOST_LOOKS = 24
_ANCHORS = 12
_RADII = 40
_FIRST_HALVINGS, _HALVINGS = 7, 22
"""Of the way between two radii: of all rays, and of those that may still reach farthest."""
_FARTHEST = 30.0
"""Distance in m up to which the field is followed."""


@dataclass(frozen=True)
class Surroundings:
    """The field around magnets.

    Attributes
    ----------
    at_hand : float
        Largest field in T at `HAND` from a surface.
    public_distance, implant_distance : float
        Largest distance in m from the surface of a magnet at which the field is still above
        `PUBLIC_LIMIT` and `IMPLANT_LIMIT`; 0 where it is nowhere.
    pull : float
        Attraction in N of the strongest magnet to thick steel, or another one, that it touches, at
        most about: B^2 A/(2 mu0) (Maxwell stress on a face of area A), with B the remanence.
    """

    at_hand: float
    public_distance: float
    implant_distance: float
    pull: float


def look_around(magnets: Sequence[Magnet]) -> Surroundings | None:
    """Measure the field around magnets and coils.

    Parameters
    ----------
    magnets : sequence of Magnet
        The sources.

    Returns
    -------
    Surroundings or None
        None where no source has a place, such as a uniform or a measured field.
    """
    origin = np.zeros((1, 3))
    bodies = [body for body in with_induced(magnets) if np.isfinite(body.clearance(origin)[0])]
    if not bodies:
        return None
    near = np.concatenate([_rays_to_hand(body, bodies) for body in _looked_at(bodies)])
    strength = _strength(bodies, near)
    at_hand = float(strength.max())
    middle = np.mean([body.position for body in bodies], axis=0)
    size = max(float(np.linalg.norm(near - middle, axis=1).max()), HAND)
    radii = np.geomspace(0.2 * size, _FARTHEST, _RADII)
    public, implant = _reaches(bodies, middle, radii, (PUBLIC_LIMIT, IMPLANT_LIMIT))
    return Surroundings(
        at_hand=at_hand,
        public_distance=public if at_hand > PUBLIC_LIMIT else 0.0,
        implant_distance=implant,
        pull=max(_pull(body) for body in bodies),
    )


def _directions(count: int) -> Floats:
    """Return unit vectors (count, 3) evenly over a sphere, both poles included (a spiral)."""
    z = np.linspace(-1.0, 1.0, count)
    turn = math.pi * (3.0 - math.sqrt(5.0)) * np.arange(count)
    level = np.sqrt(1.0 - z**2)
    return np.stack([level * np.cos(turn), level * np.sin(turn), z], axis=1)


def _clearance(bodies: Sequence[Magnet], points: Floats) -> Floats:
    """Distance (n,) of points in m from the nearest surface; negative inside."""
    nearest: Floats = np.min([body.clearance(points) for body in bodies], axis=0)
    return nearest


def _strength(bodies: Sequence[Magnet], points: Floats) -> Floats:
    """Return |B| (n,) in T at points outside the magnets."""
    return np.asarray(np.linalg.norm(total_field(bodies, points), axis=1))


def _looked_at(bodies: Sequence[Magnet]) -> list[Magnet]:
    """Choose the bodies beside which hands are thought of: all, or some of a large array."""
    count = min(len(bodies), _MOST_LOOKS)
    return [bodies[int(k)] for k in np.linspace(0, len(bodies) - 1, count).round()]


def _rays_to_hand(body: Magnet, bodies: Sequence[Magnet]) -> Floats:
    """Points `HAND` away from all surfaces on rays from inside one magnet.

    Beside the magnet itself, or beyond its neighbours where a hand finds no room between them. Some
    rays run along the axis of the magnet, where its poles are.
    """
    anchors = _anchors(body)
    bodies = _around(body, bodies)
    rays = np.concatenate([_directions(_DIRECTIONS // len(anchors)), _axes(body)])
    start = np.repeat(anchors, len(rays), axis=0)
    rays = np.tile(rays, (len(anchors), 1))
    found = _first_room([body], start, rays)
    narrow = _clearance(bodies, found) < HAND * (1.0 - 1e-3)
    found[narrow] = _first_room(bodies, start[narrow], rays[narrow])
    return found


def _first_room(bodies: Sequence[Magnet], start: Floats, rays: Floats) -> Floats:
    """Points on rays that are `HAND` away from some bodies, by halving."""
    farthest = 4.0 * max(_size(body) for body in bodies) + 2.0 * HAND
    low, high = np.zeros(len(rays)), np.full(len(rays), farthest)
    for _ in range(30):
        middle = 0.5 * (low + high)
        inside = _clearance(bodies, start + middle[:, None] * rays) < HAND
        low, high = np.where(inside, middle, low), np.where(inside, high, middle)
    return np.asarray(start + high[:, None] * rays)


def _around(body: Magnet, bodies: Sequence[Magnet]) -> list[Magnet]:
    """Choose the bodies whose surface a hand beside this one may touch."""
    centre = np.asarray(body.position)
    return [
        other
        for other in bodies
        if math.dist(centre, other.position) <= 5.0 * _size(body) + _size(other) + 3.0 * HAND
    ]


def _anchors(body: Magnet) -> Floats:
    """Return points inside a body: its centre, or several around its hole."""
    from scipy.spatial.transform import Rotation

    centre = np.asarray(body.position, dtype=np.float64)
    if not isinstance(body, Ring | CurrentLoop):
        return centre[None]
    inner = body.inner_diameter if isinstance(body, Ring) else body.diameter
    turn = np.linspace(0.0, 2.0 * math.pi, _ANCHORS, endpoint=False)
    circle = np.stack([np.cos(turn), np.sin(turn), np.zeros(_ANCHORS)], axis=1)
    radius = 0.25 * (body.diameter + inner)
    return np.asarray(centre + radius * Rotation.from_rotvec(body.rotation).apply(circle))


def _axes(body: Magnet) -> Floats:
    """Return the directions (2, 3) of the poles of a magnet, or of a coil's axis."""
    from scipy.spatial.transform import Rotation

    pole = np.asarray(getattr(body, "polarisation", (0.0, 0.0, 1.0)), dtype=np.float64)
    pole = Rotation.from_rotvec(body.rotation).apply(pole / max(float(np.linalg.norm(pole)), 1e-30))
    return np.stack([pole, -pole])


def _size(body: Magnet) -> float:
    """Return the largest extent of a body in m."""
    if isinstance(body, Block):
        return float(np.linalg.norm(body.sides))
    diameter = float(getattr(body, "diameter", 0.0))
    return math.hypot(diameter, float(getattr(body, "height", 0.0)))


def _reaches(
    bodies: Sequence[Magnet], middle: Floats, radii: Floats, limits: Sequence[float]
) -> list[float]:
    """Largest distances in m from a surface at which the field is above each of some limits."""
    rays = np.concatenate([_directions(_DIRECTIONS), *(_axes(body) for body in bodies[:4])])
    strength = _strength_outside(bodies, middle + radii[:, None, None] * rays)
    found = []
    for limit in limits:
        above = strength > limit
        seen = above.any(axis=0)
        if not seen.any():
            found.append(0.0)
            continue
        last = len(radii) - 1 - np.argmax(above[::-1, seen], axis=0)
        low, high = radii[last], radii[np.minimum(last + 1, len(radii) - 1)]
        far = rays[seen]
        for count in range(_HALVINGS):
            half = 0.5 * (low + high)
            strong = _strength_outside(bodies, middle + half[:, None] * far) > limit
            low, high = np.where(strong, half, low), np.where(strong, high, half)
            if count == _FIRST_HALVINGS:
                least, most = (_clearance(bodies, middle + r[:, None] * far) for r in (low, high))
                farthest = most >= least.max()
                low, high, far = low[farthest], high[farthest], far[farthest]
        found.append(float(_clearance(bodies, middle + high[:, None] * far).max()))
    return found


def _strength_outside(bodies: Sequence[Magnet], points: Floats) -> Floats:
    """Return |B| (...) in T at points (..., 3), infinite inside a magnet."""
    flat = points.reshape(-1, 3)
    outside = _clearance(bodies, flat) > 0.0
    strength = np.full(len(flat), np.inf)
    strength[outside] = _strength(bodies, flat[outside])
    return strength.reshape(points.shape[:-1])


def _pull(body: Magnet) -> float:
    """Attraction in N to what a magnet touches with its largest face, at most about."""
    remanence = float(np.linalg.norm(getattr(body, "polarisation", (0.0, 0.0, 0.0))))
    if isinstance(body, Block):
        a, b = sorted(body.sides)[1:]
        area = a * b
    elif isinstance(body, Ring):
        area = 0.25 * math.pi * (body.diameter**2 - body.inner_diameter**2)
    elif isinstance(body, Sphere | Disc):
        area = 0.25 * math.pi * body.diameter**2
    else:
        return 0.0
    return remanence**2 * area / (2.0 * MU0)


def magnet_cautions(parameters: Parameters) -> list[str]:
    """Say what hands, implants and tools meet beside the magnets of a file.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.

    Returns
    -------
    list of str
        Full sentences; none without magnets or coils that have a place.
    """
    looks = [look for pose in poses_to_mind(parameters.magnets) if (look := look_around(pose))]
    if not looks:
        return []
    # Of magnets that move the worst of their places.
    found = Surroundings(*(max(numbers) for numbers in zip(*map(astuple, looks), strict=True)))

    def shown(value: float, dimension: str) -> str:
        return format_quantity(_upwards(value), dimension)

    said = [
        f"Beside these magnets a hand meets up to {shown(found.at_hand, 'field')} "
        f"({shown(HAND, 'length')} from a surface; the public's limit is 400 mT, ICNIRP 2009"
        + (
            f", and it is passed up to {shown(found.public_distance, 'length')} away). "
            if found.public_distance > 0.0
            else "). "
        )
        + (
            f"Implants (below 0.5 mT, ICNIRP 2009) and cards with a magnetic strip must stay "
            f"{shown(found.implant_distance, 'length')} away from them."
            if found.implant_distance > 0.0
            else "Implants meet less than 0.5 mT (ICNIRP 2009) everywhere."
        )
    ]
    if found.pull > 0.0:
        weight = found.pull / STANDARD_GRAVITY
        said.append(
            f"Pinching: touching thick steel or another magnet, the strongest of them holds with "
            f"up to about {_round(found.pull)} N, the weight of {_round(weight)} kg "
            f"(B^2 A/(2 mu0) with the remanence), and it jumps the last centimetre: keep fingers "
            f"out of gaps, wear goggles as magnets shatter, and fix holders before magnets come "
            f"near. Heat: neodymium magnets lose about {100.0 * REMANENCE_PER_K:.2g} % of their "
            f"remanence a kelvin, and some of it for good from about 80 degC on, ferrite about "
            f"{100.0 * FERRITE_PER_K:.2g} % (from memory), so that beside a warm lamp the field "
            f"is weaker than told: give the remanence at the temperature of the magnet."
        )
    return said


def _upwards(value: float) -> float:
    """Round up to two digits: these are limits to stay beyond."""
    if value <= 0.0:
        return 0.0
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    return float(f"{math.ceil(value / step * (1.0 - 1e-6)) * step:.2g}")


def _round(value: float) -> str:
    """Write an order of magnitude."""
    return f"{float(f'{value:.1g}'):g}"
