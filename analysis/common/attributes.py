"""Attributes of HDF5 files, read only where they are numbers or texts.

One flipped bit makes a text a list of other things; HDF5 then follows what are no addresses and
takes the program with it. So the kind is looked at first, also before a checksum is made of what
is read. The same text stands in `sim` and `analysis`.
"""

from __future__ import annotations

from typing import Any


def attribute(item: Any, name: str, default: Any = None) -> Any:
    """Return an attribute of a group or data set, or what stands for one that is not there.

    Raises
    ------
    ValueError
        If it is neither numbers nor texts.
    """
    from h5py import h5t

    if name not in item.attrs:
        return default
    kind = item.attrs.get_id(name).get_type().get_class()
    if kind not in (h5t.INTEGER, h5t.FLOAT, h5t.STRING, h5t.ENUM):
        raise ValueError(f"the attribute {name} of {item.name} is neither a number nor a text")
    return item.attrs[name]


def plain_attributes(item: Any) -> dict[str, Any]:
    """Return all attributes of a group or data set by name, sorted; see `attribute`."""
    return {name: attribute(item, name) for name in sorted(item.attrs)}


def require_numbers(data: Any) -> Any:
    """Return a data set of plain numbers as it is, unread.

    Raises
    ------
    ValueError
        If it holds anything else.
    """
    if data.dtype.kind not in "biuf" or data.dtype.subdtype is not None:
        raise ValueError(f"{data.name} holds other than plain numbers")
    return data
