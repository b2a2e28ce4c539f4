"""A film in the arrays of the compiled step, and the kernels that work on it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numba
import numpy as np

from sim.engines import cpu_arrays
from sim.film.inner_steps import can_split
from sim.film.reduce import DRIFT_CAP, DRIFT_LIMIT
from sim.interactions.ewald_plan import dipole_film
from sim.kernels.dipoles.ewald_slab import ewald_field_force
from sim.kernels.flow import motion as flow_motion
from sim.kernels.steps import energies, layout, lists, step
from sim.kernels.steps import inner_steps as split_steps
from sim.kernels.vectors.calls import Packed

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sim.film.reduced_system import ReducedSystem
    from sim.film.state import FilmState
    from sim.kernels.vectors.calls import Kernel

__all__ = ["CpuFilm"]

GROWTH = 1.3
"""Room for a list that was too short, in multiples of what it needs."""


def pair_choice(system: ReducedSystem) -> tuple[bool, bool]:
    """Return the constants of pair kernels: surfactant or soft core, one size or several."""
    return not system.repulsion.is_soft, bool(np.all(system.radius == system.radius[0]))


class CpuFilm:
    """Arrays of one film, and what compiled code does with them.

    Parameters
    ----------
    system : ReducedSystem
    state : FilmState
        Where it starts; row i in slot i until the first sort.
    tables : pair of arrays, optional
        What a mesh leaves to the pairs, in the precision of the pairs and in float64.
    beads : Beads, optional
        Where moments are induced.
    room : int, optional
        First guess of the list's entries per block.

    Raises
    ------
    ValueError
        If the steps have inner ones and the film has forces that those would leave out.

    Attributes
    ----------
    content : layout.Film
        Arrays are shared with the kernels; a longer list replaces its entries.
    pair_part : Kernel
        What sums all pairs of a block.
    """

    content: layout.Film

    def __init__(
        self,
        system: ReducedSystem,
        state: FilmState,
        tables: tuple[NDArray[Any], NDArray[Any]] | None = None,
        beads: layout.Beads | None = None,
        room: int | None = None,
    ) -> None:
        patch = cpu_arrays.patch_of(system)
        slots = cpu_arrays.slots_of(system, state)
        size = slots.x.size
        single = system.precision == "float32"
        real, whole = (np.float32, np.int32) if single else (np.float64, np.int64)
        rows = cpu_arrays.aligned((2, 8 * (size + 1)), real)
        plan, work, long_range = cpu_arrays.long_range_of(system, size)
        flags = np.zeros(step.FLAGS, np.int64)
        flags[step.STALE] = 1
        threads = numba.config.NUMBA_NUM_THREADS  # type: ignore[attr-defined]
        split = None
        if system.inner_steps > 1:
            if not can_split(system):
                raise ValueError("forces of this film must be summed again in each inner step")
            split = cpu_arrays.split_of(system, size, real)
        self._exact = None
        if plan is not None:
            self._exact = dipole_film(
                x=slots.x, y=slots.y, z=slots.z, count=system.count, plan=plan, work=work,
                **long_range._asdict(),
            )  # fmt: skip
        self._pack(
            layout.Film(
                slots=slots,
                rows=rows,
                row_words=rows.view(whole),
                lanes=64 // rows.itemsize,
                pairs=cpu_arrays.aligned((threads, 8 * layout.BLOCK), real),
                neighbours=cpu_arrays.empty_neighbours(
                    size,
                    patch,
                    room or cpu_arrays.first_room(system, patch),
                    min(threads, slots.reals.shape[0] + lists.BESIDE_REALS),
                ),
                patch=patch,
                laws=cpu_arrays.laws_of(system, DRIFT_CAP, DRIFT_LIMIT),
                programme=cpu_arrays.field_table(system.field, system.body.gradient),
                long_range=long_range,
                screening=tables and tables[0],
                energy_screening=tables and tables[1],
                applied=np.zeros(step.FIELD_SIZE),
                magnetisation=np.zeros(3),
                clock=cpu_arrays.clock_of(system, state.step, state.seed),
                flags=flags,
                scratch=cpu_arrays.scratch_of(threads),
                totals=cpu_arrays.totals_of(size),
                calls=layout.Calls(
                    fresh=np.zeros(1, np.int64),
                    wrap=np.zeros(1, np.int64),
                    sort_array=np.zeros(1, np.int64),
                    list_block=np.zeros(1, np.int64),
                    pack=np.zeros(1, np.int64),
                    field=np.zeros(1, np.int64),
                    far=np.zeros(1, np.int64),
                    exact=np.zeros(2, np.int64),
                    parts=np.zeros(len(self.parts_of(system)), np.int64),
                ),
                count=system.count,
                beads=beads,
                split=split,
                flow=np.zeros((3, size)) if system.flow is not None else None,
            )
        )  # fmt: skip
        self._system = system
        self.pair_part = step.pair_parts[pair_choice(system)]

    def _pack(self, content: layout.Film) -> None:
        self.content = content
        self._packed = Packed(content)
        self.blocks = content.totals.thrown.size

    @staticmethod
    def parts_of(system: ReducedSystem) -> list[Kernel]:
        """Return the parts of a step of this film, in order."""
        choice = pair_choice(system)
        if system.inner_steps > 1:
            body = [split_steps.body_part] if system.has_body_forces else []
            moving = [step.noise_part, split_steps.inner_motion, step.report_part]
            return [split_steps.near_pair_parts[choice], *body, *moving]
        moving = [step.momenta_part if system.has_momenta else step.motion_part]
        if system.flow is not None:
            moving = [step.keep_noise, flow_motion.turn_part]
        return [*CpuFilm.force_parts(system), step.noise_part, *moving, step.report_part]

    @staticmethod
    def force_parts(system: ReducedSystem) -> list[Kernel]:
        """Return the parts of a step without inner ones that sum forces and fields, in order."""
        parts = [step.pair_parts[pair_choice(system)]]
        if system.mesh is not None or system.dipole_sum != "cutoff":
            parts.append(step.far_part)
        if system.added.acts:
            parts.append(step.added_parts[system.added.last_acting])
        if system.has_body_forces:
            parts.append(step.body_part)
        return parts

    def run(self, *kernels: Kernel) -> None:
        """Run kernels on all blocks, in parallel."""
        self._packed.run(self.blocks, *kernels)

    def call(self, kernel: Kernel, number: int = 0) -> None:
        """Run a kernel on the film as a whole."""
        self._packed.call(kernel, number)

    def _set(self, place: NDArray[np.int64], *kernels: Kernel) -> None:
        """Tell compiled code where kernels are, which are compiled the first time."""
        if not place[0]:
            place[:] = self._packed.addresses(*kernels)

    def prepare(self) -> None:
        """Fill what follows from the slots: the row that pads lists, the noise of the last step."""
        self.call(step.pad_rows)
        now = self.content.clock[: step.MOVE + 1]
        now -= np.uint64(1)  # an array, which goes from 0 to 2^64 - 1 without a warning
        self.run(step.noise_part, step.keep_noise)
        now += np.uint64(1)

    def fresh(self) -> None:
        """Sort and list if due, as the next step would do."""
        calls = self.content.calls
        self._set(calls.wrap, step.wrap_block)
        self._set(calls.sort_array, step.sort_array)
        self._set(calls.list_block, step.list_pairs)
        self._set(calls.pack, step.pack_block)
        self._set(calls.fresh, step.fresh_list)
        while True:
            self.call(step.fresh_list)
            if self.content.flags[step.STATUS] != layout.LIST_FULL:
                return
            self.grow()

    def grow(self) -> None:
        """Make room for a longer list; the one in use is built again."""
        needed = int(self.content.flags[step.PAIRS_NEEDED])
        found: Any = self.content.neighbours
        split = self.content.split
        if needed > found.entries.size // self.blocks:
            found = found._replace(entries=self._entries_for(needed))
        elif split is not None:
            entries = self._entries_for(int(split.near.needed.max()))
            split = split._replace(near=split.near._replace(entries=entries))
        self._pack(self.content._replace(neighbours=found, split=split))

    def _entries_for(self, needed: int) -> NDArray[np.uint32]:
        room = int(GROWTH * needed) + cpu_arrays.SPARE_ENTRIES
        return cpu_arrays.empty_entries(self.content.slots.x.size, room)

    def compile(self) -> None:
        """Compile all that steps call, or load it from the cache, and build the list if due."""
        self.fresh()
        calls, split = self.content.calls, self.content.split
        self._set(calls.field, step.apply_field)
        if split is not None:
            far = [step.far_part] if self._system.mesh is not None else []
            pairs = split_steps.far_pair_parts[pair_choice(self._system)[1]]
            self._set(split.outer, pairs, *far, split_steps.hold_part)
        if self._exact is not None:
            self._find_exact()
            self._set(calls.far, step.sum_exact)
        self._set(calls.parts, *self.parts_of(self._system))
        self.advance(0)

    def advance(self, steps: int) -> tuple[int, int]:
        """Make up to ``steps`` steps; return (steps made, status)."""
        self.call(step.advance if self.content.split is None else split_steps.advance_split, steps)
        flags = self.content.flags
        return int(flags[step.MADE]), int(flags[step.STATUS])

    def compile_flow(self) -> None:
        """Compile what moves particles beside the step, or load it from the cache."""
        own = flow_motion.force_part, flow_motion.travel_part
        self._packed.addresses(*self.force_parts(self._system), *own, step.pack_block)

    def keep_forces(self) -> None:
        """Find the forces where the slots are now, for the flow that they stir up."""
        self.sum_exact()
        self.call(step.apply_field)
        self.run(*self.force_parts(self._system), flow_motion.force_part)

    def moved(self) -> None:
        """Take over places that were changed beside the step: rows, and the list if due."""
        self.run(step.pack_block, flow_motion.travel_part)
        margin = self.content.patch.margin
        if 4.0 * self.content.totals.farthest.max() > margin * margin:
            self.content.flags[step.STALE] = 1

    def applied(self) -> NDArray[np.float64]:
        """Return the applied field and its gradient at the present step."""
        self.call(step.apply_field)
        applied: NDArray[np.float64] = self.content.applied
        return applied.copy()

    def sum_exact(self) -> None:
        """Sum the dipoles exactly where they are now; nothing without such a sum."""
        if self._exact is not None:
            self._find_exact()
            self.call(step.sum_exact)

    def _find_exact(self) -> None:
        """Tell compiled code where the exact sum is."""
        if self._exact is not None:
            (sum_address,) = self._exact.addresses(ewald_field_force)
            self.content.calls.exact[:] = sum_address, self._exact.address

    def energies(self) -> NDArray[np.float64]:
        """Return the total energies in kT in the present field, see `energies.NAMES`."""
        self.call(step.apply_field)
        self.run(energies.block_energies)
        total = np.zeros(energies.COLUMNS)
        for part in self.content.totals.energy:
            total += part
        return total
