"""What follows from the parameters alone, before a file is touched."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sim.run_record import RunRecord, resolved

if TYPE_CHECKING:
    from sim.film_state import FilmState
    from sim.parameters import BondParameters, Parameters
    from sim.particles import Particles
    from sim.reduced_system import ReducedSystem

__all__ = ["RunSetup", "prepare", "record_of", "usable_threads"]


@dataclass(frozen=True)
class RunSetup:
    """Everything that a run starts from.

    Attributes
    ----------
    parameters, particles, system, state
        The run in SI, its particles, the reduced system and the start state.
    derived : dict
        Derived numbers, SI.
    threads : int
        Threads to step on.
    notices : list of str
        What the user should know, a sentence each.
    """

    parameters: Parameters
    particles: Particles
    system: ReducedSystem
    state: FilmState
    derived: dict[str, Any]
    threads: int
    notices: list[str]


class UncompiledError(ValueError):
    """The environment asks numba not to compile; the text is one sentence for the user."""


def usable_threads(asked: int | None) -> tuple[int, str]:
    """Return the threads to use and a notice where that is not what was asked for.

    Parameters
    ----------
    asked : int or None
        Threads asked for; None means all cores that this process may use.

    Returns
    -------
    int
        At least 1, at most the cores.
    str
        A sentence, or "".

    Raises
    ------
    ValueError
        If fewer than one thread is asked for, or numba is switched off.
    """
    if os.environ.get("NUMBA_DISABLE_JIT", "0").strip() not in ("", "0"):
        raise UncompiledError(
            "NUMBA_DISABLE_JIT must be unset to simulate: its kernels only run compiled"
        )
    if hasattr(os, "sched_getaffinity"):
        cores = len(os.sched_getaffinity(0))
    else:  # not every system can say which cores a process may use
        cores = os.cpu_count() or 1
    if asked is None:
        return cores, ""
    if asked < 1:
        raise ValueError(f"threads must be at least 1; received {asked}")
    if asked > cores:
        return cores, f"{asked} threads were asked for; this machine lends {cores}, which are used"
    return asked, ""


def prepare(
    parameters: Parameters,
    threads: int | None,
    derived: dict[str, Any] | None,
    begun_with: float | None = None,
) -> RunSetup:
    """Draw the particles, reduce the system and place the particles.

    Parameters
    ----------
    parameters : Parameters
        The run.
    threads : int or None
        Threads asked for; None means all cores.
    derived : dict or None
        Derived numbers to store; None means those of `sim.expectations`.
    begun_with : float, optional
        Time step in s of the run that is continued.

    Returns
    -------
    RunSetup
        Ready for an engine.

    Raises
    ------
    ValueError
        If fewer than one thread is asked for, memory is short, or the particles find no place.
    """
    from sim.initial_state import start_state
    from sim.memory import require_memory
    from sim.particles import draw
    from sim.reduced_system import reduce
    from sim.time_step import too_long_step

    count, notice = usable_threads(threads)
    particles = draw(parameters)
    system = reduce(parameters, particles, begun_with)
    require_memory(system)
    if derived is None:
        from sim.expectations import expect

        derived = expect(parameters).derived
    state = start_state(parameters, system)
    notices = [notice] if notice else []
    if system.dt > system.longest_dt:
        notices.append(too_long_step(system))
    return RunSetup(parameters, particles, system, state, derived, count, notices)


def record_of(setup: RunSetup, run_id: str) -> RunRecord:
    """Return what the run file says about the run before its first step."""
    parameters = setup.parameters
    return RunRecord(
        text=parameters.text,
        resolved=resolved(parameters),
        derived=setup.derived,
        seed=parameters.run.seed,
        bonds=_bond_rule(parameters.bonds),
        provisional=parameters.dipoles.sum == "cutoff",
        time_step_s=setup.system.dt_s,
        frames_planned=parameters.output.frames,
        steps_planned=setup.system.steps,
        run_id=run_id,
    )


def _bond_rule(bonds: BondParameters) -> dict[str, float | str | None]:
    """Return what the run file records of the bond rule."""
    rule: dict[str, float | str | None] = {
        "distance": bonds.distance,
        "alignment": bonds.alignment,
    }
    return rule | (
        {"kind": bonds.kind, "energy_kt": bonds.energy_kt} if bonds.kind == "energy" else {}
    )
