"""Exact mobilities of two equal spheres, and how fast two that attract each other meet.

Along their line in closed series in two-sphere coordinates: alike M. Stimson and G. B. Jeffery,
Proc. R. Soc. A 111, 110 (1926); against each other H. Brenner, Chem. Eng. Sci. 16, 242 (1961),
whose free surface is the plane midway between them. (D. J. Jeffrey and Y. Onishi, J. Fluid Mech.
139, 261 (1984), come to the same.) Across it by point forces within the spheres whose flow is
fitted to that of rigid spheres free to turn. Distances in radii, mobilities in those of a lone
sphere.
"""

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.linalg import spsolve

TERMS = 4000


def along(distance):
    """Return the mobilities (both pushed alike, against each other) along the line."""
    alpha = np.arccosh(0.5 * distance)
    n = np.arange(1, max(8, min(TERMS, int(16.0 / alpha))) + 1)
    head = 4.0 / 3.0 * np.sinh(alpha) * n * (n + 1) / ((2 * n - 1) * (2 * n + 3))
    odd, steep = 2 * n + 1, np.sinh(alpha) ** 2
    twice = 2.0 * np.sinh(odd * alpha)
    beside = odd * np.sinh(2.0 * alpha)
    alike = 1.0 - (4.0 * np.sinh(0.5 * odd * alpha) ** 2 - odd**2 * steep) / (twice + beside)
    against = (4.0 * np.cosh(0.5 * odd * alpha) ** 2 + odd**2 * steep) / (twice - beside) - 1.0
    return 1.0 / np.sum(head * alike), 1.0 / np.sum(head * against)


def sphere_points(count):
    """Return points spread evenly over a unit sphere (a golden spiral)."""
    k = np.arange(count) + 0.5
    z = 1.0 - 2.0 * k / count
    turn = np.pi * (1.0 + np.sqrt(5.0)) * k
    return np.stack([np.sqrt(1.0 - z * z) * np.cos(turn), np.sqrt(1.0 - z * z) * np.sin(turn), z]).T


def across(distance, sources=96, depth=0.55):
    """Return the mobilities (both pushed alike, against each other) across the line, free to turn.

    Good to 1e-3 beyond 2.3 radii; along the line it gives what `along` has, as a check.
    """
    return fitted(distance, 0, sources, depth)


def fitted(distance, axis, sources=96, depth=0.55):
    """Return the same along x (axis 0, across the line) or z (axis 2, along it) by the fit."""
    inner, outer = depth * sphere_points(sources), sphere_points(2 * sources)
    half = np.array([0.0, 0.0, 0.5 * distance])
    found = []
    for mirror in (1.0, -1.0):  # the other sphere's forces are these times +1 or -1, mirrored
        flip = np.diag([1.0, 1.0, -1.0])
        if axis == 2:
            flip = -flip
        places = inner + half
        at = outer + half
        whole = flow_of(at, places) + mirror * np.einsum(
            "pqab,bc->pqac", flow_of(at, places * [1.0, 1.0, -1.0]), flip
        )
        matrix = whole.transpose(0, 2, 1, 3).reshape(3 * len(at), -1)
        # unknown: point forces, velocity and turning; force 1 along the axis, no torque
        turning = np.stack([np.cross(e, outer) for e in np.eye(3)], axis=2).reshape(-1, 3)
        moving = np.tile(np.eye(3), (len(at), 1))
        force = np.concatenate([np.tile(np.eye(3), (1, sources)), np.zeros((3, 6))], axis=1)
        torque = np.concatenate(
            [
                np.stack([np.cross(place, e) for place in inner for e in np.eye(3)], axis=1),
                np.zeros((3, 6)),
            ],
            axis=1,
        )
        heavy = 1e3
        rows = np.concatenate(
            [np.concatenate([matrix, -moving, -turning], axis=1), heavy * force, heavy * torque]
        )
        wanted = np.zeros(len(rows))
        wanted[len(matrix) + axis] = heavy
        unknown = np.linalg.lstsq(rows, wanted, rcond=1e-12)[0]
        found.append(6.0 * np.pi * unknown[3 * sources + axis])
    return tuple(found)


