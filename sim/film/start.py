"""The state a run starts from, as its file asks for."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from sim.film.placing import lattice_state, random_state
from sim.film.start_file import state_from_run

if TYPE_CHECKING:
    from sim.film.reduced_system import ReducedSystem
    from sim.film.state import FilmState
    from sim.parameters.types import Parameters


def start_state(parameters: Parameters, system: ReducedSystem) -> FilmState:
    """Return the starting state that a parameter file asks for.

    Raises
    ------
    CrowdedError
        If the particles find no room.
    RunFileError
        If the run to start from cannot be used.
    """
    from sim.film.eased_start import eased

    seed = parameters.run.seed
    if parameters.start.kind == "file" and parameters.start.path is not None:
        return state_from_run(parameters.start.path, system, seed)
    make = lattice_state if parameters.start.kind == "lattice" else random_state
    state = make(system, seed)
    return dataclasses.replace(state, positions=eased(system, state.positions))
