"""Frames of a film as H5MD in nanometres and picoseconds, for programs that know no metres.

Source: H5MD, version 1.1 (an open standard), with its `units` module.
"""

from __future__ import annotations

import io
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np

from analysis.chains.measured_run import Frame
from analysis.files.provenance import facts, line
from analysis.files.writing import write_bytes
from analysis.trajectory.run import Run

NANOMETRE, PICOSECOND = 1e-9, 1e-12


def write_h5md(run: Run, frames: Iterable[Frame], path: Path) -> Path:
    """Write frames as H5MD, atomically, in single precision.

    Parameters
    ----------
    run : Run
        Sizes and patch.
    frames : iterable of Frame
        What is written, in the order of time.
    path : Path
        The file; its folder must exist.

    Returns
    -------
    Path
        The file: ``position`` (nm), ``diameter`` (nm), ``box/edges`` (nm), ``moment`` (A m2) where
        the run has moments, ``chain`` (-1 for singles) and ``chain_length`` of each particle,
        times in ps; none of a sampled run, whose steps are sweeps. Of a cut-out, ``id`` names the
        particles, and rows without one hold -1.
    """
    import h5py

    shown = list(frames)
    rows: dict[str, tuple[list[Any], str, str]] = {
        "position": ([one.positions / NANOMETRE for one in shown], "<f4", "nm"),
        "chain": ([one.chains.index for one in shown], "<i4", ""),
        "chain_length": ([one.chains.size[one.chains.group] for one in shown], "<i4", ""),
    }
    if run.has_moments:
        rows["moment"] = ([one.moments for one in shown], "<f4", "A m+2")
    if run.cutout is not None:  # particles come and go
        rows["id"] = ([one.present for one in shown], "<i8", "")
        rows["diameter"] = ([one.diameters / NANOMETRE for one in shown], "<f4", "nm")
        most = max(len(one.positions) for one in shown)
        rows = {name: (_padded(one, most), kind, unit) for name, (one, kind, unit) in rows.items()}
    box = np.array([*run.sides, run.thickness]) / NANOMETRE
    rows["box/edges"] = ([box] * len(shown), "<f8", "nm")
    stream = io.BytesIO()
    with h5py.File(stream, "w", libver="earliest") as file:
        _write_head(file)
        film = file.create_group("particles/film")
        for name, (values, kind, unit) in rows.items():
            _put(film, f"{name}/value", np.array(values, kind), unit)
        if run.cutout is None:
            _put(film, "diameter", np.asarray(run.diameters / NANOMETRE, "<f4"), "nm")
        numbers = [one.number for one in shown]
        _put(film, "position/step", run.steps[numbers].astype("<i8"))
        if not run.is_sampled:
            _put(film, "position/time", run.times[numbers] / PICOSECOND, "ps")
        for name in (key for key in rows if key != "position"):  # hard links, as the standard asks
            for schedule in set(film["position"]) - {"value"}:
                film[f"{name}/{schedule}"] = film[f"position/{schedule}"]
        film["box"].attrs.create("dimension", 3, dtype="<i4")
        film["box"].attrs["boundary"] = np.array([*_across(run), b"none"])
    return write_bytes(path, stream.getvalue())


def _across(run: Run) -> list[bytes]:
    """Return the boundaries along x and y: a cut-out repeats where it is as wide as the film."""
    if run.cutout is None:
        return [b"periodic", b"periodic"]
    whole = run.sides >= run.cutout.film[:2] * (1.0 - 1e-12)
    return [b"periodic" if one else b"none" for one in whole]


def _padded(values: list[Any], most: int) -> list[Any]:
    """Return rows of particles filled up with -1, as many in every frame."""
    return [
        np.pad(rows, [(0, most - len(rows)), *[(0, 0)] * (rows.ndim - 1)], constant_values=-1)
        for rows in values
    ]


def _write_head(file: Any) -> None:
    """Write the metadata: texts of fixed length, but those of units."""
    head = file.create_group("h5md")
    head.attrs.create("version", [1, 1], dtype="<i4")
    about = {"author/name": "chainfilm user", "creator/name": "chainfilm"}
    about["creator/version"] = str(facts().get("version") or "unknown")
    for place, text in about.items():
        group, name = place.split("/")
        head.require_group(group).attrs[name] = np.bytes_(text.encode("ascii", "replace"))
    units = head.create_group("modules/units").attrs
    units.create("version", [1, 0], dtype="<i4")
    units.create("system", "SI", dtype=_text())
    if line():
        file.create_group("parameters").attrs["made_by"] = line()


def _put(group: Any, name: str, values: Any, unit: str = "") -> None:
    """Write an array with its unit."""
    made = group.create_dataset(name, data=values)
    if unit:
        made.attrs.create("unit", unit, dtype=_text())


def _text() -> Any:
    """Return the type of units: ASCII of variable length."""
    from h5py import string_dtype

    return string_dtype("ascii")
