"""Outer steps of several inner ones: near and far pairs make the whole; bits stay the same."""

import dataclasses

import numpy as np
import pytest

from sim.engines import cpu_arrays
from sim.engines.cpu import CpuEngine
from sim.engines.cpu_film import pair_choice
from sim.film.field_programme import FieldStage
from sim.kernels.steps import inner_steps as split_steps
from sim.kernels.steps import layout, step
from sim.kernels.steps.near_pairs import near_share
from tests.reference.small_systems import bits, film, random_film, spread_diameters

STEPS = 60
KINDS = {
    "soft core": {},
    "single precision": {"precision": "float32"},
    "surfactant, sizes": {"steric": "surfactant", "diameter": spread_diameters(300)},
    "mesh": {"dipole_sum": "mesh", "tolerance": 1e-3},
    "body forces": {"core_weight": 3.0, "shell_weight": 1.0, "gradient": (0.1, 0, -0.1, 0, 0.2, 0)},
}


def engine_of(kind="soft core", threads=1, **changes):
    """Return an engine of split steps on a random film."""
    given = {"count": 300, "dt": 8e-4, "inner_steps": 4, "list_margin": 0.25}
    system = film(**{**given, **KINDS[kind], **changes})
    return CpuEngine(system, random_film(system), threads)


@pytest.fixture(scope="module")
def plain():
    """Return the final bits of undisturbed runs on one thread, by kind."""
    known = {}

    def run(kind):
        if kind not in known:
            engine = engine_of(kind)
            engine.advance(STEPS)
            assert engine.timing["lists_built"] >= 4
            known[kind] = bits(engine)
        return known[kind]

    return run


@pytest.mark.parametrize("kind", KINDS)
def test_threads_and_pieces_change_no_bit(kind, plain):
    engine = engine_of(kind, threads=2)
    for piece in (1, 7, 20, STEPS - 28):
        engine.advance(piece)
        engine.observe()
    assert bits(engine) == plain(kind)
    assert engine.snapshot().time == pytest.approx(STEPS * 8e-4)


@pytest.mark.parametrize("kind", KINDS)
def test_a_restart_changes_no_bit(kind, plain):
    engine = engine_of(kind)
    engine.advance(23)
    kept = engine.checkpoint()
    other = engine_of(kind, seed=99)
    other.restore(kept)
    other.advance(STEPS - 23)
    assert bits(other) == plain(kind)


def test_an_exact_sum_has_no_inner_steps():
    with pytest.raises(ValueError, match="again in each inner step"):
        engine_of(count=30, dipole_sum="exact")


def rows(content, first, end):
    """Return force and field of a block from sums that lie slot by slot."""
    table = content.scratch.sums[0].reshape(-1, 8)[: end - first]
    slots = content.slots
    u = np.stack([slots.ux, slots.uy, slots.uz], axis=1)[first:end]
    along = (table[:, 3] * slots.moment[first:end])[:, None] * u
    return np.hstack([table[:, :3] + along, table[:, 4:7]])


def columns(content, first, end):
    """Return force and field of a block from sums that lie axis by axis."""
    return content.scratch.sums[0].reshape(8, -1)[:6, : end - first].T