def rigid_row(count, axis, sources=48, depth=0.6):
    """Return the mobility times ``count`` of a stiff row of touching spheres along z, by the fit.

    Along the row (axis 2) and across it (axis 0). Good to 2e-3; more sources change less.
    """
    places = np.array([[0.0, 0.0, 2.0 * k - (count - 1)] for k in range(count)])
    inner = (places[:, None, :] + depth * sphere_points(sources)).reshape(-1, 3)
    outer = (places[:, None, :] + sphere_points(2 * sources)).reshape(-1, 3)
    matrix = flow_of(outer, inner).transpose(0, 2, 1, 3).reshape(3 * len(outer), -1)
    velocity = np.tile(np.eye(3)[axis], len(outer))
    force = np.linalg.lstsq(matrix, velocity, rcond=1e-10)[0].reshape(-1, 3)[:, axis].sum()
    return count * 6.0 * np.pi / force


def flow_of(at, places):
    """Return the flow (points, places, 3, 3) of point forces, viscosity 1."""
    away = at[:, None, :] - places
    r = np.linalg.norm(away, axis=2)[..., None, None]
    return (np.eye(3) / r + away[..., :, None] * away[..., None, :] / r**3) / (8.0 * np.pi)


def meeting_rate(coupling, along_line, across_line, contact=1.0, far=40.0, size=(120, 48)):
    """Return the rate at which dipoles that a strong field holds along z find each other.

    In that of two spheres that do nothing to each other and meet at ``contact``, 8 pi D contact.

    Parameters
    ----------
    coupling : float
        m^2/d^3 in kT.
    along_line, across_line : callable
        Relative mobility of the two against each other at distances in diameters, over that far
        apart.
    contact, far : float
        Where they have met; where they are as many as anywhere.
    size : (int, int)
        Cells by ln r and by angle.

    Notes
    -----
    The steady state of M. v. Smoluchowski, Z. phys. Chem. 92, 129 (1917), with a potential and
    mobilities as L. A. Spielman, J. Colloid Interface Sci. 33, 562 (1970), and E. P. Honig, G. J.
    Roebersen and P. H. Wiersema, J. Colloid Interface Sci. 36, 97 (1971), have it (from
    memory): div exp(-U) M grad (g exp(U)) = 0; here U depends on the angle, so that it is solved
    on cells.
    """
    rings, steps = size
    edges = np.log(contact) + np.log(far / contact) * np.arange(rings + 1) / rings
    r = np.exp(0.5 * (edges[1:] + edges[:-1]))
    sides = np.exp(edges)
    cosines = np.linspace(0.0, 1.0, steps + 1)  # one half: the other is its mirror image
    c = 0.5 * (cosines[1:] + cosines[:-1])

    def weight(distance, cosine):
        return np.exp(np.minimum(coupling * (3.0 * cosine**2 - 1.0) / distance**3, 60.0))

    number = np.arange(rings * steps).reshape(rings, steps)
    thick = np.log(far / contact) / rings
    width = 1.0 / steps
    # through rings: area r^2 dc, d/dr = d/(r dln r); through angles: area (1 - c^2) r dr/r^2 ...
    inward = (
        (sides[:, None] * along_line(sides)[:, None] * weight(sides[:, None], c)) * width / thick
    )
    turned = (
        r[:, None]
        * across_line(r)[:, None]
        * (1.0 - cosines[1:-1] ** 2)
        * weight(r[:, None], cosines[1:-1])
        * thick
        / width
    )
    entries = []

    def link(one, other, conductance):
        for i, j, sign in ((one, one, 1), (one, other, -1), (other, other, 1), (other, one, -1)):
            entries.append((i.ravel(), j.ravel(), sign * conductance.ravel()))

    link(number[:-1], number[1:], inward[1:-1])
    link(number[:, :-1], number[:, 1:], turned)
    ends = 2.0 * inward[0], 2.0 * inward[-1]  # half a cell to either end
    for ring, conductance in ((number[0], ends[0]), (number[-1], ends[1])):
        entries.append((ring, ring, conductance))
    i, j, value = (np.concatenate([entry[k] for entry in entries]) for k in range(3))
    matrix = coo_matrix((value, (i, j)), shape=(rings * steps,) * 2).tocsr()
    source = np.zeros(rings * steps)
    source[number[-1]] = ends[1]
    found = spsolve(matrix, source)
    return float(np.sum(ends[0] * found[number[0]])) / contact
