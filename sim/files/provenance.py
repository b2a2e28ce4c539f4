"""Which program made an output, on which machine: what another person needs to make it again."""

from __future__ import annotations

import functools
import hashlib
import os
import platform
import sys
from pathlib import Path
from typing import Any

_ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("sim", "analysis")
LIBRARIES = ("numpy", "scipy", "numba", "llvmlite", "h5py")
"""Those that may change a bit of a trajectory."""


def program_version() -> str:
    """Return the version of the installed distribution, or "unknown" in a bare source tree."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("chainfilm")
    except PackageNotFoundError:
        return "unknown"


def versions() -> dict[str, str]:
    """Return the versions of everything that may change a bit of the result."""
    from importlib.metadata import version

    found = {"python": platform.python_version(), "system": f"{sys.platform} {platform.machine()}"}
    return found | {name: version(name) for name in LIBRARIES}


@functools.cache
def processor_name() -> str:
    """Return what the system calls its processor."""
    try:
        for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
            if line.startswith("model name"):
                return line.partition(":")[2].strip()
    except OSError:
        pass  # not every system has this file; the general answer below is less exact
    return platform.processor() or platform.machine()


@functools.cache
def commit(root: Path = _ROOT) -> str:
    """Return the commit that a source tree stands at, "" where it is no checkout.

    Read from git's own files, since starting git takes longer than all else here. What has been
    changed since that commit does not show in it: `sources` tells.
    """
    try:
        folder = root / ".git"
        if folder.is_file():  # a further working tree names the folder of its own
            folder = root / folder.read_text(encoding="utf-8").removeprefix("gitdir:").strip()
        shared = folder
        if (folder / "commondir").is_file():
            shared = folder / (folder / "commondir").read_text(encoding="utf-8").strip()
        head = (folder / "HEAD").read_text(encoding="utf-8").strip()
        if not head.startswith("ref:"):
            return _checked(head)
        name = head.removeprefix("ref:").strip()
        for place in (folder / name, shared / name):
            if place.is_file():
                return _checked(place.read_text(encoding="utf-8").strip())
        for line in (shared / "packed-refs").read_text(encoding="utf-8").splitlines():
            number, _, named = line.partition(" ")
            if named.strip() == name:
                return _checked(number)
    except (OSError, ValueError):
        pass
    return ""


def _checked(number: str) -> str:
    """Return a commit number; "" for what is none."""
    return number if len(number) in (40, 64) and not set(number) - set("0123456789abcdef") else ""


@functools.cache
def sources(root: Path = _ROOT) -> str:
    """Return 12 hexadecimal digits that change with any source file of the program (SHA-256)."""
    digest = hashlib.sha256()
    for package in PACKAGES:
        for path in sorted((root / package).rglob("*.py")):
            digest.update(path.relative_to(root).as_posix().encode() + b"\0")
            digest.update(path.read_bytes().replace(b"\r\n", b"\n") + b"\0")
    return digest.hexdigest()[:12]


def made_by() -> dict[str, Any]:
    """Return program, libraries and machine as plain JSON types.

    Returns
    -------
    dict
        ``program``, ``version``, ``commit`` (where it is known), ``sources``, ``versions``,
        ``processor``, ``cores``.
    """
    about: dict[str, Any] = {"program": "chainfilm", "version": program_version()}
    if known := commit():
        about["commit"] = known
    return about | {
        "sources": sources(),
        "versions": versions(),
        "processor": processor_name(),
        "cores": os.cpu_count() or 1,
    }


def with_part(parts: list[dict[str, Any]], from_step: int, threads: int) -> list[dict[str, Any]]:
    """Return the parts of a run with the one that begins now.

    Parameters
    ----------
    parts : list of dict
        The parts before; empty for a run that starts.
    from_step : int
        Step at which this one begins.
    threads : int
        Threads that it steps on; they change no bit.

    Returns
    -------
    list of dict
        As `made_by`, with ``from_step``, ``threads`` and ``resumed``: how often the part was
        resumed by the same program, libraries, machine and threads.
    """
    now = {"from_step": from_step, "threads": threads, "resumed": 0, **made_by()}
    if not parts:
        return [now]
    last = parts[-1]
    apart = {"from_step", "resumed"}
    if all(last.get(key) == now.get(key) for key in {*last, *now} - apart):
        return [*parts[:-1], {**last, "resumed": int(last.get("resumed", 0)) + 1}]
    return [*parts, now]
