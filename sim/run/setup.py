"""What follows from the parameters alone, before a file is touched."""

from __future__ import annotations

import os
from functools import cached_property
from typing import TYPE_CHECKING, Any

from analysis.common.blocks import usable_cores
from analysis.common.errors import InputError
from sim.files.provenance import processor_name
from sim.files.record import RunRecord, resolved

if TYPE_CHECKING:
    from sim.engines.protocol import EngineFactory
    from sim.files.checkpoint import Checkpoint
    from sim.files.run_file import RunSummary
    from sim.files.selection import Selection
    from sim.film.particles import Particles
    from sim.film.reduced_system import ReducedSystem
    from sim.film.state import FilmState
    from sim.outlook.expectations import Expectations
    from sim.parameters.types import BondParameters, Parameters


class UncompiledError(InputError):
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
    cores = usable_cores()
    if asked is None:
        return cores, ""
    if asked < 1:
        raise ValueError(f"threads must be at least 1; received {asked}")
    if asked > cores:
        return cores, f"{asked} threads were asked for; this machine lends {cores}, which are used"
    return asked, ""


class RunSetup:
    """What follows from the parameters of a run: each part once, when it is first asked for.

    Parameters
    ----------
    parameters : Parameters
        The run.
    threads : int or None
        Threads asked for; None means all cores.
    device : str
        What steps: "cpu", or "gpu" for a graphics card.

    Attributes
    ----------
    engine_factory : callable or None
        What makes the engine where one is on its way already.

    Raises
    ------
    InputError
        If the device is neither.
    """

    def __init__(
        self, parameters: Parameters, threads: int | None = None, device: str = "cpu"
    ) -> None:
        if device not in ("cpu", "gpu"):
            raise InputError(f'device must be "cpu" or "gpu"; received {device!r:.60}')
        self.parameters = parameters
        self.device = device
        self._asked = threads
        self._begun: RunSummary | None = None
        self.engine_factory: EngineFactory | None = None

    def go_on(self, begun: RunSummary) -> None:
        """Take over time step and frame interval of a run that is continued."""
        self._begun = begun

    @cached_property
    def _crew(self) -> tuple[int, str]:
        return usable_threads(self._asked)

    @property
    def threads(self) -> int:
        """Threads to step on; see `usable_threads` for what is raised."""
        return self._crew[0]

    @cached_property
    def particles(self) -> Particles:
        """The particles, in SI."""
        from sim.film.particles import draw

        return draw(self.parameters)

    @cached_property
    def _afresh(self) -> ReducedSystem:
        from sim.film.reduce import reduce

        return reduce(self.parameters, self.particles)

    @cached_property
    def system(self) -> ReducedSystem:
        """The film in reduced units, with the step of the run."""
        from sim.film.reduce import reduce

        if self._begun is None:
            return self._afresh
        step, interval = self._begun.time_step_s, self._begun.frame_interval_s
        return reduce(self.parameters, self.particles, step, interval)

    @cached_property
    def expectations(self) -> Expectations:
        """What can be said before the run, had it not begun yet."""
        from sim.outlook.expectations import expect
        from sim.outlook.look_ahead import look_ahead

        outlook = look_ahead(self.parameters, self.particles, self._afresh)
        return expect(self.parameters, outlook)

    @cached_property
    def state(self) -> FilmState:
        """The start state.

        Raises
        ------
        ValueError
            If memory is short, or the particles find no place.
        """
        from sim.film.start import start_state

        self._require_memory()
        return start_state(self.parameters, self.system)

    @property
    def started(self) -> dict[str, Any]:
        """What the run file tells of the run that the film is taken from; empty without one."""
        start = self.parameters.start
        if start.kind != "file" or start.path is None or self.parameters.run.is_sampled:
            return {}
        from sim.film.start_file import field_of_run

        field = field_of_run(start.path)
        return {} if field is None else {"field_t": field}

    def require_ready(self, begins: bool = False) -> None:
        """Raise what keeps the run from beginning: threads, card, memory, room for particles.

        Parameters
        ----------
        begins : bool
            Whether a run follows: kernels of a card are then compiled beside what else is made.
        """
        _ = self.threads
        if self.device == "gpu":
            from sim.engines.card.ready import require_card

            require_card(self.system)
            if begins and self.engine_factory is None:
                from sim.engines.card.ahead import Ahead

                self.engine_factory = Ahead(self.system, self.selection)
        if self._is_placed_by_card:
            self._require_memory()
        else:
            _ = self.state

    @property
    def _is_placed_by_card(self) -> bool:
        return self.device == "gpu" and self._begun is not None

    def state_before(self, kept: Checkpoint | None) -> FilmState:
        """Return the state that the engine is made with: a card takes that of a checkpoint."""
        if kept is None or not self._is_placed_by_card:
            return self.state
        from sim.film.state import unplaced

        return unplaced(self.system.seed)

    def _require_memory(self) -> None:
        from sim.film.memory import require_memory

        require_memory(self.system, self.device == "gpu")

    @cached_property
    def selection(self) -> Selection:
        """What frames keep of the film."""
        from sim.files.selection import Selection

        output, film = self.parameters.output, self.particles
        return Selection.of(output.cutout, output.map_step, (*film.sides, film.thickness))

    @property
    def derived(self) -> dict[str, Any]:
        """Derived numbers, SI, for the run file."""
        return self.expectations.derived

    @cached_property
    def _too_long(self) -> list[str]:
        from sim.film.time_step import too_long_step

        return [too_long_step(self.system)] if self.system.dt > self.system.longest_dt else []

    @cached_property
    def notices(self) -> list[str]:
        """What the user should know, a sentence each."""
        return [self._crew[1], *self._too_long] if self._crew[1] else [*self._too_long]

    @property
    def doubts(self) -> tuple[str, ...]:
        """What makes numbers of the run doubtful, for its file: notices and cautions."""
        found = [*self.parameters.notices, *self._too_long, *self.expectations.on_numbers]
        return tuple(dict.fromkeys(found))  # a caution of `check` may be the same sentence


def record_of(setup: RunSetup, run_id: str) -> RunRecord:
    """Return what the run file says about the run before its first step."""
    parameters = setup.parameters
    steps_on = ", steps on a graphics card" if setup.device == "gpu" else ""
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
        processor=processor_name() + steps_on,
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
