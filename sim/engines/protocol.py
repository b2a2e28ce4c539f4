"""What the run loop asks of an engine, whatever processor it steps on."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol, runtime_checkable

from sim.interactions.added import LAWS

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.typing import NDArray

    from sim.files.selection import Selection
    from sim.film.reduced_system import ReducedSystem
    from sim.film.state import FilmState

    EngineFactory = Callable[[ReducedSystem, FilmState, int], "Engine"]

__all__ = ["ENERGIES", "Engine", "FilmPart", "SelectingEngine"]

ENERGIES = ("dipolar", "steric", "windows", "field", *LAWS, "gravity", "induction")
"""Names of all energies that a film may have."""


class Engine(Protocol):
    """Advances one film by whole steps; the pieces in which it is asked change no bit."""

    @property
    def step(self) -> int:
        """Steps done since the start of the run."""

    @property
    def timing(self) -> Mapping[str, float]:
        """`compile_s`, `stepping_s` of this engine; `lists_built`, `capped_moves` of the run."""

    def compile(self) -> None:
        """Compile what `advance` runs, or load it from the cache, without a step."""

    def advance(self, steps: int) -> None:
        """Make ``steps`` steps; after an error the state is the one before this call."""

    def snapshot(self) -> FilmState:
        """Return copies of the state, row i always the same particle."""

    def observe(self) -> Mapping[str, Any]:
        """Return energies per particle, magnetisation and applied field.

        Energies in kT by those of `ENERGIES` that there are; `magnetisation` relative to saturation
        (3,); `applied_field` in reduced units (3,).
        """

    def checkpoint(self) -> dict[str, Any]:
        """Return all that is needed to go on bit for bit."""

    def restore(self, checkpoint: dict[str, Any]) -> None:
        """Go back to a checkpoint."""


class FilmPart(NamedTuple):
    """What a frame keeps of a film, particles in rising order.

    Attributes
    ----------
    particles : int64 (n,) or None
        Their numbers; None where all are there.
    position : float64 (n, 3)
        m; x and y within the patch.
    image : int32 (n, 2)
        Whole periods left behind.
    directions : float64 (n, 3)
    projected : uint32 (columns, rows) or None
        Particles of the whole film over each cell of the patch, where a map is kept.
    """

    particles: NDArray[np.int64] | None
    position: NDArray[np.float64]
    image: NDArray[np.int32]
    directions: NDArray[np.float64]
    projected: NDArray[np.uint32] | None


@runtime_checkable
class SelectingEngine(Protocol):
    """An engine that can choose what a frame keeps where the film lies."""

    def part(self, selection: Selection, length_m: float) -> FilmPart:
        """Return what a selection with a cut-out keeps of the state.

        Parameters
        ----------
        selection : Selection
        length_m : float
            The unit of length, m.
        """
