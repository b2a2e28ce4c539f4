"""The engine of sampled runs: sweeps of moves behind the protocol of engines.

It holds two films of the same particles, one from the start that the run asks for and one from
long chains. Frames are those of the first; the second tells whether the first has come to rest.
"""

from __future__ import annotations

import math
import time
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.errors import InputError
from sim.film.state import FilmState
from sim.kernels.sampler import layout
from sim.kernels.steps import energies as energy_kernels
from sim.sampler.chained import chained_state
from sim.sampler.rest import FOLLOWED, Rest, judge
from sim.sampler.sampled import TUNED, SampledFilm
from sim.sampler.whole_energy import WholeEnergy

if TYPE_CHECKING:
    from collections.abc import Mapping

    from sim.film.reduced_system import ReducedSystem

__all__ = ["SamplerEngine"]

ROUND_ACCEPTANCE = 0.65
FASTEST = 0.5
SHORTEST_ROUND = 4
SIDES = ("singles", "chains")
ROOM = 1024
EVERY = 4
"""Sweeps from one note on the films to the next: films remember longer, and a note costs as much as
a third of a sweep."""


class SamplerEngine:
    """Samples a film at rest; a step is a sweep, as many local moves as there are particles.

    Parameters
    ----------
    system : ReducedSystem
        With moments of fixed size in a steady field.
    state : FilmState
        Where the film that is kept starts.
    threads : int
        Both films are swept at once where there are two; the result does not depend on it.

    Raises
    ------
    CrowdedError
        If there is no room for the start of long chains.
    """

    def __init__(self, system: ReducedSystem, state: FilmState, threads: int = 1) -> None:
        self.system = system
        self._threads = max(1, threads)
        self._seed = state.seed
        self._sweep = state.step
        first = SampledFilm(system, state, 0)
        chains = chained_state(system, first.film.walk.centre, state.seed)
        self.films = (first, SampledFilm(system, chains, 1))
        self._whole = WholeEnergy(system, self._threads)
        self._in_rounds = system.dipole_sum != "cutoff"
        self._length = float(max(SHORTEST_ROUND, system.count // 8))
        self._series = np.zeros((2, ROOM, len(FOLLOWED)))
        self._timing = {"compile_s": 0.0, "stepping_s": 0.0, "steps": 0}
        self._compiled = False

    @property
    def step(self) -> int:
        """Sweeps made since the start of the run."""
        return self._sweep

    @property
    def _noted(self) -> int:
        """Notes on the films so far."""
        return self._sweep // EVERY

    @property
    def timing(self) -> Mapping[str, float]:
        """Seconds of compiling and of sweeping, threads; no list is built and no move is capped."""
        return {**self._timing, "lists_built": 0, "capped_moves": 0, "threads": self._threads}

    def compile(self) -> None:
        """Compile what `advance` runs, or load it from the cache, without a sweep."""
        if self._compiled:
            return
        started = time.perf_counter()
        self.films[0].compile()
        self._whole(self.films[0].film)
        self._compiled = True
        self._timing["compile_s"] += time.perf_counter() - started

    def advance(self, steps: int) -> None:
        """Make so many sweeps; the pieces in which they are asked for change no bit."""
        self.compile()
        started = time.perf_counter()
        with ThreadPoolExecutor(min(2, self._threads)) as pool:
            for _ in range(steps):
                self._sweep += 1
                if self._in_rounds:
                    self._make_rounds(pool)
                else:
                    list(pool.map(self._plain_sweep, self.films))
                self._follow()
        self._timing["stepping_s"] += time.perf_counter() - started
        self._timing["steps"] += steps

    def _plain_sweep(self, film: SampledFilm) -> None:
        film.sweep(self._sweep)

    def _make_rounds(self, pool: ThreadPoolExecutor) -> None:
        """Make a sweep in rounds, each accepted or refused by the energy of the whole film."""
        parts = math.ceil(self.system.count / (2.0 * self._length))
        shares = self.films[0].shares(parts)
        taken = 0
        for film in self.films:
            film.begin(self._sweep)
            if math.isnan(film.energy):
                film.energy = self._whole(film.film)
        for _ in range(parts):
            list(pool.map(lambda film: film.round(*shares), self.films))
            # the sum of the mesh runs on all threads, so that it is called from this one
            taken += sum(film.settle(self._whole(film.film)) for film in self.films)
        if self._sweep <= TUNED:
            pull = math.exp(FASTEST * (taken / (2.0 * parts) - ROUND_ACCEPTANCE))
            longest = max(SHORTEST_ROUND, 0.5 * self.system.count)
            self._length = min(longest, max(SHORTEST_ROUND, self._length * pull))

    def _follow(self) -> None:
        """Let steps follow their acceptance, and note what is followed of both films."""
        for film in self.films:
            film.tune(self._sweep)
        if self._sweep % EVERY:
            return
        if self._noted > self._series.shape[1]:
            self._series = np.concatenate([self._series, np.zeros_like(self._series)], axis=1)
        for side, film in enumerate(self.films):
            self._series[side, self._noted - 1] = film.followed()

    def rest(self) -> Rest:
        """Say whether both films have met."""
        single, chained = self._series[:, : self._noted]
        return judge(single, chained, EVERY)

    def shares_taken(self) -> dict[str, float | None]:
        """Return the share of the moves of each kind that were taken, None where none was tried."""
        tried, taken = sum(film.film.counts for film in self.films).T
        return {
            name: float(taken[k] / tried[k]) if tried[k] else None
            for k, name in enumerate(layout.MOVES)
        }

    def snapshot(self) -> FilmState:
        """Return copies of the state of the film that is kept; no time belongs to it."""
        rows = self.films[0].film.rows
        return FilmState(
            positions=rows[:, :3].copy(),
            image=np.zeros((len(rows), 2), np.int32),
            directions=rows[:, 3:6] / np.maximum(rows[:, 7:8], 1e-300),
            step=self._sweep,
            time=0.0,
            seed=self._seed,
        )

    def observe(self) -> Mapping[str, Any]:
        """Return energies per particle in kT and the magnetisation, as the engine on cores does."""
        film = self.films[0]
        parts = self._whole.parts(film.film) / self.system.count
        observed: dict[str, Any] = dict(zip(energy_kernels.NAMES, parts.tolist(), strict=True))
        observed["magnetisation"] = film.magnetisation()
        observed["applied_field"] = film.film.applied[:3].copy()
        return observed

    def checkpoint(self) -> dict[str, Any]:
        """Return all that is needed to go on bit for bit."""
        return {
            "step": self._sweep,
            "seed": self._seed,
            "round_length": self._length,
            "series": self._series[:, : self._noted].copy(),
            **{name: film.checkpoint() for name, film in zip(SIDES, self.films, strict=True)},
        }

    def restore(self, checkpoint: dict[str, Any]) -> None:
        """Go back to a checkpoint.

        Raises
        ------
        InputError
            If another version of the program wrote it, which followed other numbers.
        """
        sweep, kinds = int(checkpoint["step"]), np.shape(checkpoint[SIDES[0]]["counts"])
        noted = (2, sweep // EVERY, len(FOLLOWED))
        if np.shape(checkpoint["series"]) != noted or kinds != self.films[0].film.counts.shape:
            raise InputError(
                "the checkpoint of a sampled run must be of this version of chainfilm, which "
                "follows other numbers or has other moves; start the run afresh in a folder of "
                "its own."
            )
        self._sweep, self._length = sweep, float(checkpoint["round_length"])
        kept: NDArray[np.float64] = np.asarray(checkpoint["series"])
        self._series = np.zeros((2, max(ROOM, 2 * kept.shape[1]), len(FOLLOWED)))
        self._series[:, : kept.shape[1]] = kept
        for name, film in zip(SIDES, self.films, strict=True):
            film.restore(checkpoint[name])
