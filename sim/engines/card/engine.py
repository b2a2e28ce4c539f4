"""The engine on a graphics card: the state stays there, and the host looks at it now and then."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import numpy as np

from sim.engines.card.film import CardFilm, as_positions
from sim.engines.card.mesh import CardMesh
from sim.engines.checkpoints import processor_of, state_of
from sim.engines.guards import EngineLostError, StepError, require_few_capped, thrown
from sim.kernels.card import layout
from sim.kernels.card.tools import Queue
from sim.kernels.steps.energies import NAMES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from sim.film.reduced_system import ReducedSystem
    from sim.film.state import FilmState

__all__ = ["CardEngine"]

MOST_AHEAD = 64
"""Steps asked for before the host looks."""
CARRIED = ("directions", "identity", "image", "smooth", "earlier")
"""What moves with the slots beside rows and references, twice on the card."""
CHANGED = ("magnetisation", "clock", "flags", "applied")
"""What else steps change."""


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
    """

    processor = "gpu"

    def __init__(self, system: ReducedSystem, state: FilmState, threads: int = 1) -> None:  # noqa: ARG002
        self.system = system
        self._queue = Queue()
        self._timing = {"compile_s": 0.0, "stepping_s": 0.0, "steps": 0, "threads": 1}
        self._begin(state)
        self._compiled = False

    def _begin(self, state: FilmState) -> None:
        """Lay out a state on the card."""
        system, queue = self.system, self._queue
        self._mesh = None if system.mesh is None else CardMesh(system, queue)
        self._film = CardFilm(
            system, state, queue, None if self._mesh is None else self._mesh.tables
        )
        self._step = state.step
        self._seed = state.seed
        self._capped = 0
        self._since_list = 0
        self._usual = 1.0

    @property
    def step(self) -> int:
        """Steps made since the start of the run."""
        return self._step

    @property
    def timing(self) -> Mapping[str, float]:
        """Seconds of compiling and of stepping, lists built, capped moves."""
        return {
            **self._timing,
            "lists_built": self._film.lists_built,
            "capped_moves": self._capped,
        }

    def compile(self) -> None:
        """Compile the kernels of a step without making one."""
        if self._compiled:
            return
        started = time.perf_counter()
        self._film.compile()
        if self._mesh is not None:
            self._mesh.sum(self._film.idle())
        self._fresh()
        self._compiled = True
        self._timing["compile_s"] += time.perf_counter() - started

    def _fresh(self) -> None:
        """Sort and list if due, as the next step would do."""
        while (flags := self._film.flags())[layout.STATUS] in (layout.LIST_DUE, layout.LIST_SHORT):
            self._renew(flags)

    def _renew(self, flags: NDArray[np.int64]) -> None:
        """Ask for a list, or for more room for the one that was asked for."""
        if flags[layout.STATUS] == layout.LIST_SHORT:
            self._film.lengthen_list(flags)
        else:
            self._film.ask_for_list()
            self._since_list = 0

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
        EngineLostError
            If the card does not answer any more.
        """
        self.compile()
        kept = self._keep()
        started = time.perf_counter()
        target = self._step + steps
        try:
            self._fresh()
            while self._step < target:
                self._make_some(target - self._step)
            require_few_capped(self.system, self._capped, self._step)
        except (StepError, KeyboardInterrupt):
            self._take_back(kept)
            raise
        except Exception as error:
            self._step = kept["step"]
            told = (str(error).strip() or type(error).__name__).splitlines()[0]
            raise EngineLostError(
                f"the graphics card was lost in step {self._step} or soon after ({told}); go on "
                "with --resume from the last checkpoint"
            ) from error
        finally:
            self._timing["stepping_s"] += time.perf_counter() - started
        self._timing["steps"] += steps

    def _make_some(self, left: int) -> None:
        """Ask for some steps, look how far they have come, and list again if due."""
        film, mesh = self._film, self._mesh
        if mesh is not None:
            if mesh.due(self._step):
                mesh.keep(film.content, self._step)
            left = min(left, mesh.steps_until_due(self._step))
        # rather more than the list will last for, by the last one: those too many do nothing
        expected = int(1.1 * self._usual) + 1 - self._since_list
        asked = min(left, MOST_AHEAD, max(1, expected, int(0.1 * self._usual)))
        for _ in range(asked):
            film.ask_for_step()
        flags = film.flags()
        before, self._step = self._step, int(flags[layout.MADE]) // self.system.inner_steps
        self._since_list += self._step - before
        self._capped = int(flags[layout.CAPPED])
        if flags[layout.STATUS] == layout.HALTED:
            side, slot = int(flags[layout.SIDE]), int(flags[layout.THROWN]) - 1
            particle = int(self._queue.get(film.content.identity)[side, slot])
            raise thrown(self.system, particle, self._step)
        if flags[layout.STATUS] == layout.LIST_DUE:
            self._usual = max(1.0, float(self._since_list))
        if flags[layout.STATUS] in (layout.LIST_DUE, layout.LIST_SHORT):
            self._renew(flags)

    def _keep(self) -> dict[str, Any]:
        """Return copies, on the card, of what steps change."""
        queue, content = self._queue, self._film.content
        halves = self._halves(self._film.flags())
        with queue.whole():
            kept = {name: queue.view(getattr(content, name)).copy() for name in CHANGED}
            kept |= {name: half.copy() for name, half in halves.items()}
        summed_at = None if self._mesh is None else self._mesh.summed_at
        return {"arrays": kept, "step": self._step, "capped": self._capped, "summed_at": summed_at}

    def _halves(self, flags: NDArray[np.int64]) -> dict[str, Any]:
        """Return the halves in use of all that lies twice, on the card."""
        queue, content, count = self._queue, self._film.content, self.system.count
        side, buffer = int(flags[layout.SIDE]), int(flags[layout.BUFFER])
        rows = queue.view(content.rows).reshape(2, count * layout.WORDS)
        reference = queue.view(content.reference).reshape(2, count * layout.REFERENCE_WORDS)
        carried = {name: queue.view(getattr(content, name))[side] for name in CARRIED}
        return {"rows": rows[buffer], "reference": reference[side], **carried}

    def _take_back(self, kept: dict[str, Any]) -> None:
        """Go back to copies, and to the list of their places."""
        queue, film = self._queue, self._film
        arrays = dict(kept["arrays"])
        with queue.whole():
            for name in CHANGED:
                queue.view(getattr(film.content, name))[...] = arrays.pop(name)
        halves = self._halves(film.flags())
        with queue.whole():
            for name, values in arrays.items():
                halves[name][...] = values
        self._step, self._capped = kept["step"], kept["capped"]
        if self._mesh is not None:
            self._mesh.summed_at = kept["summed_at"]
        if film.flags()[layout.STATUS] == layout.GO:
            film.list_again()
            self._fresh()

    def _state_on_host(self) -> dict[str, NDArray[Any]]:
        """Return what is in use of all that moves with the slots, slot by slot."""
        queue, film = self._queue, self._film
        content, count = film.content, self.system.count
        flags = film.flags()
        side, buffer = int(flags[layout.SIDE]), int(flags[layout.BUFFER])
        rows = queue.get(content.rows).reshape(2, count, layout.WORDS)
        reference = queue.get(content.reference).reshape(2, count, layout.REFERENCE_WORDS)
        return {
            "shares": np.ascontiguousarray(rows[buffer, :, :3]),
            "reference": np.ascontiguousarray(reference[side, :, :3]),
            **{name: queue.get(getattr(content, name))[side] for name in CARRIED},
        }

    def _common(self, on_host: dict[str, NDArray[Any]]) -> dict[str, Any]:
        """Return the part of a checkpoint that all engines of steps have."""
        shares, reference = on_host["shares"], on_host["reference"]
        bits = 8 * shares.itemsize
        image = on_host["image"].copy()
        unsigned = np.uint32 if bits == 32 else np.uint64
        for axis in range(2):
            now, then = shares[:, axis], reference[:, axis]
            gone = now - then  # wraps to the nearest image
            now, then = now.view(unsigned), then.view(unsigned)
            image[axis] += ((gone > 0) & (now < then)).astype(np.int32)
            image[axis] -= ((gone < 0) & (now > then)).astype(np.int32)
        x, y, z = as_positions(shares, self._film.periods).T
        ux, uy, uz = on_host["directions"].astype(np.float64)
        places = {"x": x, "y": y, "z": z, "ux": ux, "uy": uy, "uz": uz}
        return {
            **{name: np.ascontiguousarray(values) for name, values in places.items()},
            "identity": on_host["identity"],
            "image_x": image[0],
            "image_y": image[1],
            "step": self._step,
            "seed": self._seed,
        }

    def snapshot(self) -> FilmState:
        """Return copies of the state, row i always the same particle."""
        return state_of(self.system, self._common(self._state_on_host()))

    def observe(self) -> Mapping[str, Any]:
        """Return energies per particle in kT and the magnetisation relative to saturation.

        Returns
        -------
        mapping
            the names of ``energies.NAMES`` ("dipolar", "steric", ...) : float;
            "magnetisation", "applied_field" : float64 (3,), the field reduced.
        """
        self._fresh()
        kept = None
        if self._mesh is not None:  # energies take a sum of now, steps the one that they keep
            with self._queue.whole():
                smooth = self._queue.view(self._film.content.smooth)
                kept = smooth.copy()
            self._mesh.sum(self._film.content)
        total = self._film.energies()
        if kept is not None:
            with self._queue.whole():
                smooth[...] = kept
        per_particle = total[: len(NAMES)] / self.system.count
        observed: dict[str, Any] = dict(zip(NAMES, per_particle.tolist(), strict=True))
        observed["magnetisation"] = total[len(NAMES) :] / np.sum(self.system.moment)
        observed["applied_field"] = self._queue.get(self._film.content.applied)[:3]
        return observed

    def sums(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return force on each particle and field at it, (N, 3) each, of pairs and mesh."""
        self._fresh()
        if self._mesh is not None:
            self._mesh.sum(self._film.content)
        found = self._film.sums()
        order = np.argsort(self._state_on_host()["identity"], kind="stable")
        return found[:3, order].T, found[3:, order].T

    def memory(self) -> int:
        """Return the bytes that the card lends."""
        return int(self._queue.used_bytes())

    def checkpoint(self) -> dict[str, Any]:
        """Return all that is needed to go on bit for bit, in the order of the slots."""
        on_host, content = self._state_on_host(), self._film.content
        flags = self._film.flags()
        return self._common(on_host) | {
            "processor": self.processor,
            "card": {
                **on_host,
                "magnetisation": self._queue.get(content.magnetisation),
                "flags": flags,
                "lists_built": self._film.lists_built,
                "smooth_step": 0 if self._mesh is None else self._mesh.summed_at,
            },
        }

    def restore(self, checkpoint: dict[str, Any]) -> None:
        """Go back to a checkpoint; from another kind of processor, to its state of the film."""
        self._begin(state_of(self.system, checkpoint))
        if processor_of(checkpoint) != self.processor:
            return
        saved, queue, film = checkpoint["card"], self._queue, self._film
        content, count = film.content, self.system.count
        identity = np.asarray(saved["identity"], np.int64)
        film.write_rows(content, saved["shares"], saved["directions"].T, identity)
        reference = np.zeros((2, count, layout.REFERENCE_WORDS), saved["reference"].dtype)
        reference[:, :, :3] = saved["reference"]
        queue.set(content.reference, reference.ravel())
        for name in CARRIED:
            array = getattr(content, name)
            queue.set(array, np.broadcast_to(saved[name], array.shape))
        queue.set(content.magnetisation, saved["magnetisation"])
        queue.set(content.flags, saved["flags"])
        film.lists_built = int(saved["lists_built"])
        self._capped = int(saved["flags"][layout.CAPPED])
        if self._mesh is not None:
            self._mesh.summed_at = int(saved["smooth_step"])
        if saved["flags"][layout.STATUS] == layout.GO:
            film.list_again()
            self._fresh()
