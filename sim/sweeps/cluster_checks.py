"""Whether a cluster is one: what answers at its address, and what its workers are made of.

Whatever stands at an address may accept a connection and then say nothing, or nonsense. So each
question is asked in a thread of its own, which is left to itself when the time is up.
"""

from __future__ import annotations

import asyncio
import logging
import threading
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, TypeVar

from analysis.common.errors import InputError
from sim.files.provenance import processor_name, program_version, sources, versions

PROGRAM = ("chainfilm", "sources")
"""Where these differ, it is another program that computes."""

Answer = TypeVar("Answer")


class ClusterError(InputError):
    """No cluster can be used as asked: its address, its workers or an installation is at fault."""


def no_scheduler(address: str, seconds: float) -> str:
    """Return the sentence about an address where no scheduler is."""
    return (
        f"--cluster must be the address of a running scheduler; none answers at {address} "
        f"within {seconds:g} s"
    )


def require_scheduler(address: str, seconds: float) -> None:
    """Ask what stands at an address.

    Parameters
    ----------
    address : str
        Such as "tcp://host:8786".
    seconds : float
        Time for the answer.

    Raises
    ------
    ClusterError
        If nothing answers in time, or what does is no scheduler.
    """
    from distributed import Security
    from distributed.core import rpc

    arguments = Security().get_connection_args("client")
    if address.startswith("tls:") and arguments.get("ssl_context") is None:
        raise ClusterError(
            f"--cluster {address} needs certificates, which the configuration of Dask must name "
            "under distributed.comm.tls"
        )

    async def ask() -> Any:
        async with rpc(address, timeout=seconds, connection_args=arguments) as found:
            return await found.identity()

    for name in ("distributed", "asyncio"):  # what matters is in the sentence
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        found = _within(seconds, lambda: asyncio.run(ask()))
    except Exception as error:  # what is no scheduler may answer anything
        raise ClusterError(no_scheduler(address, seconds)) from error
    kind = found.get("type") if isinstance(found, dict) else None
    if kind != "Scheduler":
        raise ClusterError(
            f"--cluster must be the address of a scheduler; what answers at {address} is "
            f"{f'a {kind.lower()}' if isinstance(kind, str) else 'none'}"
        )


def differences(client: Any, address: str, seconds: float) -> list[str]:
    """Say where workers are missing, silent, or would give other numbers than this machine.

    Parameters
    ----------
    client : distributed.Client
        A connected client.
    address : str
        What it is connected to, for messages.
    seconds : float
        Time for the answers of all workers.

    Returns
    -------
    list of str
        A sentence each.

    Raises
    ------
    ClusterError
        If a worker lacks this program.
    """
    try:
        found = _within(seconds, lambda: client.run(_own_versions))
    except OSError:  # a time that is up is one too
        return [
            f"not all workers of {address} answer within {seconds:g} s, so that their versions "
            "are not known; the runs of one that stays silent go to another after minutes"
        ]
    except Exception as error:  # a lacking module comes back as a text in one that is none of it
        raise ClusterError(
            f"workers of {address} must have this chainfilm installed; one says: "
            f"{' '.join(str(error).split())}"
        ) from error
    if not found:
        return [f"no worker has joined {address} yet; the sweep waits for them"]
    own, notices = _own_versions(), []
    for key in own:
        others = sorted({str(theirs.get(key)) for theirs in found.values()} - {own[key]})
        if others:
            what = "results" if key in PROGRAM else "the last bits of results"
            notices.append(
                f"workers have another {key} ({', '.join(others)}) than this machine ({own[key]}): "
                f"{what} may differ"
            )
    return notices


def _own_versions() -> dict[str, str]:
    """Return what results depend on."""
    return {
        "chainfilm": program_version(), "sources": sources(), **versions(),
        "processor": processor_name(),
    }  # fmt: skip


def _within(seconds: float, work: Callable[[], Answer]) -> Answer:
    """Return what some work returns; raise TimeoutError when its time is up."""
    answer: Future[Answer] = Future()

    def do() -> None:
        try:
            answer.set_result(work())
        except BaseException as error:
            answer.set_exception(error)

    threading.Thread(target=do, daemon=True).start()
    return answer.result(seconds)
