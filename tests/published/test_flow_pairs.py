"""What the flow of forces at centres alone leaves out: exact spheres beside it.

Two exact spheres: M. Stimson and G. B. Jeffery (1926), H. Brenner (1961), D. J. Jeffrey and Y.
Onishi, J. Fluid Mech. 139, 261 (1984), see ``tests/reference/two_spheres.py``. Suspensions at first
order in the volume fraction: G. K. Batchelor, J. Fluid Mech. 52, 245 (1972), falls at 1 - 6.55 phi,
and J. Fluid Mech. 74, 1 (1976), diffuses at 1 - 1.83 phi (both values from memory).
"""

import numpy as np
import pytest

from analysis.common.flow_factors import GROWTH
from sim.interactions.flow.free import FLUIDITY, rotne_prager
from sim.interactions.flow.plan import plan_flow
from sim.kernels.laws.hindrance import hindered
from tests.reference.flow import DenseFlow, slit_mobility
from tests.reference.two_spheres import across, along, fitted, meeting_rate, rigid_row


def test_exact_spheres_touch_and_keep_apart_as_known():
    alike, against = along(2.00001)
    assert alike == pytest.approx(1.550, abs=1e-3)  # Stimson and Jeffery 1926, from memory
    assert against == pytest.approx(2.0 * 0.00001, rel=0.01)  # lubrication: gap over radius, twice
    # the fit of point forces, which finds what is across, against the series
    assert fitted(2.8, 2) == pytest.approx(along(2.8), abs=2e-3)
    # far away: G. K. Batchelor 1976 (from memory)
    s = 4.0
    own, other = 1.0 - 17.0 / 16.0 / s**6, 0.75 / s + 0.5 / s**3
    assert across(s) == pytest.approx((own + other, own - other), abs=2e-4)


# Distances in diameters; how much too fast the program's pairs are, in a lone sphere's mobility:
# pushed alike and against each other, along the line and across it. Computed.
DIFFERENCES = [
    (1.25, 0.050, 0.103, 0.006, 0.007),
    (1.5, 0.031, 0.046, 0.002, 0.002),
    (2.0, 0.012, 0.015, 0.001, 0.001),
    (3.0, 0.003, 0.003, 0.0, 0.0),
]


@pytest.mark.parametrize("row", DIFFERENCES, ids=lambda row: f"{row[0]:g}")
def test_pairs_are_faster_than_exact_ones_by_what_is_said(row, tell):
    distance, *told = row
    a, b = (float(v[0]) for v in rotne_prager(np.array([distance]), 0.5))
    exact = *along(2.0 * distance), *across(2.0 * distance)
    found = 1.0 + a + b, 1.0 - a - b, 1.0 + a, 1.0 - a
    tell(
        "mobility of a pair along its line against each other, 2 diameters apart, of a lone one's",
        exact[1], found[1], source="Jeffrey and Onishi 1984", when=distance == 2.0,
    )  # fmt: skip
    assert np.array(found) - exact == pytest.approx(told, abs=2e-3)


@pytest.mark.parametrize(
    ("distance", "exact", "ours"), [(1.02, 0.065, 0.382), (1.05, 0.135, 0.394), (1.1, 0.216, 0.412)]
)
def test_lubrication_is_left_out_of_pairs_about_to_touch(distance, exact, ours, tell):
    """Against each other along their line, where layers of surfactant begin to touch."""
    found = float(relative(np.array([distance]), True)[0])
    slow = along(2.0 * distance)[1]
    tell(
        "mobility against each other, 1.05 diameters apart, of a lone one's", slow, found,
        source="Jeffrey and Onishi 1984; forces at centres know no lubrication",
        when=distance == 1.05,
    )  # fmt: skip
    assert (slow, found) == pytest.approx((exact, ours), abs=1e-3)


# Mobility of stiff rows times their number, along and across; the doublet's are 1/0.6451 and
# 1/0.7243 (Stimson and Jeffery 1926; Goldman, Cox and Brenner 1966; from memory).
@pytest.mark.parametrize(
    ("count", "exact", "faster"), [(2, (1.550, 1.381), (0.048, 0.042)), (3, None, (0.037, 0.034))]
)
def test_rows_are_faster_than_exact_ones_by_what_is_said(count, exact, faster):
    found = rigid_row(count, 2), rigid_row(count, 0)
    if exact is not None:
        assert found == pytest.approx(exact, rel=2e-3)
    place = np.arange(count)
    a, b = rotne_prager(np.abs(place[:, None] - place).astype(float), 0.5)
    ours = [count / np.linalg.inv(one).sum() for one in (a + b, a)]
    assert np.array(ours) / found - 1.0 == pytest.approx(faster, abs=2e-3)


