"""Guards that stop a run whose steps are too long, whatever processor makes them."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sim.film.reduced_system import ReducedSystem

__all__ = ["EngineLostError", "StepError", "remedy", "require_few_capped", "thrown", "unsettled"]

# A larger share of capped drifts stops the run (and one in a million warns).
CAPPED_LIMIT = 1.0e-4
CAPPED_LEAST = 20


class EngineLostError(RuntimeError):
    """What steps is gone, with the state of the film; its last checkpoint stays."""


class StepError(RuntimeError):
    """A step threw a particle further than it may go.

    Attributes
    ----------
    particle, step : int
        The particle (its row in every frame) and the step, counted from the start.
    remedy : str
        What to change.
    """

    def __init__(self, message: str, particle: int, step: int, remedy: str) -> None:
        # all arguments, so that the error can pass from a worker process to another
        super().__init__(message, particle, step, remedy)
        self.particle = particle
        self.step = step
        self.remedy = remedy

    def __str__(self) -> str:
        return f"{self.args[0]}; {self.remedy}"


def remedy(system: ReducedSystem) -> str:
    """Return what to do about steps that are too long."""
    return (
        f'shorten [run] time_step (now {system.dt_s:.3g} s) or set it to "auto", and '
        "check sizes and repulsion"
    )


def thrown(system: ReducedSystem, particle: int, step: int) -> StepError:
    """Return the error of a particle that moved too far, or is not a number, in a step."""
    message = (
        f"particle {particle} was thrown further than it may go in step {step} "
        f"(t = {step * system.dt_s:.4g} s)"
    )
    return StepError(message, particle, step, remedy(system))


def unsettled(change: float, sums: int, step: int) -> StepError:
    """Return the error of induced moments that do not become self-consistent.

    Parameters
    ----------
    change : float
        By how much of themselves they still change.
    sums, step : int
        Sums of the dipoles made, and the step that they were made for.
    """
    message = (
        f"the moments that beads induce in each other did not settle in {sums} sums of step "
        f"{step}: they still change by {change:.2g} of themselves"
    )
    hint = "beads this close and this susceptible have no stable moments; check sizes"
    return StepError(message, -1, step, hint)


def require_few_capped(system: ReducedSystem, capped: int, step: int) -> None:
    """Stop a run whose drift cap acts so often that it would change the kinetics.

    Raises
    ------
    StepError
        If so many of the moves up to this step were capped.
    """
    moves = max(1, step * system.inner_steps * system.count)
    if capped > CAPPED_LEAST and capped > CAPPED_LIMIT * moves:
        message = f"{capped} of {moves} moves were capped by step {step}"
        raise StepError(message, -1, step, remedy(system))
