"""Films that step together on a card: each has its own state, noise, list and end.

All films of a batch make their steps in the same launches. What a film does hangs on its own flags
alone, so its bits are those that it would have alone, and one that is thrown, waits or has ended
holds up no other.
"""

from __future__ import annotations

import time
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from sim.engines.card.arrays import passing_of, placed_of
from sim.engines.card.copies import CopiesOnCard, CopiesOnHost, copies_of
from sim.engines.card.film import CardFilm
from sim.engines.card.flow import CardFlow
from sim.engines.card.helpers import Helpers
from sim.engines.card.induced import InducedRounds
from sim.engines.card.kinds import kind_of
from sim.engines.card.lost import answered
from sim.engines.card.memory import with_wider_lists
from sim.engines.card.mesh import CardMesh
from sim.engines.guards import StepError, require_few_capped, thrown
from sim.kernels.card import layout
from sim.kernels.card.tools import Queue

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from sim.engines.card.arrays import Placed
    from sim.film.reduced_system import ReducedSystem
    from sim.film.state import FilmState

__all__ = ["CardBatch", "OtherKindError"]

MOST_AHEAD, FEWEST_AHEAD, AHEAD = 64, 4, 64_000_000
"""Steps asked for before the host looks; particle-steps, of which these are a part."""
DUE = (layout.LIST_DUE, layout.LIST_AGAIN, layout.LIST_SHORT)


class OtherKindError(RuntimeError):
    """A film that cannot step with those of a batch."""


