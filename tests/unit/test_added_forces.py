"""Van der Waals, electrostatics, gravity and gradient in the engine: slow loops and -grad U."""

import dataclasses
import math

import numpy as np
import pytest

from sim.engines.cpu import CpuEngine
from sim.film.particles import draw
from sim.film.reduce import reduce
from sim.interactions.electrostatic import ElectrostaticLaw
from sim.interactions.gravity import BodyForces
from sim.interactions.van_der_waals import VanDerWaalsLaw
from sim.kernels.laws import pairs as pair_laws
from sim.parameters import from_text
from sim.physics.uniaxial_gradient import uniaxial_gradient
from sim.run.setup import RunSetup
from tests.reference import naive
from tests.reference.small_systems import added_pairs, film, random_film, spread_diameters, state_of

QUIET = {"coupling": 1e-8, "langevin": 0.0, "strength": 1e-12}
SHELL = 1.0 / 12.0
ATTRACTION, REPULSION = VanDerWaalsLaw(9.0, 0.02, SHELL), ElectrostaticLaw(13.0, 5.0)
GRADIENT = (0.3, -0.5, 0.2, 0.1, -0.4, 0.25)
INTERACTIONS = {
    "van der Waals": {"added": (ATTRACTION,)},
    "electrostatic": {"added": (REPULSION,)},
    "gravity": {"core_weight": 3.0, "shell_weight": -1.0, "down": (0.0, 0.6, -0.8)},
    # Moments of 1e-4, whose dipole forces are far below the pull.
    "gradient": {"gradient": tuple(1e4 * part for part in GRADIENT)},
}


def loaded(count=60, **changes):
    """Return (system, state) of particles of many sizes in near contact, with ``added`` laws."""
    added = added_pairs(*changes.pop("added", ()))
    values = {**QUIET, "diameter": spread_diameters(count), "thickness": 2.4, "fraction": 0.12}
    system = film(count, added=added, **{**values, **changes})
    reach = added.reach(float(system.radius.max()))
    system = dataclasses.replace(system, added_reach=reach)
    assert 2.0 * reach < min(system.sides)
    return system, random_film(system)


def forces(system, state):
    """Return (force, du/dt over the turning mobility) of one noiseless step of the engine."""
    dt = 1e-7
    engine = CpuEngine(dataclasses.replace(system, dt=dt, noise=0.0), state, 1)
    engine.advance(1)
    after = engine.snapshot()
    sides = np.array([*system.sides, 1e300])
    move = after.positions - state.positions
    move -= sides * np.rint(move / sides)
    turn = (after.directions - state.directions) / dt
    return move / dt / system.mobility[:, None], turn / system.turning[:, None]


def energy(system, state, *names):
    """Return the total of some energies of the engine in kT."""
    seen = CpuEngine(system, state, 1).observe()
    return system.count * sum(seen[name] for name in names)


ALL = ("dipolar", "steric", "windows", "field", "van_der_waals", "electrostatic", "gravity")


@pytest.mark.parametrize("precision", ["float64", "float32"])
def test_pair_sums_match_slow_loops(precision):
    system, state = loaded(added=(ATTRACTION, REPULSION), precision=precision)
    wanted = np.zeros((system.count, 3))
    drawn = charged = 0.0
    for i in range(system.count):
        for j in range(system.count):
            if i == j:
                continue
            r = naive.nearest_image(state.positions[i] - state.positions[j], system.sides)
            if np.linalg.norm(r) >= system.added_reach:
                continue
            a, b = system.radius[i], system.radius[j]
            first, pull = naive.hamaker_pair(
                r,
                a - system.repulsion.shell,
                b - system.repulsion.shell,
                ATTRACTION.hamaker,
                ATTRACTION.smallest_gap,
            )
            second, push = naive.yukawa_pair(r, a, b, REPULSION.charging, REPULSION.screening)
            drawn, charged = drawn + 0.5 * first, charged + 0.5 * second
            wanted[i] += pull + push
    found, _ = forces(system, state)
    scale = np.abs(wanted).max()
    assert scale > 1.0
    # Windows push a few particles by 1e-12 kT; single precision: 4e-6 of the decay, 1e-5 of gaps.
    limit = 1e-7 if precision == "float64" else 5e-5
    assert np.abs(found - wanted).max() < limit * scale
    assert drawn < -1.0
    assert charged > 1.0
    assert energy(system, state, "van_der_waals") == pytest.approx(drawn, rel=1e-10)
    assert energy(system, state, "electrostatic") == pytest.approx(charged, rel=1e-10)


