"""Whether a film can step on the card of this machine, said before anything is made."""

from __future__ import annotations

from importlib.util import find_spec
from typing import TYPE_CHECKING

from analysis.common.errors import InputError
from sim.engines.card.memory import card_bytes

if TYPE_CHECKING:
    from sim.film.reduced_system import ReducedSystem

__all__ = ["CardError", "free_bytes", "require_card", "require_known_laws", "require_room"]

INSTALL = 'pip install "chainfilm[gpu]"'
CUDA_NEEDED = 13000
"""Oldest version of CUDA that a driver must know, in thousands."""


class CardError(InputError):
    """A run that no card can take, or not the card of this machine; one sentence for the user."""


def require_card(system: ReducedSystem) -> None:
    """Refuse a run that cannot step on the card of this machine.

    Raises
    ------
    CardError
        If the film has laws that the card does not know, what it takes is not installed, there is
        no card, its driver is too old, or its memory too small.
    """
    require_known_laws(system)  # before the card is asked
    require_room(system, free_bytes())


def require_room(system: ReducedSystem, free: int | None) -> None:
    """Refuse a run that has laws unknown to the card, or needs more memory than is free.

    Parameters
    ----------
    system : ReducedSystem
    free : int or None
        Of `free_bytes`.

    Raises
    ------
    CardError
    """
    require_known_laws(system)
    needed = card_bytes(system)
    if free is not None and needed > free:
        raise CardError(
            f"[film] {system.count} particles need about {needed / 1e9:.3g} GB of memory on the "
            f"card, and {free / 1e9:.3g} GB are free; use a smaller patch (count) or --device cpu"
        )


def require_known_laws(system: ReducedSystem) -> None:
    """Refuse a film with what the card does not know.

    Raises
    ------
    CardError
        If it has any; all of it is named.
    """
    unknown = [
        words
        for words, asked in (
            ('[run] dynamics = "monte_carlo"', system.dynamics == "monte_carlo"),
            ("an exact sum of the dipoles", system.dipole_sum == "exact"),
        )
        if asked
    ]
    if not unknown:
        return
    hint = ""
    if system.dipole_sum == "exact":
        hint = '; a film too small for a mesh may take [dipoles] sum = "cutoff"'
    raise CardError(
        f"--device must be cpu for a film with {' and '.join(unknown)}; received gpu{hint}"
    )


def free_bytes() -> int | None:
    """Return the free memory of the card, None for numba's simulator of one.

    Raises
    ------
    CardError
        If what it takes is not installed, there is no card, or its driver is too old.
    """
    import numba

    if numba.config.ENABLE_CUDASIM:  # type: ignore[attr-defined]
        return None
    missing = [name for name in ("numba_cuda", "cupy") if find_spec(name) is None]
    if missing:
        words = " and ".join(name.replace("_", "-") for name in missing)
        raise CardError(f"--device gpu needs {words}, which this installation lacks; {INSTALL}")
    from cupy.cuda import runtime

    try:
        known = int(runtime.driverGetVersion())
        cards = int(runtime.getDeviceCount()) if known else 0
    except runtime.CUDARuntimeError as error:
        if "InsufficientDriver" not in str(error):
            raise CardError(_no_card()) from error
        known, cards = 1, 1
    if not known or not cards:
        raise CardError(_no_card())
    if known < CUDA_NEEDED:
        raise CardError(
            f"--device gpu needs a driver for CUDA {CUDA_NEEDED // 1000} or newer; that of this "
            f"machine is for CUDA {known // 1000}.{known % 1000 // 10}"
        )
    return int(runtime.memGetInfo()[0])


def _no_card() -> str:
    return "--device must be cpu on this machine, which has no graphics card for CUDA; received gpu"
