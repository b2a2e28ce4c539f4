"""A card that does not answer any more, told in one sentence wherever it is asked for something."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Concatenate, ParamSpec, Protocol, TypeVar

from sim.engines.guards import EngineLostError, StepError

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["answered"]

P = ParamSpec("P")
R = TypeVar("R")


class Stepping(Protocol):
    """What asks a card."""

    def steps_made(self) -> int:
        """Return the steps that have been made, as far as this machine knows."""


S = TypeVar("S", bound=Stepping)


def answered(method: Callable[Concatenate[S, P], R]) -> Callable[Concatenate[S, P], R]:
    """Have a method raise `EngineLostError` where the card, or what asks it, gives an error."""

    @functools.wraps(method)
    def asked(self: S, /, *args: P.args, **words: P.kwargs) -> R:
        try:
            return method(self, *args, **words)
        except (EngineLostError, StepError):
            raise
        except Exception as error:
            told = (str(error).strip() or type(error).__name__).splitlines()[0]
            raise EngineLostError(
                f"the graphics card was lost in step {self.steps_made()} or soon after ({told}); "
                "go on with --resume from the last checkpoint"
            ) from error

    return asked