@pytest.mark.parametrize("name", INTERACTIONS)
def test_force_is_minus_the_gradient(name):
    # Along a periodic film weight and gradient have no energy: there only z is compared, and the
    # force in the plane with the formula.
    system, state = loaded(**INTERACTIONS[name])
    force, turn = forces(system, state)
    pairs = name in ("van der Waals", "electrostatic")
    scale = np.abs(force).max()
    assert scale > 0.1
    step = 1e-5
    for particle in (0, 1, 7, 20):
        for axis in (0, 1, 2) if pairs else (2,):
            values = []
            for way in (step, -step):
                positions = state.positions.copy()
                positions[particle, axis] += way
                moved = dataclasses.replace(state, positions=positions)
                values.append(energy(system, moved, *ALL))
            slope = (values[0] - values[1]) / (2.0 * step)
            assert force[particle, axis] == pytest.approx(-slope, abs=5e-6 * scale)
        if name == "gradient":
            check_torque(system, state, particle, turn)


def check_torque(system, state, particle, turn):
    """Check du/dt along tangents against -dU/d(angle)."""
    u, angle = state.directions[particle], 1e-5
    for other in np.eye(3):
        tangent = np.cross(u, other)
        tangent /= np.linalg.norm(tangent)
        values = []
        for way in (angle, -angle):
            directions = state.directions.copy()
            directions[particle] = np.cos(way) * u + np.sin(way) * tangent
            values.append(energy(system, dataclasses.replace(state, directions=directions), *ALL))
        slope = (values[0] - values[1]) / (2.0 * angle)
        limit = 2e-5 * np.abs(turn).max()
        assert np.dot(turn[particle], tangent) == pytest.approx(-slope, abs=limit)


def test_weight_and_gradient_in_the_plane():
    system, state = loaded(**INTERACTIONS["gravity"])
    force, _ = forces(system, state)
    core = (system.radius - system.repulsion.shell) ** 3
    weight = 3.0 * core - 1.0 * (system.radius**3 - core)
    wanted = weight[:, None] * np.array([0.0, 0.6, -0.8])
    assert force == pytest.approx(wanted, abs=1e-7)
    system, state = loaded(
        count=1, diameter=1.0, fraction=0.01, gradient=GRADIENT, coupling=1.0, cutoff=2.0
    )
    force, _ = forces(system, state)
    xx, yy, zz, xy, xz, yz = GRADIENT
    tensor = np.array([[xx, xy, xz], [xy, yy, yz], [xz, yz, zz]])
    moment = system.moment[0] * state.directions[0]
    assert force[0] == pytest.approx(tensor @ moment, abs=1e-7)


def test_uniaxial_gradient_has_no_sources():
    axis = np.array([2.0, -1.0, 2.0]) / 3.0
    xx, yy, zz, xy, xz, yz = uniaxial_gradient(7.0, tuple(axis))
    tensor = np.array([[xx, xy, xz], [xy, yy, yz], [xz, yz, zz]])
    assert np.trace(tensor) == pytest.approx(0.0, abs=1e-12)
    assert axis @ tensor @ axis == pytest.approx(7.0)
    across = np.array([1.0, 2.0, 0.0]) / math.sqrt(5.0)
    assert across @ tensor @ across == pytest.approx(-3.5)


def test_cores_nearer_than_the_smallest_gap_keep_their_energy():
    radius, gap = 0.5, 0.02
    law = VanDerWaalsLaw(9.0, gap, 1.0 / 12.0)
    contact = 2.0 * (radius - law.shell)
    r = contact + np.array([0.0, 0.3, 0.6, 0.999]) * gap
    assert np.all(law.force(radius, radius, r) == 0.0)
    depth = law.energy(radius, radius, r)
    limit = law.energy(radius, radius, contact + (1.0 + 1e-12) * gap)
    assert depth == pytest.approx(np.full(4, limit), rel=1e-9)
    assert law.force(radius, radius, contact + 1.001 * gap) < -100.0


