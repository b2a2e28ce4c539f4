"""Rounds that are accepted by the whole energy sample it: beside direct Metropolis sampling."""

import math

import numpy as np
import pytest

from sim.film.placing import random_state
from sim.sampler.engine import SamplerEngine
from sim.sampler.sampled import TUNED
from tests.reference.sampler import Sampler
from tests.reference.small_films import blocked
from tests.reference.small_systems import film

# Dipolar and soft-core energy in kT a particle and magnetisation of 100 soft cores at the fraction
# 0.05, with their standard errors: a sampler that shares no code with this one, of the same
# energies (tests/benchmarks/README.md, "Bias of the time step").
FILMS = {
    "across": ({"coupling": 3.0, "langevin": 2.0, "direction": (0.0, 0.0, 1.0)},
               (-1.5762, 0.1772, 0.3364), (0.0015, 0.0004, 0.0003)),
    "along": ({"coupling": 2.0, "langevin": 10.0},
              (-1.0182, 0.0887, 0.9080), (0.0009, 0.0002, 0.0001)),
}  # fmt: skip
GATE = 4.0


def sampled(given, sweeps, dipole_sum="mesh"):
    """Return (mean, error) of dipolar, steric energy and magnetisation by rounds of moves."""
    system = film(
        100, fraction=0.05, tolerance=1e-3, dynamics="monte_carlo", dipole_sum=dipole_sum, **given
    )
    along = np.array(given.get("direction", (1.0, 0.0, 0.0)))
    engine = SamplerEngine(system, random_state(system, 5), 2)
    engine.advance(TUNED + 100)
    rows = []
    for _ in range(sweeps):
        engine.advance(1)
        seen = engine.observe()
        rows.append((seen["dipolar"], seen["steric"], seen["magnetisation"] @ along))
    return engine, *blocked(rows)


@pytest.mark.slow
@pytest.mark.parametrize("name", FILMS)
def test_a_mesh_is_sampled_as_recorded_by_another_sampler(name):
    given, expected, known = FILMS[name]
    engine, mean, error = sampled(given, 4000)
    assert np.all(np.abs(mean - expected) < GATE * np.hypot(error, known)), (mean, error)
    assert error[0] < 0.012  # 1 %
    assert engine.rest().reached


@pytest.mark.slow
def test_the_whole_energy_is_sampled_as_by_single_moves():
    # without a field, where the dipoles of the moves alone leave most out
    given = {"coupling": 3.0, "langevin": 0.0}
    system = film(100, fraction=0.05, dipole_sum="mesh", tolerance=1e-3, **given)
    direct = Sampler(system, random_state(system, 5), 6)
    direct.sweep(2000)
    rows = []
    for _ in range(300):
        direct.sweep(20)
        rows.append(direct.observe()[:2])
    expected, known = blocked(rows)
    _, mean, error = sampled(given, 2000)
    assert np.all(np.abs(mean[:2] - expected) < GATE * np.hypot(error[:2], known))


def test_rounds_are_accepted_by_what_moves_leave_out(monkeypatch):
    # a whole energy that is that of the moves leaves nothing out: each round is taken
    from sim.kernels.sampler import layout, rounds
    from sim.sampler import engine as module

    class Moves:
        def __init__(self, system, threads):
            pass

        def __call__(self, held):
            from sim.kernels.vectors.calls import Packed

            packed = Packed(held)
            packed.call(rounds.refresh, 0)
            packed.call(rounds.find_energy, 0)
            return float(held.found[layout.TOTAL])

    system = film(40, dipole_sum="exact", dynamics="monte_carlo")
    monkeypatch.setattr(module, "WholeEnergy", Moves)
    engine = SamplerEngine(system, random_state(system, 2), 1)
    settled = []
    for one in engine.films:
        keep = one.settle
        monkeypatch.setattr(
            one, "settle", lambda whole, keep=keep: settled.append(keep(whole)) or settled[-1]
        )
    engine.advance(5)
    assert len(settled) > 10
    assert all(settled)
    assert math.isfinite(engine.films[0].energy)
