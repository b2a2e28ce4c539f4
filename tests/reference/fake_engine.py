"""A small engine with the protocol of the real one: deterministic numpy steps, no physics.

Every step depends on the state and the step number only, so the result is the same however the run
is cut. `fake_setup` stands in for `sim.run.setup.RunSetup`, so that run control can be tested
without kernels.
"""

import time
from dataclasses import dataclass, replace
from functools import cached_property
from types import SimpleNamespace

import numpy as np

from sim.outlook.expectations import expect
from sim.run.setup import RunSetup

COUNT = 12
SIDES = (200e-9, 150e-9)
THICKNESS = 100e-9
DIAMETER = 20e-9


@dataclass
class FakeState:
    positions: np.ndarray
    image: np.ndarray
    directions: np.ndarray
    step: int = 0
    time: float = 0.0
    seed: int = 1


def start_state(seed=1):
    rng = np.random.default_rng(seed)
    directions = rng.normal(size=(COUNT, 3))
    directions /= np.linalg.norm(directions, axis=1)[:, None]
    box = np.array([*SIDES, THICKNESS]) / DIAMETER
    return FakeState(
        rng.random((COUNT, 3)) * box, np.zeros((COUNT, 2), np.int32), directions, seed=seed
    )


def fake_particles():
    return SimpleNamespace(
        diameter=np.full(COUNT, DIAMETER),
        core_diameter=np.full(COUNT, DIAMETER - 4e-9),
        moment=np.full(COUNT, 1e-18),
        magnetic_diameter=np.full(COUNT, DIAMETER - 4e-9),
        sides=np.array(SIDES),
        thickness=THICKNESS,
    )


def fake_setup(steps=100, dt_s=1e-9):
    """Return a class that stands in for `sim.run.setup.RunSetup`."""

    class FakeSetup(RunSetup):
        doubts = ()

        def __init__(self, parameters, threads=None, device="cpu"):
            super().__init__(parameters, threads, device)
            self._crew = threads or 1, ""
            self.notices = []
            self.particles = fake_particles()
            units = SimpleNamespace(length_m=DIAMETER, field_t=0.5)
            self.system = SimpleNamespace(dt=0.01, dt_s=dt_s, steps=steps, units=units)
            self.state = start_state(parameters.run.seed)

        def state_before(self, kept):  # noqa: ARG002
            return self.state

        def _require_memory(self):
            pass

        @property
        def derived(self):
            return {"coupling": 4.0}

        @cached_property
        def expectations(self):
            return expect(self.parameters)

    return FakeSetup


class FakeEngine:
    """Moves particles by a fixed drift and a noise that depends on (seed, step) only.

    Parameters
    ----------
    fail_at : int or None
        Step that raises, as a step that throws a particle too far does.
    sleep_s : float
        Wall time of a step.
    capped : int
        Capped moves to report.
    """

    def __init__(self, system, state, threads, *, fail_at=None, sleep_s=0.0, capped=0):  # noqa: ARG002
        self._state = replace(state)
        self._box = np.array(SIDES) / DIAMETER
        self._fail_at = fail_at
        self._sleep_s = sleep_s
        self.pieces = []
        self.timing = {
            "compile_s": 0.5,
            "stepping_s": 0.0,
            "lists_built": 3,
            "capped_moves": capped,
        }

    @property
    def step(self):
        return self._state.step

    def compile(self):
        pass

    def advance(self, steps):
        self.pieces.append(steps)
        before, began = self._state, time.perf_counter()
        try:
            for _ in range(steps):
                self._one_step()
        except RuntimeError:
            self._state = before
            raise
        if self._sleep_s:
            time.sleep(self._sleep_s * steps)
        self.timing["stepping_s"] += time.perf_counter() - began

    def _one_step(self):
        state = self._state
        if state.step == self._fail_at:
            raise RuntimeError("particle 3 moved 1.2 diameters in step 40; use a shorter time_step")
        noise = np.random.default_rng([state.seed, state.step]).normal(size=(COUNT, 3))
        moved = state.positions + 0.2 * noise
        moved[:, 2] = np.clip(moved[:, 2], 0.5, THICKNESS / DIAMETER - 0.5)
        cells = np.floor(moved[:, :2] / self._box)
        moved[:, :2] -= cells * self._box
        directions = state.directions + 0.05 * noise[:, ::-1]
        directions /= np.linalg.norm(directions, axis=1)[:, None]
        self._state = FakeState(
            moved,
            (state.image + cells).astype(np.int32),
            directions,
            state.step + 1,
            state.time + 0.01,
            state.seed,
        )

    def snapshot(self):
        return replace(self._state, positions=self._state.positions.copy())

    def observe(self):
        mean = self._state.directions.mean(axis=0)
        return {
            "dipolar": -1.5,
            "steric": 0.25,
            "windows": 0.125,
            "field": -float(mean[0]),
            "magnetisation": mean,
            "applied_field": np.array([0.06, 0.0, 0.0]),
        }

    def checkpoint(self):
        state = self._state
        return {
            "positions": state.positions.copy(),
            "image": state.image.copy(),
            "directions": state.directions.copy(),
            "step": state.step,
            "time": state.time,
            "seed": state.seed,
        }

    def restore(self, checkpoint):
        self._state = FakeState(**checkpoint)
