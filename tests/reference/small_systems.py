"""Small films built straight in reduced units, and the compiled parts put together by hand."""

import dataclasses
from typing import NamedTuple

import numpy as np

from sim.engines.cpu_film import CpuFilm
from sim.engines.cpu_mesh import HeldMesh
from sim.film.field_programme import FieldStage
from sim.film.placing import random_state
from sim.film.reduce import with_mesh
from sim.film.reduced_system import ReducedSystem
from sim.film.state import FilmState
from sim.interactions.added import LAWS, AddedPairs
from sim.interactions.flow.plan import plan_flow
from sim.interactions.gravity import BodyForces
from sim.interactions.steric import KINDS, StericLaw
from sim.kernels.steps.lists import block_bounds
from sim.physics.units import ReducedUnits

BROWNIAN = 3.0
"""Rotational over translational diffusion of a sphere, times the squared diameter: 3."""


def film(count=200, **changes):
    """Return a ReducedSystem; what is not given is a dilute film of equal soft cores.

    Further keys: ``diameter`` (N,), ``coupling`` of a particle of diameter 1, ``langevin`` (its
    Langevin parameter), ``direction`` of the field, ``fraction``, ``steric``, ``strength``,
    ``shell``, ``grafting``, the fields of BodyForces and all of ReducedSystem.
    """
    diameter = np.broadcast_to(np.asarray(changes.pop("diameter", 1.0), float), (count,)).copy()
    fraction = changes.pop("fraction", 0.03)
    coupling = changes.pop("coupling", 4.0)
    langevin = changes.pop("langevin", 10.0)
    strength = changes.pop("strength", 1.0)
    direction = np.asarray(changes.pop("direction", (1.0, 0.0, 0.0)), float)
    thickness = changes.pop("thickness", 10.0)
    side = np.sqrt(np.pi / 6.0 * np.sum(diameter**3) / fraction / thickness)
    field = tuple((langevin / np.sqrt(coupling) * direction).tolist())
    values = {
        "units": ReducedUnits.of(24e-9, 1.5e-3, 298.15),
        "radius": 0.5 * diameter,
        "moment": np.sqrt(coupling) * diameter**3,
        "mobility": 1.0 / diameter,
        "turning": BROWNIAN / diameter**3,
        "sides": (side, side),
        "thickness": thickness,
        "window_strength": strength,
        "repulsion": StericLaw(
            KINDS[changes.pop("steric", "soft_core")],
            changes.pop("shell", 1.0 / 12.0),
            changes.pop("grafting", 0.3 * 24.0**2),
            strength,
        ),
        "body": BodyForces(
            **{name: changes.pop(name) for name in BodyForces._fields if name in changes}
        ),
        "dipole_sum": "cutoff",
        "cutoff": 3.0,
        "tolerance": 1e-6,
        "field": (FieldStage("hold", np.inf, field, field),),
        "dt": 1e-4,
        "dt_s": 1e-9,
        "steps": 1000,
        "limit": "",
        "list_margin": 0.5,
        "precision": "float64",
        "seed": 7,
    }
    system = ReducedSystem(**{**values, **changes})
    return with_mesh(system) if system.dipole_sum == "mesh" else system


def with_flow(system, every=None, width=None):
    """Return a film whose particles the flow of all carries, its smooth part every so many steps.

    ``width`` is where near and smooth part meet; what is not given is as a run has it.
    """
    plan = plan_flow(system.sides, system.thickness, system.radius, width)
    return dataclasses.replace(system, flow=plan, flow_every=every or plan.most_steps())


def added_pairs(*laws):
    """Return the given pair laws, and all others off."""
    given = {law.name: law for law in laws}
    return AddedPairs(tuple(given.get(name, law()) for name, law in LAWS.items()))


