"""One side of a sampled run: its film, and films of weaker dipoles that exchange states with it.

Exchange of replicas (K. Hukushima and K. Nemoto, J. Phys. Soc. Japan 65, 1604 (1996)), along the
coupling. Films of weak dipoles soon forget how their chains run; a state wanders down to them,
changes there, and wanders back up. Every film keeps its own ensemble: with the energies U_a and U_b
of two films as functions of places and directions, they exchange states x and y with the
probability min(1, exp(U_a(x) + U_b(y) - U_a(y) - U_b(x))).
"""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sim.kernels.sampler import layout, rounds
from sim.sampler.sampled import SampledFilm

if TYPE_CHECKING:
    from collections.abc import Callable

    from sim.film.reduced_system import ReducedSystem
    from sim.film.state import FilmState

__all__ = ["EVERY", "Ladder", "moves_energy", "rungs_of"]

WEAKEST = 4.5
"""Coupling of bonded particles on the lowest rung: chains there live for tens of sweeps."""
EVERY = 2
"""Sweeps between two exchanges."""


def rungs_of(system: ReducedSystem, count: int) -> list[ReducedSystem]:
    """Return the film and those of weaker dipoles below it, whose Langevin parameter is the same.

    Parameters
    ----------
    system : ReducedSystem
    count : int
        Films in all, their couplings in equal ratios; one where the film's dipoles are weak.
    """
    moment, radius = float(np.median(system.moment)), float(np.median(system.radius))
    coupling = moment**2 / (2.0 * radius) ** 3
    if count == 1 or coupling <= WEAKEST:
        return [system]
    scales = (WEAKEST / coupling) ** (0.5 * np.arange(count) / (count - 1))
    return [_weaker(system, float(scale)) for scale in scales]


def _weaker(system: ReducedSystem, scale: float) -> ReducedSystem:
    """Return the film with moments that are so many times as large, in a field that makes up."""
    if scale == 1.0:
        return system

    def stronger(vector: tuple[float, ...]) -> Any:
        return tuple(part / scale for part in vector)

    stages = tuple(
        dataclasses.replace(stage, first=stronger(stage.first), last=stronger(stage.last))
        for stage in system.field
    )
    gradient = stronger(system.gradient)
    return dataclasses.replace(
        system, moment=scale * system.moment, field=stages, gradient=gradient
    )


class Ladder:
    """Films that sample one system with dipoles ever weaker, and exchange their states.

    Parameters
    ----------
    systems : list of ReducedSystem
        That of the film that is looked at first.
    state : FilmState
        From which all start.
    side : int
        Of how many; random numbers follow from it and the rung.
    """

    def __init__(self, systems: list[ReducedSystem], state: FilmState, side: int) -> None:
        self.films = [SampledFilm(one, state, side + 2 * k) for k, one in enumerate(systems)]
        self._tried, self._taken = np.zeros((2, max(0, len(systems) - 1)), np.int64)
        # which start a state comes from, and whether it was at the bottom since it was at the top
        self._visited = np.zeros(len(systems), np.int64)
        self.round_trips = 0

    def exchange(self, sweep: int, energy_of: Callable[[int, SampledFilm], float]) -> None:
        """Let films on neighbouring rungs exchange their states, every other pair at a time.

        Parameters
        ----------
        sweep : int
        energy_of : callable
            Returns the energy of a film on a rung by its own measure, in kT.
        """
        if sweep % EVERY:
            return
        for k in range(sweep // EVERY % 2, len(self.films) - 1, 2):
            upper, lower = self.films[k], self.films[k + 1]
            before = upper.energy + lower.energy
            kept = upper.film.rows.copy(), lower.film.rows.copy()
            upper.put(kept[1])
            lower.put(kept[0])
            energies = energy_of(k, upper), energy_of(k + 1, lower)
            self._tried[k] += 1
            if upper.share() < math.exp(min(0.0, before - sum(energies))):
                upper.energy, lower.energy = energies
                self._visited[[k, k + 1]] = self._visited[[k + 1, k]]
                self._taken[k] += 1
            else:
                upper.put(kept[0])
                lower.put(kept[1])
        if len(self.films) > 1:
            self._visited[-1] = 1
            self.round_trips += int(self._visited[0])
            self._visited[0] = 0

    def least_taken(self) -> float | None:
        """Return the smallest share of exchanges between two rungs that was taken."""
        if not len(self._tried) or not self._tried.all():
            return None
        return float(np.min(self._taken / self._tried))

    def checkpoint(self) -> dict[str, Any]:
        """Return all that is needed to go on bit for bit."""
        exchanged: NDArray[np.int64] = np.stack([self._tried, self._taken])
        return {
            "films": {str(k): film.checkpoint() for k, film in enumerate(self.films)},
            "exchanged": exchanged,
            "visited": self._visited.copy(),
            "round_trips": self.round_trips,
        }

    def restore(self, kept: dict[str, Any]) -> None:
        """Go back to a checkpoint."""
        for k, film in enumerate(self.films):
            film.restore(kept["films"][str(k)])
        self._tried, self._taken = np.array(kept["exchanged"])
        self._visited = np.array(kept["visited"])
        self.round_trips = int(kept["round_trips"])


def moves_energy(_: int, film: SampledFilm) -> float:
    """Return the energy of a film as its moves count it, in kT."""
    film.call(rounds.find_energy)
    return float(film.film.found[layout.TOTAL])