def sums_of(engine, read, *parts):
    """Return force and field that parts leave in the sums, (slots, 6), block by block."""
    held, content = engine._film, engine._content
    blocks = content.totals.thrown.size
    found = np.zeros((content.slots.x.size, 6))
    for block in range(blocks):
        for part in parts:
            held.call(part, block)
        chunks = content.slots.x.size // layout.STRIDE
        first = layout.STRIDE * (chunks * block // blocks)
        end = layout.STRIDE * (chunks * (block + 1) // blocks)
        found[first:end] = read(content, first, end)
    return found


def far_pairs(engine):
    """Return the part that sums the far pairs and lists the near ones."""
    return split_steps.far_pair_parts[pair_choice(engine.system)[1]]


def near_pairs(engine):
    """Return the part that sums the near pairs."""
    return split_steps.near_pair_parts[pair_choice(engine.system)]


@pytest.mark.parametrize("kind", ["soft core", "single precision", "surfactant, sizes", "mesh"])
def test_near_and_kept_sums_make_the_whole(kind):
    engine = engine_of(kind, fraction=0.2)
    engine.advance(20)
    engine._film.fresh()
    far = [step.far_part] if kind == "mesh" else []
    whole = sums_of(engine, rows, engine._film.pair_part, *far)
    engine._content.flags[step.KEPT] = split_steps.NOTHING  # as they are, not continued
    kept = sums_of(engine, rows, far_pairs(engine), *far, split_steps.hold_part)
    split = sums_of(engine, columns, near_pairs(engine))
    scale = np.abs(whole).max()
    assert np.abs(split - whole).max() < scale * (2e-6 if kind == "single precision" else 1e-13)
    assert np.abs(kept - whole).max() > 0.1 * scale  # what is kept is not all


def test_what_is_kept_is_continued_from_the_step_before():
    engine = engine_of(fraction=0.2)
    engine.advance(20)
    content = engine._content
    count = engine.system.count
    engine._film.fresh()
    before = content.slots.earlier[:, :count].copy()
    sums_of(engine, rows, far_pairs(engine), split_steps.hold_part)
    now = content.slots.earlier[:, :count]
    # 3/8 of the change: the mean age of what four inner steps use is 1.5 of them
    expected = now + 0.375 * (now - before)
    assert np.abs(now - before).max() > 0.0
    np.testing.assert_allclose(content.split.held[:, :count], expected, rtol=1e-13, atol=1e-13)


def test_the_first_step_has_nothing_to_continue():
    engine = engine_of(fraction=0.2)
    engine.compile()
    engine._film.fresh()
    sums_of(engine, rows, far_pairs(engine), split_steps.hold_part)
    slots = engine._content.slots
    np.testing.assert_array_equal(engine._content.split.held, slots.earlier)


def test_near_pairs_fade_into_far_ones():
    touch, gap = 1.1225, 0.4
    r = np.linspace(0.9, 1.7, 8001)
    share, is_near = near_share(r * r, 0.5, 0.5, gap)
    assert np.all(share[r <= touch] == 1.0)
    assert np.all(share[r >= touch + gap] == 0.0)
    assert np.all(is_near == (r < touch + gap))
    assert np.all(np.diff(share) <= 0.0)
    assert np.abs(np.diff(share)).max() < 6e-4  # no jump: slope at most 1.5 per unit of s
    assert np.abs(np.diff(share, 2)).max() < 4e-6  # nor a kink


def test_near_pairs_are_all_that_may_touch():
    engine = engine_of("surfactant, sizes", fraction=0.2)
    engine.advance(20)
    engine._film.fresh()
    sums_of(engine, rows, far_pairs(engine))
    slots, near = engine._content.slots, engine._content.split.near
    count, sides = engine.system.count, engine.system.sides
    place = np.stack([slots.x, slots.y, slots.z], axis=1)[:count]
    for i in range(count):
        gap = place - place[i]
        gap[:, :2] -= np.array(sides) * np.rint(gap[:, :2] / sides)
        reach = 1.1225 * (slots.radius[:count] + slots.radius[i]) + cpu_arrays.NEAR_GAP
        expected = set(np.flatnonzero(np.linalg.norm(gap, axis=1) < reach)) - {i}
        group, lane = i // 8, i % 8
        first = near.start[group] + lane
        listed = near.entries[first : first + 8 * near.count[group] : 8] // 8
        assert set(listed[listed < slots.x.size].tolist()) == expected


def test_a_near_list_without_room_grows(monkeypatch):
    roomy = engine_of(fraction=0.2)
    roomy.advance(STEPS)
    monkeypatch.setattr(cpu_arrays, "near_room", lambda _: 0)
    engine = engine_of(fraction=0.2)
    engine.advance(STEPS)
    assert bits(engine) == bits(roomy)
    assert engine._content.split.near.entries.size > 2 * engine._film.blocks


def test_without_noise_inner_steps_follow_the_true_path():
    # Two touching dipoles aside the field turn and swing into line; the equations of motion,
    # integrated in steps a hundred times finer with slow loops, are the reference.
    system = film(
        2, dt=4e-4, inner_steps=4, noise=0.0, sides=(12.0, 12.0), thickness=6.0, langevin=5.0
    )
    state = random_film(system)
    state = dataclasses.replace(
        state,
        positions=np.array([[6.0, 6.0, 3.0], [6.3, 7.0, 3.2]]),
        directions=np.array([[0.0, 1.0, 0.0], [0.6, 0.8, 0.0]]),
    )
    engine = CpuEngine(system, state, 1)
    engine.advance(100)
    fine = dataclasses.replace(system, dt=1e-5, inner_steps=1)
    other = CpuEngine(fine, state, 1)
    other.advance(4000)
    apart = np.abs(engine.snapshot().positions - other.snapshot().positions).max()
    moved = np.abs(other.snapshot().positions - state.positions).max()
    assert moved > 0.05
    assert apart < 0.01 * moved


def test_a_field_changes_within_a_step():
    # A free moment in a turning field: inner steps see the field of their own time.
    stages = (FieldStage("ramp", 0.04, (0.0, 0.0, 0.0), (6.0, 0.0, 0.0)),)
    system = film(1, noise=0.0, dt=0.04, inner_steps=400, field=stages, coupling=1.0)
    state = dataclasses.replace(random_film(system), directions=np.array([[0.0, 1.0, 0.0]]))
    engine = CpuEngine(system, state, 1)
    engine.advance(1)
    # u turns by D_rot m B sin: tan(theta/2) falls as exp(-3 int B dt), int B dt = 0.12
    angle = 2.0 * np.arctan(np.exp(-3.0 * 0.12))
    turned = np.arccos(engine.snapshot().directions[0, 0])
    assert turned == pytest.approx(angle, rel=2e-3)