class CardBatch:
    """The films of a batch on a graphics card; `join` before the first of them steps.

    Attributes
    ----------
    systems : list of ReducedSystem
    queue : sim.kernels.card.tools.Queue
    films : CardFilm
        Their arrays, once they are laid out.
    mesh : CardMesh or None
    induced : InducedRounds or None
    flow : CardFlow or None
    copies : CopiesOnCard or CopiesOnHost
        The way back of films that fail, once they are laid out.
    steps : int64 (films,)
        Steps that each has made since the start of its run.
    timing : dict
        `compile_s` of all, and `stepping_s` of each, (films,).
    """

    def __init__(self) -> None:
        self.systems: list[ReducedSystem] = []
        self.queue = Queue()
        self.films: CardFilm
        self.copies: CopiesOnCard | CopiesOnHost
        self.mesh: CardMesh | None = None
        self.induced: InducedRounds | None = None
        self.flow: CardFlow | None = None
        self.steps = np.zeros(0, np.int64)
        self.compile_s = 0.0
        self.stepping_s = np.zeros(0)
        self._states: list[tuple[FilmState, Placed | None]] = []
        self._capped = np.zeros(0, np.int64)
        self._energies: NDArray[np.float64] | None = None
        self._is_compiled = False
        self._prepared: ReducedSystem | None = None

    def join(self, system: ReducedSystem, state: FilmState) -> int:
        """Take in a film, and return its number.

        Raises
        ------
        OtherKindError
            If it is of another kind than those that are in, or comes when they are laid out.
        """
        is_laid_out = bool(self.systems) and not self._states
        is_other = self._prepared is not None and self._prepared is not system
        system = with_wider_lists(system)
        if self.systems:
            is_other |= kind_of(system) != kind_of(self.systems[0])
        if is_laid_out or is_other:
            raise OtherKindError("a film of another kind, or that comes late, cannot join a batch.")
        self.systems.append(system)
        self._states.append((state, placed_of(system, state) if state.is_placed else None))
        return len(self.systems) - 1

    def lay_out(self) -> None:
        """Put all films on the card, if they are not there yet."""
        if not self._states:
            return
        states, self._states = self._states, []
        if self._prepared is None:
            self._make(self.systems)
        for film, start in enumerate(states):
            self.films.fill(film, *start)
        self.steps = np.array([state.step for state, _ in states])
        self.stepping_s = np.zeros(len(states))
        self._capped = np.zeros(len(states), np.int64)
        self.copies = copies_of(self)

    @answered
    def prepare(self, system: ReducedSystem) -> None:
        """Make the arrays of the only film of a batch, and compile kernels, before it joins."""
        self._prepared = system
        self._make([with_wider_lists(system)])
        self._compile_kernels()

    def _make(self, systems: Sequence[ReducedSystem]) -> None:
        """Make the arrays of all films, on the card."""
        system = systems[0]
        if system.mesh is None:
            self.films = CardFilm(systems, self.queue)
        else:
            self.mesh = mesh = CardMesh(systems, self.queue, *passing_of(systems))
            self.films = CardFilm(systems, self.queue, mesh.tables, mesh.passing)
        if system.induced:
            self.induced = InducedRounds(self.films, self.mesh)
        self.flow = None if system.flow is None else CardFlow(self.films)

    def compile(self) -> None:
        """Lay out all films, and compile the kernels of a step without making one."""
        self.lay_out()
        if self._is_compiled:
            return
        began = time.perf_counter()
        if self._prepared is None:
            self._compile_kernels()
        self.fresh()
        self._is_compiled = True
        self.compile_s += time.perf_counter() - began

    def _compile_kernels(self) -> None:
        with Helpers(self.queue):
            self._ask_for_kernels()
        if self.mesh is not None:
            self.mesh.choose_transforms()
        self._ask_for_kernels()  # those that helpers have kept are there

    def _ask_for_kernels(self) -> None:
        self.films.compile()
        if self.mesh is not None:
            self.mesh.sum(self.films.idle())
        if self.induced is not None:
            self.induced.compile()
        if self.flow is not None:
            self.flow.compile()

    def begin_at(self, film: int, state: FilmState) -> None:
        """Put a film to another state."""
        self.lay_out()
        self.films.fill(film, state)
        self._stands_at(film, state.step)

    def go_on_at(self, film: int, step: int, seed: int) -> None:
        """Set the clock of a film whose arrays are about to be written."""
        self.lay_out()
        self.films.set_clock(film, step, seed)
        self._stands_at(film, step)

    def _stands_at(self, film: int, step: int) -> None:
        """Take a film for one that has made so many steps, and whose sums are none of its own."""
        self.steps[film] = step
        self._capped[film] = 0
        self.copies.forget()
        if self.mesh is not None:
            self.mesh.forget(film)
        if self.flow is not None:
            self.flow.forget()
        self._energies = None

    def fresh(self) -> None:
        """Sort and list wherever it is due, as the next step would do."""
        while np.isin((flags := self.films.flags())[:, layout.STATUS], DUE).any():
            self._renew(flags)

    def _renew(self, flags: NDArray[np.int64]) -> None:
        """Ask for lists, or for more room for one that was asked for."""
        if (flags[:, layout.STATUS] == layout.LIST_SHORT).any():
            if self.mesh is not None:
                self.mesh.let_go()
            self.films.lengthen_lists()
        self.films.ask_for_lists()

    def steps_made(self) -> int:
        """Return the steps that the film made that is behind the others."""
        return int(self.steps.min()) if self.steps.size else 0

    @answered
    def advance(self, steps: Mapping[int, int]) -> dict[int, StepError]:
        """Make so many steps of each film named, all together.

        Parameters
        ----------
        steps : mapping of int to int
            By number of the film; the pieces in which a run is asked for change no bit.

        Returns
        -------
        dict of int to StepError
            Films whose particles move too far or are not numbers, or of which too many drifts were
            capped; such a film is what it was before this call.

        Raises
        ------
        EngineLostError
            If the card does not answer any more.
        """
        self.compile()
        self.copies.keep()
        began = time.perf_counter()
        target = self.steps.copy()
        for film, more in steps.items():
            target[film] += more
        try:
            failed = self.advance_to(target)
            self.copies.go_back(self._are_in(failed))
        except KeyboardInterrupt:
            self.copies.go_back(np.ones(target.size, bool))
            raise
        except Exception:
            self.steps = self.copies.steps
            raise
        finally:
            self.stepping_s[list(steps)] += time.perf_counter() - began
        return failed

    def advance_to(self, target: NDArray[np.int64]) -> dict[int, StepError]:
        """Step until each film has come to its target or has failed; return the failures."""
        inner = self.systems[0].inner_steps
        failed: dict[int, StepError] = {}
        self._energies = None
        self.films.set_flag(layout.TARGET, target * inner)
        self.films.apply_fields()
        self.fresh()
        self._begin_mesh(target)
        begun = self.steps < target
        while (active := (self.steps < target) & ~self._are_in(failed)).any():
            try:
                flags = self._make_some(active, target)
            except StepError as error:  # of a film with flow, which is alone
                return {0: error}
            for film in np.flatnonzero(flags[:, layout.STATUS] == layout.HALTED).tolist():
                failed.setdefault(film, self._thrown(film, flags[film]))
        for film in np.flatnonzero(begun & ~self._are_in(failed)).tolist():
            try:
                capped, step = int(self._capped[film]), int(self.steps[film])
                require_few_capped(self.systems[film], capped, step)
            except StepError as error:
                failed[film] = error
        return failed

    def _are_in(self, films: Iterable[int]) -> NDArray[np.bool_]:
        """Say of each film whether it is one of these."""
        return np.isin(np.arange(len(self.systems)), list(films))

    def _make_some(self, active: NDArray[np.bool_], target: NDArray[np.int64]) -> NDArray[np.int64]:
        """Ask for some steps, with lists and sums of the mesh where they are due, and look."""
        films, mesh = self.films, self.mesh if self.induced is None else None
        left, ahead = target - self.steps, max(FEWEST_AHEAD, AHEAD // self.systems[0].count)
        asked = min(int(left[active].min()), MOST_AHEAD, ahead)
        if self.flow is not None:
            at = int(self.steps[0])  # such a film is alone
            asked = min(asked, self.flow.before_step(at, self.fresh, self._sum_dipoles_anew))
            self._begin_mesh(target)
            if self.induced is not None:
                self.films.set_flag(layout.TARGET, self.steps + asked)
        sums = [] if mesh is None else mesh.due(self.steps[active], asked)
        for k, after in pairwise([*sorted({0, *sums}), asked]):
            if mesh is not None and k in sums and (k > 0 or (mesh.summed_at < self.steps).any()):
                mesh.sum(films.content)
            self._ask_for_steps(after - k)
        flags = films.flags()
        before, self.steps = self.steps, flags[:, layout.MADE] // self.systems[0].inner_steps
        if mesh is not None:
            mesh.have_stepped(self.steps)
        if self.flow is not None:
            self.flow.steps += int((self.steps - before).max())
        self._capped = flags[:, layout.CAPPED]
        if (flags[:, layout.STATUS] == layout.LIST_SHORT).any():
            self._renew(flags)
        return flags

    def _ask_for_steps(self, steps: int) -> None:
        """Ask for so many steps; with lists where they are due, which the flow has to see first."""
        if self.induced is not None:
            for _ in range(min(self.induced.rounds(steps), MOST_AHEAD)):
                self.induced.ask_for_step(with_lists=self.flow is None)
        elif self.flow is not None:
            for _ in range(steps):
                self.films.ask_for_step()
        else:
            self.films.ask_for_rounds(steps)

    def _sum_dipoles_anew(self) -> None:
        """Sum the mesh of all films where their slots are now, for the next step; settle beads."""
        if self.induced is not None:
            self.induced.settle_anew(self.steps)
        elif self.mesh is not None:
            self.films.fill_flag(layout.CHOSEN, 1)
            self.mesh.sum(self.films.content)
            self.mesh.summed_at[:] = self.steps

    def _thrown(self, film: int, flags: NDArray[np.int64]) -> StepError:
        """Return the error of a film in which a particle was thrown, or moments do not settle."""
        if self.induced is not None and flags[layout.THROWN] == 0:
            return self.induced.unsettled(film, int(self.steps[film]))
        side, slot = int(flags[layout.SIDE]), int(flags[layout.THROWN]) % layout.THROWN_MOVE - 1
        particle = int(self.queue.get(self.films.content.identity, film)[side, slot])
        return thrown(self.systems[film], particle, int(self.steps[film]))

    def _begin_mesh(self, target: NDArray[np.int64]) -> None:
        """Sum the mesh of films that begin between two sums; then they are summed when due."""
        if (mesh := self.mesh) is None or self.induced is not None:
            return
        never = (self.steps < target) & (mesh.summed_at < 0) & (self.steps % mesh.every != 0)
        if never.any():
            self._sum_mesh(never)
            mesh.summed_at[never] = self.steps[never]
        self.films.fill_flag(layout.CHOSEN, layout.WHEN_DUE)

    def _sum_mesh(self, films: NDArray[np.bool_]) -> None:
        """Sum the mesh of some films."""
        if self.mesh is not None:
            self.films.set_flag(layout.CHOSEN, films)
            self.mesh.sum(self.films.content)

    def counts(self) -> tuple[NDArray[np.int64], NDArray[np.int64] | None]:
        """Return capped moves, and the steps of the sums that films keep, as they stand."""
        return self._capped.copy(), None if self.mesh is None else self.mesh.summed_at.copy()

    def stand_again(
        self,
        chosen: NDArray[np.intp],
        steps: NDArray[np.int64],
        counts: tuple[NDArray[np.int64], NDArray[np.int64] | None],
    ) -> None:
        """Take some films for those that they were when they had made so many steps."""
        capped, summed_at = counts
        self.steps[chosen] = steps[chosen]
        self._capped[chosen] = capped[chosen]
        if self.mesh is not None and summed_at is not None:
            self.mesh.summed_at[chosen] = summed_at[chosen]
        if self.flow is not None:
            self.flow.forget()

    def settle(self, film: int) -> None:
        """Find the induced moments of all films where they are now, as the next step would.

        Raises
        ------
        StepError
            If those of this film do not settle.
        """
        self.lay_out()
        if self.induced is None:
            return
        self.compile()
        self.films.apply_fields()
        self.fresh()
        self.induced.settle(self.steps)
        if self.films.seen[film, layout.STATUS] == layout.HALTED:
            raise self._thrown(film, self.films.seen[film])

    def list_again(self, films: NDArray[np.bool_]) -> None:
        """List the neighbours of films whose places were written."""
        self._energies = None
        if self.induced is not None:
            self.induced.forget(films)
        self.films.list_again(films)
        self.fresh()

    def energies(self, film: int) -> NDArray[np.float64]:
        """Return the energies of a film in kT in the present field, then its moment.

        All films are summed when the first of them asks, once for each state.
        """
        if self._energies is None:
            self.settle(film)
            self._energies = self._sum_energies()
        found: NDArray[np.float64] = self._energies[film]
        return found

    def _sum_energies(self) -> NDArray[np.float64]:
        self.fresh()
        if self.mesh is None:
            return self.films.energies()
        # energies take a sum of now, steps the one that they keep
        halves = np.arange(len(self.systems)), self.films.flags()[:, layout.SIDE]
        with self.queue.whole():
            smooth = self.queue.view(self.films.content.smooth)
            kept = smooth[halves]
        self._sum_mesh(np.ones(len(self.systems), bool))
        total = self.films.energies()
        with self.queue.whole():
            smooth[halves] = kept
        return total

    def sums(self, film: int) -> NDArray[np.float64]:
        """Return force and field of pairs and mesh on the slots of a film, (6, N)."""
        self.fresh()
        self.settle(film)
        if self.mesh is not None and self.induced is None:
            self._sum_mesh(np.ones(len(self.systems), bool))
        found: NDArray[np.float64] = self.films.sums()[film]
        return found
