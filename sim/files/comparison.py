"""Whether two runs are the same, and what differs: settings, programs, frames, measured numbers.

The trajectories are the same if everything that is fixed in time and every frame agree bit for
bit. The other differences explain why they are not, or are of no consequence; each is told.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from analysis.common import file_names, h5md
from analysis.common.attributes import plain_attributes, require_numbers
from analysis.common.seal import COUNT
from sim.files.layout import (
    FILM,
    NAMES,
    PER_FRAME,
    PER_PARTICLE,
    PROJECTED,
    STEP,
    TIME,
    WHOLE,
    box_of,
    in_whole,
    series_of,
)
from sim.files.opening import RunFileError, open_hdf5
from sim.files.pieces import require_chunks
from sim.files.record import flat

SECTIONS = ("parameters", "seed", "versions", "machine", "ending", "frames", "measured")
"""What is compared, in the order in which it is told."""
FIXED = tuple(f"{group}/{name}" for group in (FILM, WHOLE) for name in h5md.FIXED)
MOVING: tuple[str, ...] = (
    STEP,
    TIME,
    *(f"{element[0]}/value" for element in PER_PARTICLE + PER_FRAME),
    f"{NAMES}/value",
    f"{PROJECTED}/value",
)
STATES = (
    f"{WHOLE}/position/step",
    *(f"{in_whole(element[0])}/value" for element in PER_PARTICLE),
)
"""Whole states beside a cut-out; all that both runs have are compared."""
ABSENT = "absent"
_UNCOMPARED = (
    "parameters",
    "timing",
    "measured_by",
)  # told from the run file; never the same twice


@dataclass(frozen=True)
class Difference:
    """One thing in which two runs differ.

    Attributes
    ----------
    section : str
        One of `SECTIONS`.
    key : str
        What differs, such as "film.thickness" or "position".
    values : tuple
        What the first and the second run have, plain JSON types, SI.
    sentence : str
        The difference in words.
    """

    section: str
    key: str
    values: tuple[Any, Any]
    sentence: str


@dataclass(frozen=True)
class Comparison:
    """What two runs have in common.

    Attributes
    ----------
    folders : tuple of Path
        The two runs, as they were named.
    frames : tuple of int
        Frames of each, the start state included.
    measured : tuple of bool
        Whether each has a measures.json.
    differences : tuple of Difference
        In the order of `SECTIONS`.
    """

    folders: tuple[Path, Path]
    frames: tuple[int, int]
    measured: tuple[bool, bool]
    differences: tuple[Difference, ...]

    @property
    def same(self) -> bool:
        """Whether the trajectories are the same bit for bit."""
        return not self.of("frames")

    def of(self, section: str) -> list[Difference]:
        """Return the differences of one section."""
        return [one for one in self.differences if one.section == section]

    def to_json(self) -> dict[str, Any]:
        """Return everything as plain JSON types."""
        rows = {
            section: [
                {"key": one.key, "values": list(one.values), "sentence": one.sentence}
                for one in self.of(section)
            ]
            for section in SECTIONS
        }
        return {
            "same": self.same,
            "runs": [str(folder) for folder in self.folders],
            "frames": list(self.frames),
            "measured": list(self.measured),
            "differences": rows,
        }


def compare_runs(first: Path, second: Path) -> Comparison:
    """Compare two runs.

    Parameters
    ----------
    first, second : Path
        Their folders, or their run files.

    Returns
    -------
    Comparison
        All that differs.

    Raises
    ------
    RunFileError
        If one of them is no run of this program, or cannot be read.
    """
    folders = (first, second)
    paths = [_run_file(folder) for folder in folders]
    numbers = [_measured(path.with_name(file_names.MEASURES)) for path in paths]
    with open_hdf5(paths[0], "r") as one, open_hdf5(paths[1], "r") as other:
        facts = [_facts(file, path) for file, path in zip((one, other), paths, strict=True)]
        frames = (facts[0].pop("frames"), facts[1].pop("frames"))
        found = [
            *(row for section in SECTIONS[:5] for row in _told(section, facts)),
            *_of_frames(one, other, frames),
        ]
    if numbers[0] is not None and numbers[1] is not None:
        found += _told("measured", [{"measured": content} for content in numbers])
    measured = (numbers[0] is not None, numbers[1] is not None)
    return Comparison(folders, frames, measured, tuple(found))


def _run_file(folder: Path) -> Path:
    """Return the run file of a folder."""
    if not folder.is_dir():
        return folder
    if not (folder / file_names.RUN).exists():
        swept = (folder / file_names.SWEEP).exists()
        what = "the folder of a sweep" if swept else "no folder of a run"
        raise RunFileError(f"{folder} is {what}; --same compares two runs")
    return folder / file_names.RUN


def _facts(file: h5py.File, path: Path) -> dict[str, Any]:
    """Read what a run file says about its run, by section."""
    try:
        attrs = plain_attributes(file["/parameters"])
        values = flat(json.loads(attrs["resolved"]))
        values.pop("run.seed", None)  # the seed has its own section
        values["time_step_s"] = float(attrs["time_step_s"])
        return {
            "parameters": values,
            "seed": {"seed": int(attrs["seed"])},
            "versions": {"chainfilm": str(attrs["version"])}
            | _source(attrs)
            | json.loads(attrs["versions"]),
            "machine": {"processor": str(attrs["processor"])},
            "ending": {"ending": str(attrs["ending"])},
            "frames": min(int(require_numbers(file[COUNT])[()]), len(file[STEP])),
        }
    except (KeyError, ValueError, TypeError, AttributeError, OSError) as error:
        raise RunFileError(f"{path} is an HDF5 file but not a run of chainfilm") from error


def _source(attrs: Any) -> dict[str, str]:
    """Return commit and sources; files of an earlier version lack them."""
    return {key: str(attrs[key]) for key in ("commit", "sources") if attrs.get(key)}


def _measured(path: Path) -> dict[str, Any] | None:
    """Read the measured numbers beside a run; None where it has not been measured."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        return flat({name: content[name] for name in content if name not in _UNCOMPARED})
    except FileNotFoundError:
        return None
    except (OSError, ValueError, TypeError, AttributeError, RecursionError) as error:
        raise RunFileError(f"{path} cannot be read; measure that run again") from error


