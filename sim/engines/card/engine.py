"""One film of a batch on a graphics card, as the run loop sees it; alone it is a batch of one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.common.blocks import of_each
from sim.engines.card.arrays import as_positions, columns_of, widened
from sim.engines.card.batch import CardBatch, OtherKindError
from sim.engines.card.copies import CARRIED
from sim.engines.card.lost import answered
from sim.engines.card.part import images, part_of
from sim.engines.checkpoints import processor_of, state_of
from sim.kernels.card import energies, layout
from sim.kernels.steps.energies import NAMES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from sim.engines.guards import StepError
    from sim.engines.protocol import Engine, EngineFactory, FilmPart
    from sim.files.selection import Selection
    from sim.film.reduced_system import ReducedSystem
    from sim.film.state import FilmState

__all__ = ["CardEngine", "Seats", "advance_together"]


class CardEngine:
    """Steps a film on a graphics card.

    Parameters
    ----------
    system : ReducedSystem
        With a cut-off or a mesh, and laws that the card has (`sim.engines.card.ready`).
    state : FilmState
        Where it starts.
    threads : int
        Not used; engines are made alike.
    batch : CardBatch or None
        Films that it steps with; None is alone.

    Attributes
    ----------
    batch : CardBatch
    film : int
        Its number there.

    Raises
    ------
    OtherKindError
        If the batch is of another kind.
    """

    processor = "gpu"

    def __init__(
        self,
        system: ReducedSystem,
        state: FilmState,
        threads: int = 1,  # noqa: ARG002
        batch: CardBatch | None = None,
    ) -> None:
        self.system = system
        self.batch = batch or CardBatch()
        self.film = self.batch.join(system, state)
        self._seed = state.seed

    def steps_made(self) -> int:
        """Return the steps made, as far as this machine knows."""
        steps = self.batch.steps
        return int(steps[self.film]) if self.film < steps.size else 0

    @property
    def step(self) -> int:
        """Steps made since the start of the run."""
        self.batch.lay_out()
        return int(self.batch.steps[self.film])

    @property
    def timing(self) -> Mapping[str, float]:
        """Seconds of compiling and of stepping, lists built, capped moves."""
        self.batch.lay_out()
        flags = self.batch.films.seen[self.film]  # a card that is lost is asked for nothing
        return {
            "compile_s": self.batch.compile_s,
            "stepping_s": float(self.batch.stepping_s[self.film]),
            "threads": 1,
            "lists_built": int(flags[layout.LISTS]),
            "capped_moves": int(flags[layout.CAPPED]),
            **self._induction(flags),
            **({} if self.batch.flow is None else self.batch.flow.timing),
        }

    def _induction(self, flags: NDArray[np.int64]) -> dict[str, float]:
        """Return sums of the dipoles per search for induced moments, the mean so far."""
        if not self.system.induced:
            return {}
        return {"induction_sums": float(flags[layout.SUMS] / max(1, flags[layout.SEARCHES]))}

    def _flags(self) -> NDArray[np.int64]:
        found: NDArray[np.int64] = self.batch.queue.get(self.batch.films.content.flags, self.film)
        return found

    @answered
    def compile(self) -> None:
        """Compile the kernels of a step without making one."""
        self.batch.compile()

    @answered
    def advance(self, steps: int) -> None:
        """Make ``steps`` steps of this film alone.

        Parameters
        ----------
        steps : int
            How many; the pieces in which a run is asked for change no bit.

        Raises
        ------
        StepError
            If a particle moves too far or is not a number, or if too many drifts were capped.
            The state then is the one before this call.
        EngineLostError
            If the card does not answer any more.
        """
        failed = self.batch.advance({self.film: steps})
        if self.film in failed:
            raise failed[self.film]

    def _state_on_host(self) -> dict[str, NDArray[Any]]:
        """Return what is in use of all that moves with the slots, slot by slot."""
        queue, content, film = self.batch.queue, self.batch.films.content, self.film
        flags, count = self._flags(), self.system.count
        side, buffer = int(flags[layout.SIDE]), int(flags[layout.BUFFER])

        def places(array: Any, first: int, words: int) -> NDArray[Any]:
            here = slice(first * count, (first + words) * count)
            rows = queue.get(array, (film, here)).reshape(count, words)
            return of_each(lambda some: some[:, :3].copy(), rows)

        words = layout.REFERENCE_WORDS
        return {
            "shares": places(content.rows, buffer * layout.WORDS, layout.HALF),
            "reference": places(content.reference, side * words, words),
            **{name: queue.get(getattr(content, name), (film, side)) for name in CARRIED},
        }

    def _common(self, on_host: dict[str, NDArray[Any]]) -> dict[str, Any]:
        """Return the part of a checkpoint that all engines of steps have."""
        shares, reference = on_host["shares"], on_host["reference"]
        image = images(shares, reference, on_host["image"])
        positions = of_each(lambda some: as_positions(some, self.batch.films.periods), shares)
        x, y, z = columns_of(positions, np.float64)
        ux, uy, uz = on_host["directions"].astype(np.float64)
        return {
            "x": x,
            "y": y,
            "z": z,
            "ux": ux,
            "uy": uy,
            "uz": uz,
            "identity": on_host["identity"],
            "image_x": image[0],
            "image_y": image[1],
            "step": self.step,
            "seed": self._seed,
            **({"momentum": on_host["momentum"]} if self.system.has_momenta else {}),
        }

    @answered
    def snapshot(self) -> FilmState:
        """Return copies of the state, row i always the same particle.

        Induced moments are those of the present places and field; the length of a direction is
        then their share of saturation.
        """
        self.batch.settle(self.film)
        return state_of(self.system, self._common(self._state_on_host()))

    @answered
    def part(self, selection: Selection, length_m: float) -> FilmPart:
        """Return what a selection with a cut-out keeps of the state; the rest stays on the card."""
        self.batch.settle(self.film)
        return part_of(self.batch, self.film, selection, length_m)

    @answered
    def observe(self) -> Mapping[str, Any]:
        """Return energies per particle in kT and the magnetisation relative to saturation.

        Returns
        -------
        mapping
            the names of ``energies.NAMES`` ("dipolar", "steric", ...) : float;
            "magnetisation", "applied_field" : float64 (3,), the field reduced.
        """
        self.batch.lay_out()
        total = self.batch.energies(self.film)
        per_particle = total[: len(NAMES)] / self.system.count
        observed: dict[str, Any] = dict(zip(NAMES, per_particle.tolist(), strict=True))
        moment = total[energies.TOTAL_MOMENT : energies.TOTAL_MOMENT + 3]
        observed["magnetisation"] = moment / np.sum(self.system.moment)
        if self.system.induced:
            observed["induction"] = float(total[energies.INDUCTION]) / self.system.count
        applied = self.batch.queue.get(self.batch.films.content.applied, self.film)
        observed["applied_field"] = applied[0, :3]
        return observed

    @answered
    def sums(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return force on each particle and field at it, (N, 3) each, of pairs and mesh."""
        self.batch.lay_out()
        found = self.batch.sums(self.film)
        order = np.argsort(self._state_on_host()["identity"], kind="stable")
        return found[:3, order].T, found[3:, order].T

    @property
    def _list_margin(self) -> float:
        """How far lists reach beyond what acts, in reduced units."""
        return float(self.batch.systems[self.film].list_margin)

    def memory(self) -> int:
        """Return the bytes that the card lends, to all films of the batch."""
        return int(self.batch.queue.used_bytes())

    @answered
    def checkpoint(self) -> dict[str, Any]:
        """Return all that is needed to go on bit for bit, in the order of the slots."""
        self.batch.lay_out()
        on_host, mesh = self._state_on_host(), self.batch.mesh
        flags = self._flags()
        return self._common(on_host) | {
            "processor": self.processor,
            "card": {
                **on_host,
                "list_margin": self._list_margin,
                "magnetisation": self.batch.films.magnetisation(self.film),
                "flags": flags[: layout.TARGET],
                "lists_built": int(flags[layout.LISTS]),
                "smooth_step": 0 if mesh is None else int(mesh.summed_at[self.film]),
            },
        }

    @answered
    def restore(self, checkpoint: dict[str, Any]) -> None:
        """Go back to a checkpoint; from another kind of processor, to its state of the film.

        So, too, from lists of another margin, by which places are told in other units.
        """
        batch, film, self._seed = self.batch, self.film, int(checkpoint["seed"])
        saved = checkpoint["card"] if processor_of(checkpoint) == self.processor else {}
        if saved.get("list_margin") != self._list_margin:
            batch.begin_at(film, state_of(self.system, checkpoint))
            return
        batch.go_on_at(film, int(checkpoint["step"]), self._seed)
        queue, content = batch.queue, batch.films.content
        identity = np.asarray(saved["identity"], np.int64)
        batch.films.write_rows(film, saved["shares"], saved["directions"].T, identity)
        reference = widened(saved["reference"], layout.REFERENCE_WORDS)
        queue.set_halves(content.reference, reference, film)
        for name in CARRIED:
            queue.set_halves(getattr(content, name), saved[name], film)
        move = int(checkpoint["step"]) * self.system.inner_steps
        batch.films.set_magnetisation(film, np.asarray(saved["magnetisation"]), move)
        flags = np.zeros(layout.FLAGS, np.int64)
        flags[: layout.TARGET] = saved["flags"]
        flags[layout.LISTS] = saved["lists_built"]
        queue.set(content.flags, flags, film)
        if batch.mesh is not None:
            batch.mesh.summed_at[film] = int(saved["smooth_step"])
        batch.list_again(np.arange(len(batch.systems)) == film)


