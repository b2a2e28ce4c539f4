"""Complex susceptibility: fluctuations and the answer to a field against Debye, and each other.

Sources: a single relaxation time gives chi' = chi0/(1 + (w tau)^2), chi'' = chi0 w tau/(1 +
(w tau)^2) (P. Debye, Polar Molecules (1929)); free dipoles have chi0 = n m^2/(3 kT) (P. Langevin,
Ann. Chim. Phys. 5, 70 (1905)) and tau_B = 1/(2 D_r). Fluctuations and answer are tied by the
fluctuation-dissipation theorem (R. Kubo, Rep. Prog. Phys. 29, 255 (1966)).

Gates are at 4 standard errors, fixed seeds.
"""

import math

import numpy as np
import pytest

from analysis.response.lag import response
from analysis.response.susceptibility import debye, fluctuation_spectrum, static_susceptibility
from sim.engines.cpu import CpuEngine
from sim.film.field_programme import FieldStage
from tests.benchmarks.coverage import coverage
from tests.reference.small_systems import film, random_film

TAU = 1.0 / 6.0
"""Brown time of a particle of diameter 1: 1/(2 D_r), D_r = 3."""


def relaxing(rng, trials, count, tau, push=None):
    """Return exact series of dM/dt = -(M - push(t))/tau + noise of variance 1, a step a frame.

    The push is held over each frame; ``tau`` is in frames.
    """
    keep = math.exp(-1.0 / tau)
    out = np.empty((trials, count))
    out[:, 0] = rng.standard_normal(trials)
    for k in range(1, count):
        kick = math.sqrt(1.0 - keep**2) * rng.standard_normal(trials)
        pushed = 0.0 if push is None else push[k - 1]
        out[:, k] = pushed + (out[:, k - 1] - pushed) * keep + kick
    return out


def test_fluctuations_of_a_debye_series_give_its_spectrum():
    rows = relaxing(np.random.default_rng(21), 100, 1000, 8.0)
    inside, statics, times = [], [], []
    for row in rows:
        found = fluctuation_spectrum(row[:, None], 1.0, 1.0)
        if found.reason is not None:  # a series that seems to remember too long says so
            continue
        wanted = debye(found.frequency_hz, 1.0, 8.0)
        inside.append(
            [
                np.mean(np.abs(found.in_phase - wanted[0]) < found.in_phase_error),
                np.mean(np.abs(found.behind - wanted[1]) < found.behind_error),
            ]
        )
        times.append(found.time)
        statics.append(static_susceptibility(row[:, None], 1.0))
    assert len(times) >= 96
    # Frequencies of one series go together: 4 sigma of 100 trials, and 5 points for the jackknife.
    scatter = 4.0 * math.sqrt(0.68 * 0.32 / 100)
    for share in np.mean(inside, axis=0):
        assert 0.63 - scatter < share < 0.73 + scatter
    for found, truth in ((statics, 1.0), (times, 8.0)):
        short, long = coverage(found, truth)
        assert short > 0.58 - scatter
        assert long > 0.90 - 4.0 * math.sqrt(0.9 * 0.1 / 100)


def test_fluctuations_and_answer_of_a_debye_series_agree():
    # A push at w tau = 1 (the loss is largest) of the spread of M, over 100 periods.
    tau, count = 10.0, 2 * 3142
    pace = 1.0 / tau
    angles = pace * np.arange(count)
    rng = np.random.default_rng(22)
    # Held for a frame, the push acts half a frame late: its angle is that of the middle.
    driven = relaxing(rng, 1, count, tau, np.cos(angles + 0.5 * pace))[0]
    along, behind, reason = response(angles, driven)
    assert reason is None
    rest = relaxing(rng, 1, count, tau)[0]
    found = fluctuation_spectrum(rest[:, None], 1.0, 1.0, pace / (2.0 * math.pi))
    pairs = (
        (along, found.in_phase[-1], found.in_phase_error[-1]),
        (behind, found.behind[-1], found.behind_error[-1]),
    )
    for answer, fluctuation, error in pairs:
        mine, spread = answer.value, answer.error
        assert spread < 0.06
        assert error < 0.15
        assert mine == pytest.approx(0.5, abs=4.0 * spread)  # both parts are chi0/2 at w tau = 1
        assert fluctuation == pytest.approx(0.5, abs=4.0 * error)
        assert mine == pytest.approx(fluctuation, abs=4.0 * math.hypot(spread, error))


def looks(stage, count, frames, every, dt):
    """Return directions of free dipoles at evenly spaced looks, (frames, count, 3)."""
    system = film(
        count, coupling=1e-6, fraction=2e-4, thickness=120.0, cutoff=2.0, list_margin=8.0,
        field=(stage,), dt=dt,
    )  # fmt: skip
    engine = CpuEngine(system, random_film(system, 17), 1)
    engine.advance(round(5.0 * TAU / dt))
    times, seen = [], []
    for _ in range(frames):
        engine.advance(every)
        times.append(engine.step * dt)
        seen.append(engine.snapshot().directions)
    return np.array(times), np.array(seen)


def test_free_dipoles_fluctuate_and_answer_as_debye_says(tell):
    count, dt, every, groups, xi = 1000, 2e-3, 10, 10, 0.3
    pace = 1.0 / TAU
    b = xi / math.sqrt(1e-6)
    nothing = (0.0, 0.0, 0.0)
    _, rest = looks(FieldStage("hold", math.inf, nothing, nothing), count, 800, every, dt)
    # Dipoles do not feel each other: groups of them, and axes, are independent components.
    series = rest.reshape(800, groups, count // groups, 3).mean(axis=2).reshape(800, -1)
    scale = 3.0 * count / groups  # chi0 of free dipoles is then 1
    found = fluctuation_spectrum(series, every * dt, scale, pace / (2.0 * math.pi))
    static = static_susceptibility(series, scale)
    assert found.reason is None
    assert static.value == pytest.approx(1.0, abs=4.0 * static.error)
    assert found.time.value == pytest.approx(TAU, abs=4.0 * found.time.error)
    assert found.time.error < 0.1 * TAU
    wanted = debye(found.frequency_hz, 1.0, TAU)
    assert np.all(np.abs(found.in_phase - wanted[0]) < 4.0 * found.in_phase_error)
    assert np.all(np.abs(found.behind - wanted[1]) < 4.0 * found.behind_error)

    stage = FieldStage("oscillate", math.inf, (b, 0.0, 0.0), nothing, pace)
    times, driven = looks(stage, count, 800, every, dt)
    along, behind, reason = response(pace * times, driven[:, :, 0].mean(axis=1))
    assert reason is None
    for name, answer, fluctuation, error in (
        ("in phase", along, found.in_phase[-1], found.in_phase_error[-1]),
        ("behind", behind, found.behind[-1], found.behind_error[-1]),
    ):
        mine, spread = 3.0 / xi * answer.value, 3.0 / xi * answer.error
        source = "Debye 1929"
        tell(f"χ {name}/χ0 at ω τ_B = 1, oscillating field", 0.5, mine, spread, source=source)
        tell(f"χ {name}/χ0 at ω τ_B = 1, fluctuations", 0.5, fluctuation, error, source=source)
        assert spread < 0.08
        # A field of xi = 0.3 is weak to xi^2/15 = 0.6 % (Langevin's next term).
        assert mine == pytest.approx(0.5, abs=4.0 * spread + 0.006)
        assert mine == pytest.approx(fluctuation, abs=4.0 * math.hypot(spread, error) + 0.006)
