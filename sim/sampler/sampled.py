"""One sampled film: its rows, its sweeps, and what is followed of it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sim.kernels.sampler import draws, layout, rounds
from sim.kernels.vectors.calls import Packed
from sim.sampler.film import make_film

if TYPE_CHECKING:
    from sim.film.reduced_system import ReducedSystem
    from sim.film.state import FilmState

__all__ = ["TUNED", "SampledFilm"]

Floats = NDArray[np.float64]

TUNED = 200
"""Sweeps in which step lengths follow the acceptance; from then on they stay."""
LOCAL_ACCEPTANCE = 0.45
FASTEST = 0.2
SHORTEST_STEP, LONGEST_STEP = 0.005, 0.5
RESUMMED = 100
"""The energy is summed anew after so many sweeps, before rounding counts."""


class SampledFilm:
    """A film that moves take from state to state.

    Parameters
    ----------
    system : ReducedSystem
    state : FilmState
        Where it starts.
    stream : int
        Of the random numbers.
    """

    def __init__(self, system: ReducedSystem, state: FilmState, stream: int) -> None:
        self.film = make_film(system, state.positions, state.directions, state.seed, stream)
        self._packed = Packed(self.film)
        self._length_m = system.units.length_m
        self._saturation = float(system.moment.sum())
        field = np.asarray(system.field[0].first)
        size = float(np.linalg.norm(field))
        self._along = field / size if size > 0.0 else None
        self._seen = np.zeros(2, np.int64)
        self._kept = self.film.rows.copy()
        self.energy = math.nan
        self._call(rounds.refresh)

    def _call(self, kernel: Any, number: int = 0) -> None:
        self._packed.call(kernel, number)

    @property
    def count(self) -> int:
        """Number of particles."""
        return len(self.film.rows)

    def compile(self) -> None:
        """Compile all moves, or load them from the cache, without one."""
        self.film.chain_moves[0] = 0
        for name in ("refresh", "draw_share", "find_structure", "find_energy"):
            self._call(getattr(rounds, name))
        self._call(rounds.make_round, 0)

    def begin(self, sweep: int) -> None:
        """Start the random numbers of a sweep; what is not in the rows is found anew."""
        self.film.random[draws.SWEEP], self.film.random[draws.MOVE] = sweep, 0
        self._call(rounds.refresh)

    def round(self, local: int, chains: int) -> None:
        """Try so many local moves, of chains, and local ones again."""
        self._kept[:] = self.film.rows
        self.film.chain_moves[0] = chains
        self._call(rounds.make_round, local)

    def settle(self, whole: float) -> bool:
        """Accept or refuse the last round by what its own energies leave out.

        Parameters
        ----------
        whole : float
            Energy of the film after it, in kT.

        Returns
        -------
        bool
            Whether it stands. With the energy U of the film and U' that of the moves, rounds that
            keep detailed balance for U' do so for U when they are taken with the probability
            min(1, exp(-(dU - dU'))).
        """
        self._call(rounds.draw_share)
        left_out = whole - self.energy - self.film.found[layout.CHANGE]
        if left_out <= 0.0 or self.film.found[layout.SHARE] < math.exp(-left_out):
            self.energy = whole
            return True
        self.film.rows[:] = self._kept
        self._call(rounds.refresh)
        return False

    def sweep(self, number: int) -> None:
        """Make a sweep where the energies of the moves are all that there are."""
        self.begin(number)
        if number % RESUMMED == 1 or math.isnan(self.energy):
            self._call(rounds.find_energy)
            self.energy = float(self.film.found[layout.TOTAL])
        self.round(*self.shares(1))
        self.energy += float(self.film.found[layout.CHANGE])

    def shares(self, parts: int) -> tuple[int, int]:
        """Return (local moves, moves of chains) of a round, of which so many make a sweep."""
        each = -(-self.count // (2 * parts))
        return each, each

    def tune(self, sweep: int) -> None:
        """Let the length of local moves follow their acceptance, in the first sweeps."""
        tried, taken = self.film.counts[layout.LOCAL] - self._seen
        self._seen = self.film.counts[layout.LOCAL].copy()
        if sweep > TUNED or tried == 0:
            return
        pull = math.exp(FASTEST * (taken / tried - LOCAL_ACCEPTANCE))
        self.film.step[0] = min(LONGEST_STEP, max(SHORTEST_STEP, self.film.step[0] * pull))

    def followed(self) -> tuple[float, ...]:
        """Return what `rest.FOLLOWED` names, of the present state."""
        self._call(rounds.find_structure)
        found = self.film.found
        moment = self.magnetisation()
        along = float(np.linalg.norm(moment) if self._along is None else moment @ self._along)
        return (
            self.energy / self.count,
            self.count / float(found[layout.CHAINS]),
            float(found[layout.SQUARES]) / self.count,
            along,
            float(found[layout.SPACING]) * self._length_m,
        )

    def magnetisation(self) -> Floats:
        """Return the mean moment over its saturation, (3,)."""
        return np.asarray(self.film.rows[:, 3:6].sum(axis=0) / self._saturation)

    def checkpoint(self) -> dict[str, Any]:
        """Return all that is needed to go on bit for bit."""
        return {
            "rows": self.film.rows.copy(),
            "step_length": self.film.step.copy(),
            "counts": self.film.counts.copy(),
            "seen": self._seen.copy(),
            "energy": self.energy,
        }

    def restore(self, kept: dict[str, Any]) -> None:
        """Go back to a checkpoint."""
        self.film.rows[:] = kept["rows"]
        self.film.step[:] = kept["step_length"]
        self.film.counts[:] = kept["counts"]
        self._seen = np.array(kept["seen"])
        self.energy = float(kept["energy"])
