"""What follows from the parameters alone, before a file is touched."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sim.files.record import RunRecord, resolved

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sim.film.particles import Particles
    from sim.film.reduced_system import ReducedSystem
    from sim.film.state import FilmState
    from sim.parameters.types import BondParameters, Parameters

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
    doubts : tuple of str
        What makes numbers of the run doubtful, for its file: notices and cautions, a sentence each.
    """

    parameters: Parameters
    particles: Particles
    system: ReducedSystem
    state: FilmState
    derived: dict[str, Any]
    threads: int
    notices: list[str]
    doubts: tuple[str, ...] = ()


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
    frame_interval: float | None = None,
    doubts: Sequence[str] = (),
) -> RunSetup:
    """Draw the particles, reduce the system and place the particles.

    Parameters
    ----------
    parameters : Parameters
        The run.
    threads : int or None
        Threads asked for; None means all cores.
    derived : dict or None
        Derived numbers to store; None means those of `sim.outlook.expectations`.
    begun_with : float, optional
        Time step in s of the run that is continued.
    frame_interval : float, optional
        Time in s from frame to frame of that run.
    doubts : sequence of str
        Cautions on numbers of this film, where ``derived`` is given.

    Returns
    -------
    RunSetup
        Ready for an engine.

    Raises
    ------
    ValueError
        If fewer than one thread is asked for, memory is short, or the particles find no place.
    """
    from sim.film.memory import require_memory
    from sim.film.particles import draw
    from sim.film.reduce import reduce
    from sim.film.start import start_state
    from sim.film.time_step import too_long_step

    count, notice = usable_threads(threads)
    particles = draw(parameters)
    system = reduce(parameters, particles, begun_with, frame_interval)
    require_memory(system)
    if derived is None:
        from sim.outlook.expectations import expect

        expectations = expect(parameters)
        derived, doubts = expectations.derived, expectations.on_numbers
    state = start_state(parameters, system)
    too_long = [too_long_step(system)] if system.dt > system.longest_dt else []
    notices = [notice, *too_long] if notice else too_long
    # a caution of `check` may be the same sentence
    doubts = tuple(dict.fromkeys([*parameters.notices, *too_long, *doubts]))
    return RunSetup(parameters, particles, system, state, derived, count, notices, doubts)


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
        notices=setup.doubts,
        is_sampled=parameters.run.is_sampled,
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
