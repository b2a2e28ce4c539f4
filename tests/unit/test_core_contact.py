"""Cores that touch under weak layers: how far dipoles press them, and when layers hold."""

import dataclasses
import math

import numpy as np
import pytest
from scipy.optimize import brentq, minimize_scalar

from sim.engines.cpu import CpuEngine, StepError
from sim.film.added_stiffness import CLIMBED
from sim.film.core_contact import contact_stiffness, layers_hold
from sim.film.placing import random_state
from sim.film.time_step import limits
from sim.interactions.steric import StericLaw
from sim.kernels.laws import pairs as pair_laws
from tests.reference import naive
from tests.reference.small_systems import film

SHELL = 0.08
CORE = 1.0 - 2.0 * SHELL
RADII = np.full(4, 0.5)


def law_of(grafting):
    return StericLaw(pair_laws.SURFACTANT, SHELL, grafting, 0.0)


def pressed(r, moment, grafting, stiffness):
    """Return the energy of two particles head to tail."""
    brush = pair_laws.brush_energy(r * r, 0.5, 0.5, SHELL, grafting, stiffness)
    return float(brush) - 2.0 * moment**2 / r**3


@pytest.mark.parametrize("coupling", [0.01, 0.2, 0.5, 1.0, 2.0, 10.0, 300.0, 1e5])
def test_dipoles_press_bare_cores_together_by_two_per_cent(coupling):
    # 300 (lambda + 1/2) x = 6 lambda/(1 - x)^4, in core diameters
    spring = 300.0 * (coupling + 0.5)
    share = brentq(lambda x: spring * x * (1.0 - x) ** 4 - 6.0 * coupling, 0.0, 0.1)
    assert share < 0.0225
    moment = math.sqrt(coupling * CORE**3)
    stiffness = contact_stiffness(law_of(1e-6), RADII, np.full(4, moment))
    found = minimize_scalar(
        pressed, args=(moment, 1e-6, stiffness), bounds=(0.8 * CORE, 1.1 * CORE), method="bounded",
        options={"xatol": 1e-9},
    )  # fmt: skip
    assert 1.0 - found.x / CORE == pytest.approx(share, rel=0.01, abs=1e-4)
    # From there it is uphill by 18 lambda, and always more than a run climbs, before dipoles win.
    top = max(pressed(r, moment, 1e-6, stiffness) for r in np.linspace(0.05, 0.98, 2000) * CORE)
    assert top - found.fun > max(17.0 * coupling, CLIMBED)


@pytest.mark.parametrize("grafting", [0.0, 150.0])
def test_push_of_touching_cores_is_the_slope_of_their_energy(grafting):
    radii, shift = (0.5, 0.62), 1e-6
    for r in np.linspace(0.75, 1.15, 40):
        args = (*radii, SHELL, grafting, 900.0)
        ahead = pair_laws.brush_energy((r + shift) ** 2, *args)
        behind = pair_laws.brush_energy((r - shift) ** 2, *args)
        push = pair_laws.brush_push(r * r, *args) * r
        assert push == pytest.approx(-(ahead - behind) / (2.0 * shift), rel=1e-5, abs=1e-4)
    # Apart, cores push by their layers alone.
    for r in np.linspace(0.97, 1.15, 10):
        layers = pair_laws.brush_push(r * r, *radii, SHELL, grafting)
        assert pair_laws.brush_push(r * r, *radii, SHELL, grafting, 900.0) == layers


def climb(grafting, moment):
    """Return the climb in kT on the way into each other, by plain loops."""
    lowest, highest = math.inf, 0.0
    for r in np.linspace(1.0, 0.3, 3000):
        energy = naive.brush_pair(np.array([r, 0.0, 0.0]), 1.0, 1.0, SHELL, grafting)[0]
        energy -= 2.0 * moment**2 / r**3
        lowest = min(lowest, energy)
        highest = max(highest, energy - lowest)
    return highest


@pytest.mark.parametrize("coupling", [1.0, 4.0, 12.0])
def test_layers_hold_from_a_climb_on_that_no_run_makes(coupling):
    moment = math.sqrt(coupling)
    least = brentq(lambda g: climb(g, moment) - CLIMBED, 1.0, 3000.0, xtol=0.1)
    weak, strong = law_of(0.97 * least), law_of(1.03 * least)
    moments = np.full(4, moment)
    assert not layers_hold(weak, RADII, moments)
    assert contact_stiffness(weak, RADII, moments) > 0.0
    assert layers_hold(strong, RADII, moments)
    assert contact_stiffness(strong, RADII, moments) == 0.0


def nearest(system, positions):
    gap = positions[:, None] - positions
    gap[..., :2] -= np.array(system.sides) * np.rint(gap[..., :2] / np.array(system.sides))
    return np.linalg.norm(gap + 9.0 * np.eye(len(positions))[..., None], axis=2).min()


def test_films_that_fall_in_without_springs_run_with_them():
    # Measured: without springs climbs of 8 and 12 kT stop all of three runs within 0.6 d^2/D, 16
    # and 20 kT none in 3 d^2/D; with springs none is stopped, cores overlap by 1 to 3 %.
    coupling = 8.0
    grafting = brentq(lambda g: climb(g, math.sqrt(coupling)) - 8.0, 1.0, 3000.0, xtol=0.1)
    system = film(64, coupling=coupling, fraction=0.1, thickness=6.0, steric="surfactant",
                  shell=SHELL, grafting=grafting)  # fmt: skip
    law, state = law_of(grafting), random_state(system, 1)
    bare = limits(law, system.radius, system.moment, system.turning, 4.0)
    without = CpuEngine(dataclasses.replace(system, dt=bare.shortest), state, 1)
    with pytest.raises(StepError, match=r"thrown|capped"):
        without.advance(round(0.6 / bare.shortest))
    stiffness = contact_stiffness(law, system.radius, system.moment)
    step = bare.with_cores(stiffness, system.radius, SHELL).shortest
    held = dataclasses.replace(system, dt=step, core_stiffness=stiffness)
    engine = CpuEngine(held, state, 1)
    engine.advance(round(0.6 / step))
    assert engine.timing["capped_moves"] == 0
    assert 0.95 * CORE < nearest(held, engine.snapshot().positions) < 1.1 * CORE


def test_soft_cores_have_no_hard_ones_inside():
    soft = StericLaw(pair_laws.SOFT_CORE, SHELL, 0.0, 0.01)
    assert contact_stiffness(soft, RADII, np.full(4, 100.0)) == 0.0
