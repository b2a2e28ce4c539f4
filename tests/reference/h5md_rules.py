"""What H5MD asks of a file, rule by rule, read from the texts of the standard.

Sources: H5MD 1.1.0, sections "Time-dependent data", "H5MD metadata", "Modules", "Particles group",
"Simulation box", "Observables group"; its module `units`, version 1.0.0, with the tables of symbols
and prefixes.
"""

import re

import h5py
import numpy as np

PREFIXES = ("E", "P", "T", "G", "M", "k", "h", "da", "d", "c", "m", "u", "n", "p", "f", "a")
SYMBOLS = (
    "m", "Ang", "L", "s", "Hz", "kg", "g", "u", "N", "dyn", "Pa", "bar", "atm", "poise", "J", "cal",
    "erg", "eV", "W", "K", "mol", "A", "C", "V", "cd", "rad", "degree", "pi", "kB", "Nav", "c", "e",
)  # fmt: skip
BEYOND = {"T"}
"""The tesla is a derived unit of SI, of which the module lists "a subset"."""
FACTOR = re.compile(r"([A-Za-z]+)([+-][1-9]\d*)?")
NUMBER = re.compile(r"\d+(\.\d+)?([+-]\d+)?")


def broken_rules(path):
    """Return a sentence for each rule of the standard that a file breaks."""
    with h5py.File(path, "r") as file:
        told = list(_head(file))
        for name, group in file.get("particles", {}).items():
            told += _particles(f"/particles/{name}", group)
        for name, element in file.get("observables", {}).items():
            told += _element(f"/observables/{name}", element)
        return told + list(_units(file))


def _is_fixed_text(item, name):
    kind = item.attrs.get_id(name).get_type()
    return isinstance(kind, h5py.h5t.TypeStringID) and not kind.is_variable_str()


def _head(file):
    if "h5md" not in file:
        yield "the group h5md is mandatory"
        return
    head = file["h5md"]
    version = head.attrs.get("version")
    if np.shape(version) != (2,) or np.asarray(version).dtype.kind not in "iu":
        yield "h5md/version must be two whole numbers"
    elif tuple(version) != (1, 1):
        yield "h5md/version must be 1.1"
    for group, names in (("author", ["name"]), ("creator", ["name", "version"])):
        for name in names:
            if group not in head or name not in head[group].attrs:
                yield f"h5md/{group} must have a {name}"
            elif np.shape(head[group].attrs[name]) != () or not _is_fixed_text(head[group], name):
                yield f"h5md/{group} {name} must be one text of fixed length"


def _element(place, element, schedule=None):
    """Tell what is wrong with one element, a data set or a group with step, time and value."""
    if isinstance(element, h5py.Dataset):
        return
    for name in ("step", "value"):
        if name not in element:
            yield f"{place} must have {name}"
            return
    step, value = element["step"], element["value"]
    if step.dtype.kind not in "iu":
        yield f"{place}/step must hold whole numbers"
    if step.ndim == 1 and len(step) != len(value):
        yield f"{place}/value must have as many rows as step"
    if step.ndim == 1 and (np.diff(step[()]) < 0).any():
        yield f"{place}/step must rise"
    if "time" in element and element["time"].shape != step.shape:
        yield f"{place}/time must have the shape of step"
    for name in ("step", "time"):
        if schedule is not None and name in schedule and element.get(name) != schedule[name]:
            yield f"{place}/{name} must be a hard link to that of the position"


def _particles(place, group):
    if "box" not in group:
        yield f"{place} must have a box"
        return
    position = group.get("position")
    count = None if position is None else position["value"].shape[1]
    for name, element in group.items():
        if name == "box":
            continue
        yield from _element(f"{place}/{name}", element, position if name == "image" else None)
        rows = (
            element.shape[:1] if isinstance(element, h5py.Dataset) else element["value"].shape[1:2]
        )
        if count is not None and rows != (count,):
            yield f"{place}/{name} must have a row for each particle"
    yield from _box(f"{place}/box", group["box"], position)


def _box(place, box, position):
    dimension = box.attrs.get("dimension")
    if np.shape(dimension) != () or np.asarray(dimension).dtype.kind not in "iu":
        yield f"{place} dimension must be one whole number"
    boundary = box.attrs.get("boundary")
    if np.shape(boundary) != (dimension,) or not _is_fixed_text(box, "boundary"):
        yield f"{place} boundary must be as many texts of fixed length as there are dimensions"
        return
    words = [word.decode() for word in boundary]
    if not set(words) <= {"periodic", "none"}:
        yield f"{place} boundary must be of periodic and none"
    if "edges" not in box:
        if "periodic" in words:
            yield f"{place} must have edges where it is periodic"
        return
    edges = box["edges"]
    yield from _element(f"{place}/edges", edges, position)
    shape = edges.shape if isinstance(edges, h5py.Dataset) else edges["value"].shape[1:]
    if shape not in ((dimension,), (dimension, dimension)):
        yield f"{place}/edges must be a vector or a matrix of the dimension"


def _units(file):
    """Tell what is wrong with the units, where the file says that it has the module."""
    module = file.get("h5md/modules/units")
    if module is None:
        return
    if np.shape(module.attrs.get("version")) != (2,):
        yield "modules/units version must be two whole numbers"
    if "system" in module.attrs and _is_fixed_text(module, "system"):
        yield "modules/units system must be a text of variable length"
    wrong = []

    def look(name, item):
        if "unit" in item.attrs:
            kind = item.attrs.get_id("unit").get_type()
            if _is_fixed_text(item, "unit"):
                wrong.append(f"/{name} unit must be a text of variable length")
            elif kind.get_cset() != h5py.h5t.CSET_ASCII:
                wrong.append(f"/{name} unit must be of ASCII signs")
            elif not is_unit(item.attrs["unit"]):
                wrong.append(f"/{name} unit must be a sequence of factors")

    file.visititems(look)
    yield from wrong


def is_unit(text):
    """Return whether a text is a unit: at most one number, first, then symbols with powers."""
    factors = text.split(" ")
    if NUMBER.fullmatch(factors[0]):
        factors = factors[1:]
    found = [FACTOR.fullmatch(factor) for factor in factors]
    if not all(found):
        return False
    symbols = [match[1] for match in found]
    return len(set(symbols)) == len(symbols) and all(map(_is_symbol, symbols))


def _is_symbol(word):
    known = {*SYMBOLS, *BEYOND}
    return word in known or any(
        word.startswith(prefix) and word[len(prefix) :] in known for prefix in PREFIXES
    )