class Seats:
    """A batch that engines of runs join, one by one, until the first of them is compiled."""

    def __init__(self) -> None:
        self._batch = CardBatch()

    def __call__(self) -> EngineFactory:
        """Return what makes the engine of one run, the same one where it is made again."""
        made: list[CardEngine] = []

        def make(system: ReducedSystem, state: FilmState, threads: int) -> CardEngine:
            if made:
                made[0].batch.begin_at(made[0].film, state)
                return made[0]
            try:
                made.append(CardEngine(system, state, threads, self._batch))
            except OtherKindError:  # such as one that goes on with a step of before
                made.append(CardEngine(system, state, threads))
            return made[0]

        return make


def advance_together(asked: Mapping[str, tuple[Engine, int]]) -> dict[str, StepError]:
    """Advance engines on a card, those of a batch in the same launches.

    Parameters
    ----------
    asked : mapping of str to (CardEngine, int)
        Engines and their steps, by names of their own.

    Returns
    -------
    dict of str to StepError
        Those that failed; the others have made their steps.

    Raises
    ------
    EngineLostError
        If the card does not answer any more.
    """
    pieces: dict[CardBatch, dict[int, int]] = {}
    names: dict[tuple[CardBatch, int], str] = {}
    for name, (engine, steps) in asked.items():
        if not isinstance(engine, CardEngine):
            raise TypeError("only engines of a card can be advanced together")
        pieces.setdefault(engine.batch, {})[engine.film] = steps
        names[engine.batch, engine.film] = name
    return {
        names[batch, film]: error
        for batch, steps in pieces.items()
        for film, error in batch.advance(steps).items()
    }
