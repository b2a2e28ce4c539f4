"""Films of weaker dipoles exchange states with a film: each keeps its own ensemble."""

import dataclasses

import numpy as np
import pytest

from sim.kernels.sampler import layout
from sim.kernels.vectors.calls import Packed
from sim.sampler import ladder
from sim.sampler.engine import SamplerEngine
from tests.reference.small_films import blocked, distance, pair_distribution
from tests.reference.small_systems import film, random_film, spread_diameters, state_of

SIDES, THICKNESS, CUTOFF, MOMENT2 = (6.4, 6.0), 3.0, 2.9, 2.5
EDGES = np.array([0.8, 1.05, 1.2, 1.5, 2.0, 2.8])
RUNGS = 3


def test_each_rung_has_the_distances_of_quadrature(monkeypatch):
    # exchanges after every single round of two moves: were their balance wrong, rungs would mix
    monkeypatch.setattr(ladder, "WEAKEST", 0.8)
    monkeypatch.setattr(ladder, "EVERY", 1)
    system = film(
        2, coupling=MOMENT2, langevin=0.0, sides=SIDES, thickness=THICKNESS, cutoff=CUTOFF,
        dynamics="monte_carlo",
    )  # fmt: skip
    systems = ladder.rungs_of(system, RUNGS)
    state = state_of([[1.0, 1.0, 1.0], [2.3, 1.0, 1.4]], [[1.0, 0.0, 0.0]] * 2, seed=4)
    side = ladder.Ladder(systems, state, 0)
    for one in side.films:  # quadrature knows no field beyond the range
        one.film = one.film._replace(missing=0.0)
        one._packed = Packed(one.film)
        one.film.step[0] = 0.9
        one.energy = ladder.moves_energy(0, one)
    seen = []
    for sweep in range(1, 12_001):
        for one in side.films:
            one.begin(sweep)
            one.round(2, 2)
            one.energy += float(one.film.found[layout.CHANGE])
        side.exchange(sweep, ladder.moves_energy)
        gaps = [distance(one.film.rows, 0, 1, SIDES) for one in side.films]
        seen.append([np.histogram(gap, EDGES)[0] for gap in gaps])
    mean, error = blocked(seen)
    couplings = [float(one.moment[0] ** 2) for one in systems]
    assert couplings == pytest.approx([2.5, np.sqrt(2.0), 0.8])
    for k, coupling in enumerate(couplings):
        law = pair_distribution(EDGES, coupling, SIDES, THICKNESS, CUTOFF)
        assert (error[k] < 0.1 * law.max()).all()
        assert np.all(np.abs(mean[k] - law) < 4.0 * error[k]), (k, (mean[k] - law) / error[k])
    assert side.least_taken() > 0.5
    assert side.round_trips > 500


def test_the_field_turns_weaker_dipoles_as_much():
    system = film(40, coupling=9.0, gradient=(0.1, 0.2, -0.3, 0.05, 0.4, 0.1))
    systems = ladder.rungs_of(system, 4)
    assert len(systems) == 4
    for one in systems:
        for whole, part in ((system.field[0].first, one.field[0].first),
                            (system.gradient, one.gradient)):  # fmt: skip
            assert one.moment[0] * np.array(part) == pytest.approx(
                system.moment[0] * np.array(whole)
            )
    assert systems[-1].moment[0] ** 2 == pytest.approx(ladder.WEAKEST)
    assert ladder.rungs_of(system, 1) == [system]
    weak = dataclasses.replace(system, moment=0.5 * system.moment)
    assert ladder.rungs_of(weak, 4) == [weak]


def bits(engine):
    state = engine.snapshot()
    return state.positions.tobytes() + state.directions.tobytes() + engine._series.tobytes()


@pytest.mark.parametrize("kind", [{}, {"dipole_sum": "mesh", "tolerance": 1e-3}])
def test_bits_of_a_ladder_hang_neither_on_pieces_nor_on_threads_nor_on_a_stop(kind):
    system = film(
        40, diameter=spread_diameters(40), coupling=7.0, dynamics="monte_carlo", ladder=3, **kind
    )
    state = random_film(system)
    plain = SamplerEngine(system, state, 1)
    plain.advance(9)
    pieces = SamplerEngine(system, state, 2)
    for part in (1, 2):
        pieces.advance(part)
    kept = pieces.checkpoint()
    pieces.advance(6)
    assert bits(pieces) == bits(plain)
    again = SamplerEngine(system, state, 2)
    again.restore(kept)
    again.advance(6)
    assert bits(again) == bits(plain)
    assert again.exchanges() == plain.exchanges()
    assert plain.exchanges()["films_a_side"] == 3
