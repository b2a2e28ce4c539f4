"""From parameters in SI to the arrays and numbers that an engine steps on, in reduced units."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from analysis.common.arrays import Floats
from sim.film.field_programme import FieldStage
from sim.interactions.added import AddedPairs
from sim.interactions.gravity import BodyForces
from sim.interactions.steric import StericLaw
from sim.physics.units import ReducedUnits

if TYPE_CHECKING:
    from sim.interactions.flow.plan import FlowPlan
    from sim.interactions.mesh.plan import MeshPlan

NONE_ADDED = AddedPairs()
NO_BODY_FORCES = BodyForces()


# A drift longer than the cap is shortened and counted; one longer than the limit stops the run.
# List margins that cost least on both sides of this step, and of outer steps (flat optima,
# measured).
@dataclass(frozen=True)
class ReducedSystem:
    """A film as an engine sees it; lengths in d0, energies in kT, times in d0^2/D0.

    Attributes
    ----------
    units : ReducedUnits
        What one unit is in SI.
    radius, moment, mobility, turning : float64 (N,)
        Half the steric diameter; moment (two at distance r have the energy m^2/r^3), of induced
        ones the largest; D_i/D0; rotational diffusion of the moment, 0 for induced ones.
    sides : tuple of float
    thickness : float
    repulsion : StericLaw
        Of pairs, its shell not quite without thickness.
    window_strength : float
        Energy of any particle at contact with a window in kT.
    dipole_sum : str
        "mesh", "cutoff" or "exact"; "exact" too where a mesh does not pay.
    cutoff : float
        Range of the cut-off sum.
    tolerance : float
        Relative error of the mesh and of the exact sum.
    field : tuple of FieldStage
    dt, dt_s : float
        Step, reduced and in s; of a sampled film the one that dynamics would take.
    steps : int
        Steps of the whole run; of a sampled one its sweeps.
    limit : str
        What limits the step, in words.
    list_margin : float
        Beyond the range of the forces, a pair is listed up to this distance.
    precision : str
        Of the pair arithmetic.
    seed : int
    turning_capped : bool
        Whether the turning of some moments was slowed to what the step allows.
    dynamics : str
        "brownian", "langevin" or "monte_carlo".
    momentum_time, spin_time : float64 (N,) or None
        Times in which a particle forgets its velocity and its rotation; None without inertia.
    hindered : bool
        Whether the windows slow the particles near them.
    noise : float
        Factor on the noise, for checks of a law without it; no key of a file sets it.
    longest_dt, longest_dt_reason : float, str
        Step that would have been chosen, and why, where the file gives one; infinite else.
    added : AddedPairs
        Pair laws beside dipoles and repulsion.
    added_reach : float
        Range of all of them; 0 where none acts.
    body : BodyForces
        Weight and gradient of the field.
    mesh : MeshPlan or None
        The mesh of the dipole sum "mesh".
    mesh_every : int
        Steps from one sum of the mesh to the next.
    core_langevin : float
        Moment of one small core of a bead; 0 where moments are fixed.
    inner_steps : int
        Inner steps of a step: near pairs are summed again in each, all others once a step.
    core_stiffness : float
        Of cores that touch, in kT/d0^2; 0 where layers of surfactant keep them apart.
    flow : FlowPlan or None
        The sum of the flow that particles stir up; None where each moves as if it were alone.
    flow_every : int
        Steps from one move by the smooth part of the flow to the next.
    """

    units: ReducedUnits
    radius: Floats
    moment: Floats
    mobility: Floats
    turning: Floats
    sides: tuple[float, float]
    thickness: float
    repulsion: StericLaw
    window_strength: float
    dipole_sum: Literal["mesh", "cutoff", "exact"]
    cutoff: float
    tolerance: float
    field: tuple[FieldStage, ...]
    dt: float
    dt_s: float
    steps: int
    limit: str
    list_margin: float
    precision: Literal["float32", "float64"]
    seed: int
    turning_capped: bool = False
    dynamics: Literal["brownian", "langevin", "monte_carlo"] = "brownian"
    momentum_time: Floats | None = None
    spin_time: Floats | None = None
    hindered: bool = False
    noise: float = 1.0
    longest_dt: float = math.inf
    longest_dt_reason: str = ""
    added: AddedPairs = NONE_ADDED
    added_reach: float = 0.0
    body: BodyForces = NO_BODY_FORCES
    mesh: MeshPlan | None = None
    mesh_every: int = 1
    core_langevin: float = 0.0
    inner_steps: int = 1
    core_stiffness: float = 0.0
    flow: FlowPlan | None = None
    flow_every: int = 1

    @property
    def induced(self) -> bool:
        """Whether moments are m_s L(core_langevin b) along the local field b (multicore beads)."""
        return self.core_langevin > 0.0

    @property
    def saturation(self) -> Floats | None:
        """Their m_s, (N,), the same as ``moment``; None where moments are fixed."""
        return self.moment if self.induced else None

    @property
    def inner_dt(self) -> float:
        """The step in which particles move."""
        return self.dt / self.inner_steps

    @property
    def has_body_forces(self) -> bool:
        """Whether gravity or a gradient of the field acts."""
        curves = [stage.curve for stage in self.field if stage.curve is not None]
        if any(np.any(curve[:, :, 3:]) for curve in curves):
            return True
        return self.body.acts

    @property
    def has_momenta(self) -> bool:
        """Whether the step carries momenta: inertia, or mobilities that depend on the places."""
        return self.dynamics == "langevin" or self.hindered or self.flow is not None

    @property
    def thermal_velocity(self) -> Floats | None:
        """Spread of each velocity component, sqrt(kT/m) = sqrt(D/momentum time)."""
        if self.momentum_time is None:
            return None
        return np.asarray(np.sqrt(self.mobility / self.momentum_time))

    @property
    def thermal_spin(self) -> Floats | None:
        """Spread of each component of the rotation vector per unit of time, sqrt(kT/I)."""
        if self.spin_time is None:
            return None
        return np.asarray(np.sqrt(self.turning / self.spin_time))

    def drags(self) -> Floats:
        """Return tanh(dt/(2 tau)) of moving and turning, (2, N): 1 without inertia."""
        ones = np.ones(self.count)
        return np.array(
            [
                ones if time is None else np.tanh(0.5 * self.dt / time)
                for time in (self.momentum_time, self.spin_time)
            ]
        )

    @property
    def count(self) -> int:
        """Number of particles."""
        return len(self.radius)