def _told(section: str, facts: list[dict[str, Any]]) -> Iterator[Difference]:
    """Tell each value of a section that differs."""
    one, other = (fact[section] for fact in facts)
    for key in [*one, *(key for key in other if key not in one)]:
        values = (one.get(key, ABSENT), other.get(key, ABSENT))
        # texts are compared, so that NaN equals itself and 1 differs from 1.0 as in the files
        if json.dumps(values[0]) != json.dumps(values[1]):
            words = f"{_shown(values[0])} in the first run, {_shown(values[1])} in the second"
            yield Difference(section, key, values, f"{key} is {words}")


def _shown(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False) if not isinstance(value, str) else value
    return text if len(text) <= 60 else text[:57] + "..."


def _of_frames(one: h5py.File, other: h5py.File, frames: tuple[int, int]) -> Iterator[Difference]:
    """Tell what differs in the trajectories."""
    if frames[0] != frames[1]:
        sentence = f"the first run holds {frames[0]} frames, the second {frames[1]}"
        yield Difference("frames", "frames", frames, sentence)
    if not _same(*(_box(file) for file in (one, other))):
        yield Difference("frames", "edges", (None, None), "edges differs")
    series = dict.fromkeys(f"{name}/value" for file in (one, other) for name in series_of(file))
    for path in (*FIXED, *MOVING, *series, *STATES):
        parts = [_dataset(file, path) for file in (one, other)]
        rows: int | None = min(frames)
        if path in FIXED:
            rows = None
        elif path in STATES:
            rows = min((len(part) for part in parts if part is not None), default=0)
        found = _of_data(path, parts, rows)
        if found is not None:
            yield found


def _box(file: h5py.File) -> Any:
    """Return the box, given once or with every frame; none where the file has no frame."""
    try:
        return box_of(file) if len(file[STEP]) else ()
    except (KeyError, ValueError, OSError) as error:
        raise RunFileError(f"the box of {file.filename} is damaged: it cannot be read") from error


def _dataset(file: h5py.File, path: str) -> h5py.Dataset | None:
    found = file.get(path)
    return found if isinstance(found, h5py.Dataset) else None


def _of_data(path: str, parts: list[h5py.Dataset | None], frames: int | None) -> Difference | None:
    """Tell how one array differs; `frames` counts rows, None compares it as a whole."""
    name = path.removesuffix("/value").rpartition("/")[2]

    def tell(values: tuple[Any, Any], sentence: str) -> Difference:
        return Difference("frames", name, values, f"{name} {sentence}")

    one, other = parts
    if one is None and other is None:
        return None  # such as the times of sampled runs
    if one is None or other is None:
        where = ("first", "second") if one is None else ("second", "first")
        values = (one is not None, other is not None)
        return tell(values, f"is absent in the {where[0]} run and there in the {where[1]}")
    skip = 0 if frames is None else 1
    kinds = [(str(part.dtype), list(part.shape[skip:])) for part in (one, other)]
    if kinds[0] != kinds[1]:
        words = [f"{dtype} of shape {tuple(shape)}" for dtype, shape in kinds]
        return tell(
            (words[0], words[1]), f"is {words[0]} in the first run, {words[1]} in the second"
        )
    try:
        for part in (one, other):
            require_chunks(part, len(part) if frames is None else frames)
        if frames is None:
            return None if _same(one[()], other[()]) else tell((None, None), "differs")
        row, largest = _first_row(one, other, frames)
    except OSError as error:
        raise RunFileError(f"{path} of one of the runs is damaged: it cannot be read") from error
    if row is None:
        return None
    far = f", there by at most {largest:.3g}"
    return tell((row, largest), f"first differs in frame {row}{far} in the units of the file")


def _first_row(one: h5py.Dataset, other: h5py.Dataset, frames: int) -> tuple[int | None, float]:
    """Return the first frame that differs, None if there is none, and by how much it does."""
    step = one.chunks[0] if one.chunks else max(1, frames)
    for begin in range(0, frames, step):
        rows = slice(begin, min(begin + step, frames))
        here, there = one[rows], other[rows]
        if _same(here, there):
            continue
        for number, (a, b) in enumerate(zip(here, there, strict=True), start=begin):
            if not _same(a, b):
                with np.errstate(invalid="ignore", over="ignore"):
                    apart = np.abs(np.subtract(a, b, dtype=np.float64))
                return number, float(np.max(apart, initial=0.0))
    return None, 0.0


def _same(one: Any, other: Any) -> bool:
    """Return whether two arrays hold the same bits; NaN is itself, and -0 is not 0."""
    return bool(np.asarray(one).tobytes() == np.asarray(other).tobytes())
