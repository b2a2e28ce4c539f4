"""From parameters in SI to the arrays and numbers that an engine steps on, in reduced units."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from sim.film.field_programme import FieldStage
from sim.interactions.added import AddedPairs
from sim.interactions.steric import KINDS, StericLaw
from sim.physics.units import ReducedUnits

if TYPE_CHECKING:
    from sim.interactions.mesh.plan import MeshPlan

__all__ = [
    "ReducedSystem",
]

Floats = NDArray[np.float64]
NONE_ADDED = AddedPairs()


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
    steric : str
        "surfactant" or "soft_core".
    strength : float
        Strength of the soft core in kT; the windows have it too.
    shell, grafting : float
        Thickness of the shell, molecules per area of the core.
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
    core_weight, shell_weight : float
        Weight as ``sim.interactions.gravity`` gives it.
    down : tuple of float
        Where things fall.
    gradient : tuple of float
        dB_a/dx_b as (xx, yy, zz, xy, xz, yz).
    mesh : MeshPlan or None
        The mesh of the dipole sum "mesh".
    mesh_every : int
        Steps from one sum of the mesh to the next.
    induced : bool
        Whether the moments are m_s L(core_langevin b) along the local field b (multicore beads).
    saturation : float64 (N,) or None
        Their m_s, the same as ``moment``; None where moments are fixed.
    core_langevin : float
        Moment of one small core of a bead; 0 where moments are fixed.
    inner_steps : int
        Inner steps of a step: near pairs are summed again in each, all others once a step.
    core_stiffness : float
        Of cores that touch, in kT/d0^2; 0 where layers of surfactant keep them apart.
    """

    units: ReducedUnits
    radius: Floats
    moment: Floats
    mobility: Floats
    turning: Floats
    sides: tuple[float, float]
    thickness: float
    steric: Literal["surfactant", "soft_core"]
    strength: float
    shell: float
    grafting: float
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
    core_weight: float = 0.0
    shell_weight: float = 0.0
    down: tuple[float, float, float] = (0.0, 0.0, -1.0)
    gradient: tuple[float, float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    mesh: MeshPlan | None = None
    mesh_every: int = 1
    induced: bool = False
    saturation: Floats | None = None
    core_langevin: float = 0.0
    inner_steps: int = 1
    core_stiffness: float = 0.0

    @property
    def repulsion(self) -> StericLaw:
        """The repulsion of pairs, its shell not quite without thickness."""
        shell = max(self.shell, 1e-9)
        return StericLaw(KINDS[self.steric], shell, self.grafting, self.strength)

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
        return any(part != 0.0 for part in (self.core_weight, self.shell_weight, *self.gradient))

    @property
    def has_momenta(self) -> bool:
        """Whether the step carries momenta: inertia, or mobilities that depend on the place."""
        return self.dynamics == "langevin" or self.hindered

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