def test_a_film_without_added_forces_makes_the_same_bits():
    # A strength of zero and a range of zero leave the step untouched.
    system = film(100, steric="surfactant", strength=1.0)
    state = random_film(system)
    idle = added_pairs(VanDerWaalsLaw(0.0, 0.3, SHELL), ElectrostaticLaw(0.0, 7.0))
    first, second = (
        CpuEngine(system, state, 1),
        CpuEngine(
            dataclasses.replace(system, added=idle, body=BodyForces(down=(1.0, 0.0, 0.0))), state, 1
        ),
    )
    for engine in (first, second):
        engine.advance(50)
    assert np.array_equal(first.snapshot().positions, second.snapshot().positions)


def test_threads_change_no_bit():
    system, state = loaded(added=(ATTRACTION, REPULSION), **INTERACTIONS["gravity"], dt=1e-5)
    ends = []
    for threads in (1, 2):
        engine = CpuEngine(dataclasses.replace(system, window_strength=1.0), state, threads)
        engine.advance(40)
        ends.append(engine.snapshot().positions)
    assert np.array_equal(*ends)


def test_decay_is_the_exponential():
    x = np.linspace(-15.9, 15.9, 501)
    assert pair_laws.decay(x) == pytest.approx(np.exp(-x), rel=1e-13)
    assert pair_laws.decay(np.array([16.0, 40.0, 1e9])) == pytest.approx(0.0, abs=0.0)


def test_a_pair_far_apart_feels_nothing():
    system, _ = loaded(count=2, diameter=1.0, fraction=0.002, added=(ATTRACTION, REPULSION))
    reach = system.added_reach
    for distance, is_felt in ((0.98 * reach, True), (1.02 * reach, False)):
        state = state_of([[1.0, 1.0, 3.0], [1.0 + distance, 1.0, 3.0]], np.eye(3)[:2])
        force, _ = forces(system, state)
        assert bool(abs(force[0, 0]) > 1e-5) is is_felt


STICKY = """
[particles]
core_diameter = "20 nm"
volume_fraction = 0.0003
[film]
thickness = "0.4 um"
count = 40
[field]
strength = "30 mT"
[dipoles]
cutoff_diameters = 4
[van_der_waals]
hamaker = "100 zJ"
[run]
duration = "1 us"
"""


def gaps(system, state):
    """Return the gaps between the cores of particles 0 and 1, 2 and 3, ... in diameters."""
    apart = state.positions[1::2] - state.positions[::2]
    apart[:, :2] -= np.array(system.sides) * np.rint(apart[:, :2] / system.sides)
    return np.linalg.norm(apart, axis=1) - 2.0 * (system.radius[0] - system.repulsion.shell)