def test_a_dilute_layer_falls_and_is_pulled():
    """On a square lattice: sums over all others by the point force between windows.

    Along the film these sums, over circles, hold half of the flow through the film as a whole,
    which a closed cell has not; what a particle's own periodic images do to it is left out.
    """
    spacing, rows, thickness, height = 3.0, 4, 5.0, 2.5
    radius = np.full(rows**2, 0.5)
    flow = DenseFlow(plan_flow((rows * spacing,) * 2, thickness, radius), radius)
    x, y = (spacing * v.ravel() + 0.3 for v in np.indices((rows, rows)))
    flow.see(np.stack([x, y, np.full(rows**2, height)], axis=1))
    fall, pull = (
        (flow.smooth_velocity(push) + flow.near_velocity(push))[axis].mean()
        for axis in (2, 0)
        for push in [np.outer(np.eye(3)[axis], np.ones(rows**2))]
    )
    far = np.hypot(*np.indices((9, 9)) - 4.0).ravel()
    shells, members = np.unique(far[(far > 0.0) & (far < 3.1)], return_counts=True)
    others = sum(
        many * slit_mobility(spacing * shell, height, height, thickness)
        for shell, many in zip(shells, members, strict=True)
    )
    through = FLUIDITY * 12.0 / thickness**3 * (thickness**2 / 8.0 - 0.25 / 6.0) ** 2 / spacing**2
    along_film, across_film = hindered(height, thickness, 0.5)
    assert fall == pytest.approx(across_film + others[2], abs=0.008)
    closed = 0.5 * (1.0 - 1.0 / rows**2) * through
    assert pull == pytest.approx(along_film + others[:2].mean() - closed, abs=0.012)
    assert fall < across_film - 0.15


def test_a_suspension_falls_at_first_order_as_forces_at_centres_have_it(tell):
    """Others are nowhere within a diameter, and the mean flow is none: 1 - 5 phi, not 6.55."""
    r, step = np.linspace(0.0, 1.0, 2001, retstep=True)
    a, b = rotne_prager(r, 0.5)
    per_volume = 6.0 / np.pi  # number density over volume fraction
    hole = -per_volume * np.trapezoid(4.0 * np.pi * r * r * (a + b / 3.0), dx=step)
    tell("first order of falling", -6.55, hole, source="Batchelor 1972; 5 by forces at centres")
    assert hole == pytest.approx(-5.0, abs=1e-3)


def test_self_diffusion_lacks_all_of_its_first_order(tell):
    """A pair's own mobility, 1 by forces at centres: exact ones lose 1.83 phi."""
    cells = 120
    s = 2.0 + 10.0 * (np.arange(cells) + 0.5) / cells
    own = np.array([0.5 * sum(along(one)) for one in s])
    # across: 17/(16 s^6) far away, and more by a power near contact, from two exact ones
    marks = np.array([2.2, 2.5])
    more = [1.0 - 0.5 * sum(across(one)) - 17.0 / 16.0 / one**6 for one in marks]
    slope = np.diff(np.log(more))[0] / np.diff(np.log(marks))[0]
    beside = -17.0 / 16.0 / s**6 - more[0] * (s / marks[0]) ** slope
    step = 10.0 / cells
    first = np.sum(s * s * (own - 1.0 + 2.0 * beside)) * step - 15.0 / 4.0 / 12.0
    tell("first order of self-diffusion", -1.83, first, source="Batchelor 1976")
    assert first == pytest.approx(-1.83, abs=0.03)
    # and the program's: the own mobility among many is that of a lone one
    generator = np.random.default_rng(2)
    places = generator.uniform([0.0, 0.0, 1.0], [12.0, 12.0, 7.0], (100, 3))  # 5 %
    radius = np.full(100, 0.5)
    flow = DenseFlow(plan_flow((12.0, 12.0), 8.0, radius), radius)
    flow.see(places)
    shares = []
    for i in (0, 40, 80):
        push = np.zeros((3, 100))
        push[0, i] = 1.0
        whole = (flow.smooth_velocity(push) + flow.near_velocity(push))[0, i]
        shares.append(whole / hindered(places[i, 2], 8.0, 0.5)[0])
    assert shares == pytest.approx([1.0] * 3, abs=1e-3)


def relative(distance, along_line):
    """Return how two of the program's spheres move against each other, over that far apart."""
    a, b = rotne_prager(distance, 0.5)
    return 1.0 - (a + b if along_line else a)


def factor_of_meeting(coupling):
    """Return the rate at which two dipoles meet with flow over that without."""
    slowed = meeting_rate(coupling, lambda r: relative(r, True), lambda r: relative(r, False))
    return slowed / meeting_rate(coupling, np.ones_like, np.ones_like)


def test_particles_meet_later_with_flow(tell):
    """As coagulation is slower: L. A. Spielman 1970; Honig, Roebersen and Wiersema 1971."""
    r = 1.0 / np.linspace(1e-6, 1.0, 20001)  # without forces: 1 over the integral of d(1/r)/G
    closed = 1.0 / np.trapezoid(1.0 / relative(r, True), 1.0 / r)
    assert factor_of_meeting(1e-9) == pytest.approx(closed, rel=0.02)
    wanted = factor_of_meeting(5.0)
    assert wanted == pytest.approx(0.726, abs=0.003)  # computed here
    # and the simulated growth of dilute films, while single particles meet, within 4 errors
    entries = np.array(
        [row[:2] for (fraction, _), row in GROWTH.items() if fraction == 0.01]
    ).reshape(-1, 3)
    weight = entries[:, 2] ** -2.0
    found, error = np.average(entries[:, 1], weights=weight), weight.sum() ** -0.5
    tell(
        "rate of meeting with flow over without, coupling 5", wanted, found, error=error,
        source="Spielman 1970, by quadrature",
    )  # fmt: skip
    assert error < 0.03
    assert abs(found - wanted) < 4.0 * error
