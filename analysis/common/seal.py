"""The seal of a run file: a checksum of what no checksum of HDF5 covers."""

from __future__ import annotations

import zlib
from typing import Any

from analysis.common.attributes import attribute, plain_attributes, require_numbers

SEAL = "seal"
"""Attribute of /parameters that holds it."""
COUNT = "/parameters/frames_complete"
"""Array with the frames that count, written last."""


def seal_of(file: Any) -> int:
    """Return a CRC-32 of what no checksum of HDF5 covers.

    These are the attributes of /parameters, the frames that count, and of every array its place,
    type, shape and unit. The numbers in the arrays have checksums of their own (fletcher32).
    """
    attributes = plain_attributes(file["/parameters"])
    told = [f"{name}={value}" for name, value in attributes.items() if name != SEAL]
    told.append(f"frames={require_numbers(file[COUNT])[()]}")

    def note(name: str, item: Any) -> None:
        if hasattr(item, "dtype"):
            unit = attribute(item, "unit", b"")
            told.append(f"{name} {item.dtype.str} {item.shape} {unit!s}")

    file.visititems(note)
    return zlib.crc32("\n".join(told).encode("utf-8", "surrogateescape"))


def is_sealed(file: Any) -> bool:
    """Return whether the seal of a run fits, or there is none: in files of other origin or old."""
    seal = attribute(file["/parameters"], SEAL) if "parameters" in file else None
    return seal is None or int(seal) == seal_of(file)