def engine_of_pairs(system, distance):
    """Return an engine whose pairs 0 and 1, 2 and 3, ... stand this far apart along the field."""
    count, row = system.count, 5
    places = np.array([(k % row + 0.5, k // row + 0.5) for k in range(count // 2)])
    places *= np.array(system.sides) / row
    positions = np.full((count, 3), 0.5 * system.thickness)
    positions[::2, :2], positions[1::2, :2] = places, places
    positions[::2, 0] -= 0.5 * distance
    positions[1::2, 0] += 0.5 * distance
    return CpuEngine(system, state_of(positions, np.tile([1.0, 0.0, 0.0], (count, 1))), 1)


def test_pairs_with_a_low_barrier_stick_for_good():
    # 3.3 kT of barrier: within 30 000 steps some pairs fall into contact, and none comes back out
    # of a well of 120 kT. The automatic step follows them there without a capped move.
    parameters = from_text(STICKY)
    system = reduce(parameters, draw(parameters))
    count = system.count
    engine = engine_of_pairs(system, 1.0)
    stuck = np.zeros(count // 2, bool)
    for _ in range(6):
        engine.advance(5_000)
        now = gaps(system, engine.snapshot()) < 2.0 * system.added.contact_gap
        assert np.all(now[stuck])
        stuck = now
    assert 2 <= stuck.sum() < count // 2
    assert engine.timing["capped_moves"] == 0


CHARGED_BEADS = """\
[particles]
moment = "multicore"
bead_diameter = "300 nm"
magnetic_share = 0.15
core_diameter = "9 nm"
shell_thickness = "5 nm"
volume_fraction = 0.03
[carrier]
viscosity = "1 mPa s"
[film]
thickness = "4 um"
count = 200
[field]
strength = "10 mT"
[run]
duration = "1 ms"
[electrostatics]
surface_charge = "0.05 nm^-2"
salt = "1 mM"
"""


@pytest.mark.parametrize(
    ("charge", "pull", "apart"),
    [
        ("0.05", "0 m/s^2", True), ("0.01", "0 m/s^2", True),
        ("0.001", "0 m/s^2", False), ("0.01", "1e7 m/s^2", False),
    ],
)  # fmt: skip
def test_shells_that_never_touch_do_not_shorten_the_step(charge, pull, apart):
    # The barrier of two such beads, at the charge that keeps them apart, is hundreds of kT above
    # the attraction of their dipoles; weak charges, or a centrifuge, bring shells together.
    text = CHARGED_BEADS.replace("0.05 nm", f"{charge} nm")
    system = RunSetup(from_text(f'{text}[gravity]\nacceleration = "{pull}"\n')).system
    bare = RunSetup(from_text(CHARGED_BEADS.partition("[electrostatics]")[0])).system
    if apart:
        assert system.dt_s > 50.0 * bare.dt_s
        assert system.limit == "the stiffness of electrostatic forces"
    else:
        assert system.dt_s <= 1.01 * bare.dt_s


BOUND_BEADS = """
[particles]
moment = "multicore"
bead_diameter = "300 nm"
magnetic_share = 0.03
core_diameter = "9 nm"
shell_thickness = "5 nm"
volume_fraction = 0.002
[carrier]
viscosity = "1 mPa s"
[film]
thickness = "4 um"
count = 40
[field]
strength = "10 T"
[dipoles]
sum = "cutoff"
cutoff_diameters = 3
[run]
duration = "1 ms"
[electrostatics]
surface_charge = "0.05 nm^-2"
salt = "1 mM"
"""


def test_the_step_of_charges_alone_keeps_bound_pairs_in_boltzmanns_law():
    # In 10 T moments are those of saturation, along the field: the energy of a pair is that of two
    # fixed dipoles and of the charges, and its averages are quadratures over distance and angle.
    parameters = from_text(BOUND_BEADS)
    system = reduce(parameters, draw(parameters))
    assert system.limit == "the stiffness of electrostatic forces"
    moment = float(system.moment[0])
    radius = system.radius[:1]
    r = np.linspace(2.0 * float(radius[0]), 1.8, 2000)[:, None]
    cosine = (np.arange(400)[None, :] + 0.5) / 400
    charges = system.added.energy(radius, radius, r)
    energy = charges + moment**2 * (1.0 - 3.0 * cosine**2) / r**3
    weight = r**2 * np.exp(energy.min() - energy)
    wanted = [float((what * weight).sum() / weight.sum()) for what in (r, charges)]

    engine = engine_of_pairs(system, 1.22)
    engine.advance(4_000)
    core = 2.0 * (system.radius[0] - system.repulsion.shell)
    seen = []
    for _ in range(600):
        engine.advance(100)
        distance = gaps(system, engine.snapshot()) + core
        seen.append([distance, system.added.energy(radius, radius, distance)])
    by_pair = np.mean(seen, axis=0)
    assert np.max(np.array(seen)[:, 0]) < 1.8  # no pair has parted
    for found, mean in zip(by_pair, wanted, strict=True):
        error = found.std(ddof=1) / math.sqrt(len(found))
        assert found.mean() == pytest.approx(mean, abs=4.0 * error)
    assert by_pair[1].mean() == pytest.approx(wanted[1], rel=0.05)
    assert engine.timing["capped_moves"] == 0
