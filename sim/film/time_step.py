"""How long a step may be: the stiffest repulsion and the fastest turning moment decide.

The averaged-noise scheme stays stable far beyond the steps that are right, so stability is no
guide; the shares below keep the bias of the mean pair energy under 1 % (measured, see
tests/benchmarks/README.md).
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.common.arrays import Floats
from analysis.common.blocks import largest_of_each, of_each
from sim.film.added_stiffness import added_curvature, kept_apart
from sim.physics.units import format_quantity

if TYPE_CHECKING:
    from sim.film.reduced_system import ReducedSystem
    from sim.interactions.added import AddedPairs
    from sim.interactions.steric import StericLaw

STIFFNESS_SHARE = 0.25
TURNING_SHARE = 0.2
# The windows have soft cores: weak layers of surfactant would allow steps that these do not.
WINDOW_SHARE = 0.35
WINDOWS = "the stiffness of the windows"
CORES = "the stiffness of cores that touch"
PUSH = "the push of weight and gradient"
# The field of a chain on one of its moments: 4 zeta(3) = 4.8 lambda kT/m.
CHAIN_FIELD = 4.8
# Depth of thermal collisions in a soft core, in kT, where no dipole presses harder.
COLLISION_ENERGY = 5.0
SIZES_COMPARED = 32
ADDED_SIZES_COMPARED = 7
# Inertial steps stay right beyond the momentum time, but no longer show how momentum is lost.
MOMENTUM_SHARE = 0.5
STEPS_PER_PERIOD = 50
ROTATION = "rotation in the field of the neighbours"
PERIOD = "the period of the field"


@dataclass(frozen=True)
class StepLimits:
    """The longest steps in units of d0^2/D0 that each motion allows.

    Attributes
    ----------
    stiffness, turning : float
        Limit of the stiffest repulsion, and of the fastest turning moment.
    reason : str
        Which of them limits, in words.
    momentum, period : float
        Limits of the momentum times of inertial dynamics, and of a field that oscillates or turns.
    push : float
        Limit of weight and gradients that push single particles.
    """

    stiffness: float
    turning: float
    reason: str
    momentum: float = math.inf
    period: float = math.inf
    push: float = math.inf

    @property
    def shortest(self) -> float:
        """The step that all allow."""
        return min(self.stiffness, self.turning, self.momentum, self.period, self.push)

    def with_stiffness(self, factor: float) -> StepLimits:
        """Return the limits with that of the stiffest repulsion ``factor`` times as long."""
        found = dataclasses.replace(self, stiffness=factor * self.stiffness)
        if found.shortest < found.stiffness and self.stiffness == self.shortest:
            others = {ROTATION: self.turning, PERIOD: self.period, PUSH: self.push}
            return dataclasses.replace(found, reason=min(others, key=lambda name: others[name]))
        return found

    def with_inertia(self, *times: Floats | None) -> StepLimits:
        """Return the limits with that of the shortest momentum time added, if there is any."""
        given = [float(np.min(time)) for time in times if time is not None]
        if not given:
            return self
        found = MOMENTUM_SHARE * min(given)
        reason = "the momentum time of the particles" if found < self.shortest else self.reason
        return dataclasses.replace(self, momentum=found, reason=reason)

    def with_cores(self, stiffness: float, radius: Floats, shell: float) -> StepLimits:
        """Return the limits with that of cores that touch, as stiff as springs, added."""
        core = 2.0 * float(np.min(radius) - shell)
        found = STIFFNESS_SHARE * min(2.0 * float(np.min(radius)), core) / max(stiffness, 1e-300)
        reason = CORES if found < self.shortest else self.reason
        return dataclasses.replace(self, stiffness=min(self.stiffness, found), reason=reason)

    def with_push(self, longest: float) -> StepLimits:
        """Return the limits with that of what pushes single particles added."""
        reason = PUSH if longest < self.shortest else self.reason
        return dataclasses.replace(self, push=longest, reason=reason)

    def with_period(self, period: float) -> StepLimits:
        """Return the limits with that of the shortest period of the field added."""
        found = period / STEPS_PER_PERIOD
        reason = PERIOD if found < self.shortest else self.reason
        return dataclasses.replace(self, period=found, reason=reason)


def round_down(value: float, digits: int = 3) -> float:
    """Return the value rounded down to ``digits`` significant digits."""
    scale = 10.0 ** (math.floor(math.log10(value)) - digits + 1)
    return math.floor(value / scale * (1.0 + 1e-12)) * scale


def soft_core_curvature(strength: float, coupling: Floats) -> Floats:
    """Return U'' of the soft core, in kT/s^2, where its energy reaches the largest that is met.

    That is the contact energy 2 lambda of the pair's dipoles, at least 5 kT of a collision.

    Notes
    -----
    U = 4e (x^12 - x^6) + e with x = s/r, so x^6 = (1 + sqrt(U/e))/2 and
    U'' s^2 = 4e (156 x^14 - 42 x^8).
    """
    reached = np.maximum(2.0 * coupling, COLLISION_ENERGY)
    x = (0.5 * (1.0 + np.sqrt(reached / strength))) ** (1.0 / 6.0)
    return np.asarray(4.0 * strength * (156.0 * x**14 - 42.0 * x**8))


def brush_curvature(core: Floats, contact: Floats, shell: float, grafting: float) -> Floats:
    """Return U'' of two surfactant layers at contact: pi dc^2 zeta/(2 delta dt), in kT."""
    return np.asarray(0.5 * math.pi * grafting / shell * core**2 / contact)


def numbers_by_size(radius: Floats, most: int) -> NDArray[np.int64]:
    """Return the numbers of so many particles or fewer, evenly from the smallest to the largest."""
    chosen: NDArray[np.int64] = np.unique(np.linspace(0, len(radius) - 1, most).astype(int))
    if radius.min() == radius.max():
        return chosen
    return np.asarray(np.argsort(radius, kind="stable")[chosen])


def _stiffest(
    law: StericLaw,
    radius: Floats,
    moment: Floats,
    added: AddedPairs | None = None,
    crowded: float = math.inf,
    pressed: float = 0.0,
) -> tuple[float, bool]:
    """Return the largest k_ij (D_i + D_j)/2 over pairs, and whether the added forces make it.

    In reduced units. Shells of pairs that never touch have no say.
    """
    order = numbers_by_size(radius, SIZES_COMPARED)
    diameter, strength = 2.0 * radius[order], moment[order]
    if not law.is_soft:
        core = diameter - 2.0 * law.shell
        pair = 2.0 * core[:, None] * core / (core[:, None] + core)
        curvature = brush_curvature(pair, pair + 2.0 * law.shell, law.shell, law.grafting)
    else:
        mean = 0.5 * (diameter[:, None] + diameter)
        coupling = strength[:, None] * strength / mean**3
        curvature = soft_core_curvature(law.strength, coupling) / mean**2
    mobility = 0.5 * (1.0 / diameter[:, None] + 1.0 / diameter)
    stiffest = float(np.max(curvature * mobility))
    if added is None or not added.acts:
        return stiffest, False
    few = np.unique(np.linspace(0, len(order) - 1, ADDED_SIZES_COMPARED).astype(int))
    i, j = (pair.ravel() for pair in np.meshgrid(few, few, indexing="ij"))
    half = 0.5 * diameter
    pair_of = (half[i], strength[i]), (half[j], strength[j])
    more = added_curvature(law, added, *pair_of, crowded)
    if kept_apart(added, *pair_of, crowded, pressed).all():
        return float(np.max(more * mobility[i, j])), True
    whole = (curvature[i, j] + more) * mobility[i, j]
    worst = int(np.argmax(whole))
    return max(stiffest, float(whole[worst])), bool(more[worst] > curvature[i, j][worst])


def limits(
    law: StericLaw,
    radius: Floats,
    moment: Floats,
    turning: Floats,
    largest_field: float,
    added: AddedPairs | None = None,
    window_strength: float = 1.0,
    crowded: float = math.inf,
    pressed: float = 0.0,
) -> StepLimits:
    """Return the steps that the repulsion and the rotation allow.

    Parameters
    ----------
    law : StericLaw
        The repulsion, reduced.
    radius, moment, turning : float64 (N,)
        Steric radius, moment and Brownian rotational diffusion (0: does not turn), reduced.
    largest_field : float
        Largest applied field, reduced.
    added : AddedPairs or None
        Added pair laws, reduced: their curvature, where pairs come, adds to that of the repulsion.
    window_strength : float
        Strength of the soft cores of the windows in kT.
    crowded : float
        Distance to which particles that repel from afar press each other, reduced.
    pressed : float
        Force with which weight and gradient press particles together, reduced.

    Returns
    -------
    StepLimits

    Notes
    -----
    k (D_i + D_j)/2 dt = 0.25 for the stiffest pair, and D_rot dt (xi + 4.8 lambda) = 0.2, where
    4.8 lambda kT/m is the field of a long chain on its own moments.
    """
    stiffest, is_added = _stiffest(law, radius, moment, added, crowded, pressed)
    stiffness = STIFFNESS_SHARE / max(stiffest, 1e-300)
    by_windows = _window_limit(law, radius, window_strength)
    torque = local_langevin(radius, moment, largest_field)
    fastest = largest_of_each(np.multiply, turning, torque)
    rotation = TURNING_SHARE / fastest if fastest > 0.0 else math.inf
    if stiffness <= rotation and is_added and added is not None:
        reason = f"the stiffness of {added.words} forces"
    elif stiffness <= rotation:
        reason = "the soft core's stiffness" if law.is_soft else "the surfactant's stiffness"
    else:
        reason = ROTATION
    if by_windows < min(stiffness, rotation):
        reason = WINDOWS
    return StepLimits(min(stiffness, by_windows), rotation, reason)


def _window_limit(law: StericLaw, radius: Floats, strength: float) -> float:
    """Return the step that the soft cores of the windows allow, beside layers of surfactant.

    Between particles with soft cores these are at least as stiff.
    """
    if law.is_soft:
        return math.inf
    diameter = 2.0 * float(radius.min())
    curvature = float(soft_core_curvature(strength, np.array(0.0))) / diameter**2
    return WINDOW_SHARE * diameter / curvature


def local_langevin(radius: Floats, moment: Floats, field: float) -> Floats:
    """Return xi + 4.8 lambda of each particle, at least 1: the steepness that a moment may meet."""

    def steepness(radius: Floats, moment: Floats) -> Floats:
        coupling = moment**2 / (2.0 * radius) ** 3
        return np.maximum(1.0, moment * field + CHAIN_FIELD * coupling)

    return of_each(steepness, radius, moment)


def too_long_step(system: ReducedSystem) -> str:
    """Return the sentence on a step of the file that is longer than the automatic one."""
    longest = format_quantity(round_down(system.longest_dt * system.units.time_s, 2), "time")
    return (
        f"[run] time_step of {format_quantity(system.dt_s, 'time')} is "
        f"{system.dt / system.longest_dt:.2g} times the longest accurate one, {longest}, which "
        f"{system.longest_dt_reason} sets: energies and structure come out wrong, although the run "
        f"may look stable."
    )
