"""The flow on a card, in numba's simulator; run by ``test_card.py`` in a process of its own.

Against the engine of processors, whose mobility `tests/published/test_flow.py` checks.
"""

import dataclasses

import numpy as np
import pytest

from sim.engines.card import near_part
from sim.engines.card.batch import CardBatch
from sim.engines.card.engine import CardEngine, Seats
from sim.engines.card.helpers import Helpers
from sim.engines.cpu import CpuEngine
from sim.engines.guards import StepError
from sim.kernels.card.tools import Queue
from tests.reference.flow import DenseFlow
from tests.reference.small_systems import (
    beads,
    bits,
    film,
    random_film,
    state_of,
    with_flow,
)

COUNT = 24
KINDS = {
    "cut-off, sizes": {
        "dipole_sum": "cutoff", "cutoff": 4.0, "diameter": np.linspace(0.9, 1.1, COUNT),
    },
    "mesh": {
        "count": 48, "dipole_sum": "mesh", "tolerance": 1e-3, "sides": (8.0, 8.0),
    },
    "beads": {
        "dipole_sum": "cutoff", "cutoff": 4.0, "tolerance": 1e-3, "susceptibility": 2.0,
        "langevin": 60.0,
    },
}  # fmt: skip


def test_all_kernels_of_a_step_are_asked_for_before_any_runs(monkeypatch):
    asked, ran, run = set(), set(), Queue.run
    monkeypatch.setattr(Helpers, "ask", lambda _, kernel, films: asked.add(kernel))  # noqa: ARG005

    def seen(queue, kernel, threads, films):
        if queue._taker is None:
            ran.add(kernel)
        run(queue, kernel, threads, films)

    monkeypatch.setattr(Queue, "run", seen)
    system = stirred(**KINDS["cut-off, sizes"])
    batch = CardBatch()
    batch.prepare(system)
    engine = CardEngine(system, random_film(system), 1, batch)
    engine.advance(1)
    engine.observe()
    assert asked >= ran


def stirred(count=COUNT, every=2, width=0.65, **changes):
    """Return a film with flow."""
    given = {"sides": (6.5, 6.5), "thickness": 10.0, "dt": 1e-4, "precision": "float32"}
    make = beads if "susceptibility" in changes else film
    return with_flow(make(count, **{**given, **changes}), every, width)


@pytest.mark.parametrize("name", KINDS)
def test_steps_are_those_of_the_processor(name):
    """Through moves by the smooth part, lists in between and noise drawn anew."""
    system = stirred(list_margin=0.08, **KINDS[name])
    state = random_film(system)
    engine, other = CardEngine(system, state), CpuEngine(system, state)
    for one in (engine, other):
        one.advance(3 if system.induced else 5)
    mine, theirs = engine.snapshot(), other.snapshot()
    assert np.abs(mine.positions - theirs.positions).max() < 2e-6
    assert np.abs(mine.directions - theirs.directions).max() < 2e-6
    if system.induced:
        sums = other.timing["induction_sums"]
        assert engine.timing["induction_sums"] == pytest.approx(sums, rel=0.2)
    assert np.abs(mine.positions - state.positions).max() > 3e-2  # they did move
    assert engine.timing["flow_products"] == pytest.approx(other.timing["flow_products"], rel=0.3)
    assert engine.timing["lists_built"] == other.timing["lists_built"]


def test_pieces_looks_and_restarts_change_no_bit():
    system = stirred(list_margin=0.08, **KINDS["cut-off, sizes"])
    state = random_film(system)
    whole = CardEngine(system, state)
    whole.advance(5)
    pieces = CardEngine(system, state)
    pieces.advance(2)
    pieces.observe()
    pieces.advance(1)
    fresh = CardEngine(system, random_film(system, 6))
    fresh.restore(pieces.checkpoint())
    for one in (pieces, fresh):
        one.advance(2)
    assert bits(pieces) == bits(whole)
    assert bits(fresh) == bits(whole)
    still = CardEngine(dataclasses.replace(system, flow=None), state)
    still.advance(5)
    assert bits(still) != bits(whole)


def test_a_pair_is_pushed_by_its_mobility():
    """Two dipoles that attract, without noise: each moves as the matrix of the mobility says."""
    system = stirred(
        2, every=1, coupling=10.0, langevin=0.0, noise=0.0, dipole_sum="cutoff", cutoff=6.0,
        strength=1e-9, turning=np.zeros(2), precision="float64",
    )  # fmt: skip
    places = np.array([[2.0, 3.0, 5.0], [3.3, 3.0, 5.0]])
    engine = CardEngine(system, state_of(places, np.tile([1.0, 0.0, 0.0], (2, 1))))
    force, _ = engine.sums()
    assert force[0, 0] == pytest.approx(6.0 * 10.0 / 1.3**4, rel=1e-6)
    momentum = engine.batch.queue.view(engine.batch.films.content.momentum)
    momentum[...] = 0.0
    engine.advance(1)
    flow = DenseFlow(system.flow, system.radius)
    flow.see(places)
    way = system.dt * (flow.matrix() @ force.T.ravel()).reshape(3, 2).T
    assert way[0, 0] > 5e-4
    moved = engine.snapshot().positions - places
    assert moved == pytest.approx(way, abs=4e-3 * way[0, 0])  # the near part sees the way between


def test_a_film_with_flow_steps_alone_and_gives_up_with_a_sentence(monkeypatch):
    system = stirred(**KINDS["cut-off, sizes"])
    seats = Seats()
    one, other = (seats()(system, random_film(system), 1) for _ in range(2))
    assert one.batch is not other.batch
    before = bits(one)
    monkeypatch.setattr(near_part, "FLOW_TOLERANCE", -1.0)
    with pytest.raises(StepError, match="noise still changes"):
        one.advance(2)
    assert bits(one) == before
    assert one.step == 0