def beads(count=120, susceptibility=2.0, saturation=6.0, langevin=20.0, **changes):
    """Return a film of equal beads that magnetise each other, by the susceptibility of one.

    With moments such that two at distance r have the energy m^2/r^3, a bead of volume pi/6 and
    susceptibility chi has the polarisability chi/24 = m_s m_core/3. ``langevin`` is the Langevin
    parameter of a whole saturated bead in the applied field.
    """
    core = 3.0 * susceptibility / 24.0 / saturation
    given = {"fraction": 0.2, "thickness": 4.0, "dt": 2e-5, "dipole_sum": "mesh", **changes}
    field = (langevin / saturation, 0.2 * langevin / saturation, 0.0)
    plain = film(count, **{**given, "dipole_sum": "exact"})
    system = dataclasses.replace(
        plain,
        dipole_sum=given["dipole_sum"],
        moment=np.full(count, saturation),
        core_langevin=core,
        turning=np.zeros(count),
        field=(FieldStage("hold", np.inf, field, field),),
    )
    return with_mesh(system) if system.dipole_sum == "mesh" else system


def spread_diameters(count, spread=0.15, seed=3):
    """Return log-normal diameters with the median 1."""
    return np.exp(spread * np.random.default_rng(seed).normal(size=count))


def state_of(positions, directions, seed=7):
    """Return a FilmState at step 0."""
    positions = np.array(positions, float)
    return FilmState(
        positions=positions,
        image=np.zeros((len(positions), 2), np.int32),
        directions=np.array(directions, float),
        step=0,
        time=0.0,
        seed=seed,
    )


def unit_vectors(count, seed=11):
    """Return directions spread evenly over the sphere."""
    rows = np.random.default_rng(seed).normal(size=(count, 3))
    return rows / np.linalg.norm(rows, axis=1)[:, None]


def moments_of(system, state):
    """Return the moments, shape (N, 3)."""
    return system.moment[:, None] * state.directions


class Parts(NamedTuple):
    """What the compiled step works on, with a list that is built."""

    slots: object
    patch: object
    laws: object
    neighbours: object
    rows: object
    words: object
    long_range: object
    pair_table: object
    film: object


def parts_of(system, state, room=None):
    """Put arrays, list and rows together as the engine does, for one force."""
    mesh = None if system.mesh is None else HeldMesh(system, 1)
    made = CpuFilm(system, state, None if mesh is None else mesh.tables, room=room)
    made.prepare()
    made.fresh()
    made.sum_exact()
    held = made.content
    if mesh is not None:
        mesh.keep(held.slots, held.long_range, 0)
    return Parts(
        held.slots, held.patch, held.laws, held.neighbours, held.rows[0], held.row_words[0],
        held.long_range, held.screening, made,
    )  # fmt: skip


def slot_of(parts, count):
    """Return the slot of each particle."""
    return np.argsort(parts.slots.identity[:count], kind="stable")


def sums_of_parts(made, *kernels):
    """Return what kernels leave in the sums, (slots, 8) slot by slot, of a CpuFilm."""
    content = made.content
    size, blocks = content.slots.x.size, content.totals.thrown.size
    table = np.zeros((size, 8))
    for block in range(blocks):
        for one in kernels:
            made.call(one, block)  # on this thread, which is the first
        first, end = block_bounds(block, blocks, size)
        table[first:end] = content.scratch.sums[0].reshape(-1, 8)[: end - first]
    return table


def compiled_sums(system, state):
    """Return (force, field) of the compiled pair loop, float64 (N, 3) each, row i particle i."""
    parts = parts_of(system, state)
    table = sums_of_parts(parts.film, parts.film.pair_part)[slot_of(parts, system.count)]
    force = table[:, 0:3] + table[:, 3:4] * moments_of(system, state)
    field = table[:, 4:7]
    if system.dipole_sum != "cutoff":
        order = slot_of(parts, system.count)
        force += parts.long_range.force[order]
        field = field + parts.long_range.field[order]
    return force, field


def random_film(system, seed=5):
    """Return a random state without overlaps."""
    return random_state(system, seed)


def bits(engine):
    """Return the state of an engine as bytes."""
    state = engine.snapshot()
    return b"".join(part.tobytes() for part in (state.positions, state.image, state.directions))
