"""The engine on processor cores: named tuples of arrays, and the compiled step on them."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import numba
import numpy as np
from numpy.typing import NDArray

from sim.engines import cpu_arrays
from sim.engines.checkpoints import processor_of, state_of
from sim.engines.cpu_film import CpuFilm
from sim.engines.cpu_flow import StirredFlow
from sim.engines.cpu_induced import InducedMoments
from sim.engines.cpu_mesh import HeldMesh
from sim.engines.guards import StepError, remedy, require_few_capped, thrown
from sim.film.state import FilmState
from sim.interactions.flow.krylov import UnsettledFlowError
from sim.kernels.steps import energies as energy_kernels
from sim.kernels.steps import layout, step

if TYPE_CHECKING:
    from collections.abc import Mapping

    from sim.film.reduced_system import ReducedSystem

__all__ = ["CpuEngine", "StepError"]

ENDLESS = 2**62
CARRIED = (
    "x", "y", "z", "ux", "uy", "uz", "reference_x", "reference_y", "reference_z",
    "identity", "image_x", "image_y",
)  # fmt: skip


class CpuEngine:
    """Steps a film on the cores of this machine.

    Parameters
    ----------
    system : ReducedSystem
        What the film is.
    state : FilmState
        Where it starts.
    threads : int
        Threads to share the blocks among; they change no bit of the result.
    """

    def __init__(self, system: ReducedSystem, state: FilmState, threads: int = 1) -> None:
        self.system = system
        self._threads = max(1, min(threads, numba.config.NUMBA_NUM_THREADS))  # type: ignore[attr-defined]
        self._timing = {"compile_s": 0.0, "stepping_s": 0.0, "steps": 0}
        self._begin(state)

    def _begin(self, state: FilmState) -> None:
        """Lay out a state in the order of its rows."""
        system = self.system
        self._mesh = None if system.mesh is None else HeldMesh(system, self._threads)
        self._induced = InducedMoments(system) if system.induced else None
        self._flow = None if system.flow is None else StirredFlow(system, self._threads)
        self._film = CpuFilm(
            system,
            state,
            None if self._mesh is None else self._mesh.tables,
            None if self._induced is None else self._induced.beads,
        )
        self._content.magnetisation[:] = self._start_magnetisation(state)
        self._compiled = False
        self._film.prepare()
        if system.has_momenta:
            self._start_momenta(state)

    @property
    def _content(self) -> layout.Film:
        return self._film.content

    @property
    def _slots(self) -> layout.Slots:
        slots: layout.Slots = self._film.content.slots
        return slots

    def _start_magnetisation(self, state: FilmState) -> NDArray[np.float64]:
        """Return the moment per volume of the start state."""
        volume = self.system.sides[0] * self.system.sides[1] * self.system.thickness
        total = np.sum(self.system.moment[:, None] * state.directions, axis=0)
        return np.asarray(total / volume)

    def _start_momenta(self, state: FilmState) -> None:
        """Give the particles the momenta of the start state, else those of equilibrium."""
        system, momentum = self.system, self._slots.momentum
        momentum[:] = system.noise * self._slots.last_noise
        for rows, given, rate in (
            (slice(0, 3), state.velocities, system.thermal_velocity),
            (slice(3, 6), state.spins, system.thermal_spin),
        ):
            if given is not None and rate is not None:
                momentum[rows, : system.count] = (given / rate[:, None]).T

    @property
    def step(self) -> int:
        """Steps made since the start of the run."""
        return self._step

    @property
    def _step(self) -> int:
        return int(self._content.clock[step.MOVE]) // self.system.inner_steps

    @property
    def _seed(self) -> int:
        return int(self._content.clock[step.SEED])

    @property
    def timing(self) -> Mapping[str, float]:
        """Seconds of compiling and of stepping, lists built, capped moves, threads."""
        return {
            **self._timing,
            "lists_built": int(self._content.flags[step.BUILT]),
            "capped_moves": int(self._content.flags[step.CAPPED]),
            "threads": self._threads,
            **({} if self._mesh is None else {"mesh_s": self._mesh.seconds}),
            **({} if self._induced is None else {"induction_sums": self._induced.mean_sums}),
            **({} if self._flow is None else self._flow.timing),
        }

    def _call(self, steps: int) -> int:
        """Run the compiled loop once, with a mesh up to its next sum; return the status."""
        if steps == 0:
            return self._film.advance(0)[1]
        if self._flow is None:
            return self._film.advance(min(steps, self._sum_dipoles()))[1]
        if self._flow.due(self._step):
            self._sum_dipoles(anew=True)
            self._flow.carry(self._film, self._step)
            self._sum_dipoles(anew=True)
        self._sum_dipoles()
        made, status = self._film.advance(1)
        if made == 1 and status == layout.STEP_DONE:
            self._stir(self._flow)
        return status

    def _sum_dipoles(self, anew: bool = False) -> int:
        """Do what a step needs besides compiled code; return the steps that it is good for."""
        mesh = self._mesh
        if self._induced is not None:
            if anew:
                self._induced.forget()
            self._settle()
            return 1
        if mesh is None:
            return ENDLESS
        if anew or mesh.due(self._step):
            self._film.fresh()  # the mesh's sums depend on the order of the slots
            mesh.keep(self._slots, self._content.long_range, self._step)
        return mesh.steps_until_due(self._step)

    def _stir(self, flow: StirredFlow) -> None:
        """End a step of particles that the flow of others carries."""
        try:
            flow.stir(self._film, self._step - 1)
        except UnsettledFlowError as error:
            raise StepError(str(error), -1, self._step, remedy(self.system)) from error

    def _settle(self) -> None:
        """Make the induced moments self-consistent, if they are those of an earlier step."""
        induced = self._induced
        if induced is None or induced.settled_at == self._step:
            return
        numba.set_num_threads(self._threads)
        self._film.fresh()
        induced.settle(self._film, self._mesh, self._step)

    def compile(self) -> None:
        """Compile the step, or load it from the cache, without making one."""
        if self._compiled:
            return
        started = time.perf_counter()
        numba.set_num_threads(self._threads)
        self._film.compile()
        if self._mesh is not None:
            self._mesh.sum(self._slots, self._content.long_range)
            self._mesh.seconds = 0.0
        self._settle()
        if self._flow is not None:
            self._flow.compile(self._film)
        self._compiled = True
        self._timing["compile_s"] += time.perf_counter() - started

    def advance(self, steps: int) -> None:
        """Make ``steps`` steps.

        Parameters
        ----------
        steps : int
            How many; the pieces in which a run is asked for change no bit.

        Raises
        ------
        StepError
            If a particle moves too far or is not a number, or if too many drifts were capped.
            The state then is the one before this call.
        """
        self.compile()
        numba.set_num_threads(self._threads)
        before = self.checkpoint()
        started = time.perf_counter()
        target = self._step + steps
        try:
            while self._step < target:
                status = self._call(target - self._step)
                if status == layout.LIST_FULL:
                    self._film.grow()
                elif status == layout.THROWN:
                    raise thrown(self.system, int(self._content.flags[step.CULPRIT]), self._step)
            require_few_capped(self.system, int(self._content.flags[step.CAPPED]), self._step)
        except StepError:
            self.restore(before)
            raise
        finally:
            self._timing["stepping_s"] += time.perf_counter() - started
        self._timing["steps"] += steps

    def _rows_by_identity(self) -> NDArray[np.intp]:
        """Return the slot of each particle."""
        return np.argsort(self._slots.identity[: self.system.count], kind="stable")

    def snapshot(self) -> FilmState:
        """Return copies of the state, row i always the same particle.

        Induced moments are those of the present places and field; the length of a direction is
        then their share of saturation.
        """
        self._settle()
        slots, order = self._slots, self._rows_by_identity()
        side_x, side_y = self.system.sides
        position = np.stack([slots.x[order], slots.y[order], slots.z[order]], axis=1)
        image = np.stack([slots.image_x[order], slots.image_y[order]], axis=1)
        for axis, side in ((0, side_x), (1, side_y)):
            periods = np.floor(position[:, axis] / side)
            position[:, axis] -= side * periods
            beyond = position[:, axis] >= side
            position[beyond, axis] = 0.0
            image[:, axis] += (periods + beyond).astype(np.int32)
        directions = np.stack([slots.ux[order], slots.uy[order], slots.uz[order]], axis=1)
        if self._induced is not None:
            directions *= (slots.moment[order] / slots.saturation[order])[:, None]
        return FilmState(
            positions=position,
            image=image,
            directions=directions,
            step=self._step,
            time=self._step * self.system.dt,
            seed=self._seed,
            velocities=self._rates(self.system.thermal_velocity, slice(0, 3), order),
            spins=self._rates(self.system.thermal_spin, slice(3, 6), order),
        )

    def _rates(
        self, thermal: NDArray[np.float64] | None, rows: slice, order: NDArray[np.intp]
    ) -> NDArray[np.float64] | None:
        """Return velocities or rotation vectors per unit of time, None without inertia."""
        if thermal is None:
            return None
        return np.ascontiguousarray(thermal[:, None] * self._slots.momentum[rows][:, order].T)

    def applied_field(self) -> NDArray[np.float64]:
        """Return the applied field at the present time, reduced."""
        return self._film.applied()[:3]

    def observe(self) -> Mapping[str, Any]:
        """Return energies per particle in kT and the magnetisation relative to saturation.

        Returns
        -------
        mapping
            the names of ``energies.NAMES`` ("dipolar", "steric", ...) : float;
            "magnetisation", "applied_field" : float64 (3,), the field reduced.
        """
        numba.set_num_threads(self._threads)
        self._film.fresh()
        self._settle()
        self._film.sum_exact()
        if self._mesh is not None:
            self._mesh.sum(self._slots, self._content.long_range)
        total = self._film.energies()
        observed: dict[str, Any] = dict(
            zip(energy_kernels.NAMES, (total / self.system.count).tolist(), strict=True)
        )
        slots = self._slots
        moment = np.array([np.dot(slots.moment, u) for u in (slots.ux, slots.uy, slots.uz)])
        observed["magnetisation"] = moment / np.sum(self.system.moment)
        observed["applied_field"] = self._content.applied[:3].copy()
        if self._induced is not None:
            observed["induction"] = self._induced.holding_energy(self._film) / self.system.count
        return observed

    def _blank(self) -> FilmState:
        """Return a state of zeros: a thrown one may hold what is not a number."""
        vectors = np.zeros((self.system.count, 3))
        return FilmState(vectors, np.zeros((self.system.count, 2), np.int32), vectors, 0, 0.0, 0)

    def checkpoint(self) -> dict[str, Any]:
        """Return all that is needed to go on bit for bit, in the order of the slots."""
        count = self.system.count
        saved: dict[str, Any] = {
            name: getattr(self._slots, name)[:count].copy() for name in CARRIED
        }
        if self.system.has_momenta:
            saved["momentum"] = self._slots.momentum[:, :count].copy()
        if self._induced is not None:
            saved["moment"] = self._slots.moment[:count].copy()
        if self.system.inner_steps > 1:
            saved["earlier"] = self._slots.earlier[:, :count].copy()
        if self._mesh is not None:
            saved |= self._mesh.checkpoint(self._slots)
        saved |= {
            "magnetisation": self._content.magnetisation.copy(),
            "flags": self._content.flags.copy(),
        }
        return saved | {"step": self._step, "seed": self._seed}

    def restore(self, checkpoint: dict[str, Any]) -> None:
        """Go back to a checkpoint: order of the slots, positions at the last list and now.

        From another kind of processor, to its state of the film alone.
        """
        if processor_of(checkpoint) != "cpu":
            self._begin(state_of(self.system, checkpoint))
            return
        count = self.system.count
        identity = np.asarray(checkpoint["identity"], np.int64)
        fixed = cpu_arrays.slots_of(self.system, self._blank())
        for name in ("radius", "moment", "mobility", "turning", "kick", "twist"):
            getattr(self._slots, name)[:count] = getattr(fixed, name)[:count][identity]
        if self.system.has_momenta:
            self._slots.drag[:, :count] = fixed.drag[:, :count][:, identity]
            self._slots.momentum[:, :count] = checkpoint["momentum"]
        if self._induced is not None:
            self._slots.saturation[:count] = fixed.saturation[:count][identity]
            self._slots.moment[:count] = checkpoint["moment"]
            self._induced.forget()
        if self.system.inner_steps > 1:
            self._slots.earlier[:, :count] = checkpoint["earlier"]
        if self._mesh is not None:
            self._mesh.restore(self._slots, checkpoint)
        if self._flow is not None:
            self._flow.forget()
        for name in CARRIED:
            getattr(self._slots, name)[:count] = checkpoint[name]
        self._content.magnetisation[:] = checkpoint["magnetisation"]
        self._content.flags[:] = checkpoint["flags"]
        begun = int(checkpoint["step"]), int(checkpoint["seed"])
        self._content.clock[:] = cpu_arrays.clock_of(self.system, *begun)
        if self._content.flags[step.STALE] != 1:
            self._film.call(step.sort_again)
        self._film.prepare()
