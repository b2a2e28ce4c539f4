"""What light makes of the points of a sweep: one table, a row a point and wavelength.

The numbers are read from the hand-off in the folder of each run and combined over replicas like all
others of a sweep.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.common import file_names
from analysis.files.csv_text import write_csv
from analysis.quantities.light import LIGHT, OF_LIGHT, RESPONSE
from analysis.uncertainty.estimate import Estimate
from analysis.uncertainty.number_text import as_float
from analysis.uncertainty.replicas import combine_replicas

if TYPE_CHECKING:
    from analysis.sweeps.gather import SweepTable


@dataclass(frozen=True)
class SweepOptics:
    """The optics of a sweep.

    Attributes
    ----------
    wavelengths : tuple of float
        Vacuum wavelengths in m that every run of it knows, in order.
    tables : dict of SweepTable
        The sweep by wavelength; rows of ``summary`` have columns of light beside the others.
    source : str
        Where the index of the cores comes from.
    """

    wavelengths: tuple[float, ...]
    tables: dict[float, SweepTable]
    source: str = ""

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the columns of light with a value at any point."""
        return tuple(
            one.column
            for one in OF_LIGHT.values()
            if any(
                row[one.column] is not None for table in self.tables.values()
                for row in table.summary
            )
        )  # fmt: skip


def collect_optics(table: SweepTable) -> SweepOptics:
    """Read the hand-off of every run that is done.

    Parameters
    ----------
    table : SweepTable
        The sweep, finished or not.

    Returns
    -------
    SweepOptics
        Without wavelengths where no run has a hand-off, or runs share no wavelength.
    """
    found = {
        row["folder"]: content
        for row in table.rows
        if row["status"] == "done"
        and (content := _read(table.directory / row["folder"] / file_names.HANDOFF))
    }
    lights = {
        folder: {as_float(one["wavelength_m"]["value"]): one for one in content["light"]}
        for folder, content in found.items()
    }
    first = next(iter(lights.values()), {})
    shared = tuple(w for w in first if all(w in light for light in lights.values()))
    tables = {
        wavelength: replace(
            table,
            summary=[
                row | _columns(table, row["point"], found, lights, wavelength)
                for row in table.summary
            ],
        )
        for wavelength in shared
    }
    source = next((c["optics"]["core_index"].get("source", "") for c in found.values()), "")
    return SweepOptics(shared, tables, str(source))


def _read(path: Path) -> dict[str, Any] | None:
    """Return a hand-off, None where there is none that can be read."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        _ = [light["wavelength_m"]["value"] for light in content["light"]], content["optics"]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return dict(content)


def _columns(
    table: SweepTable,
    point: Any,
    found: dict[str, dict[str, Any]],
    lights: dict[str, dict[float, Any]],
    wavelength: float,
) -> dict[str, Any]:
    """Return the columns of light of one point, means over its replicas with errors."""
    folders = [row["folder"] for row in table.rows if row["point"] == point]
    out: dict[str, Any] = {}
    for one in OF_LIGHT.values():
        entries = [
            (lights[folder][wavelength] if one in LIGHT else found[folder].get("response", {})).get(
                one.key
            )
            for folder in folders
            if folder in found
        ]
        mean = combine_replicas([_estimate(entry) for entry in entries])
        out[one.column], out[f"{one.column}_error"] = mean.value, _error(entries, mean)
    return out


def _error(entries: list[Any], mean: Estimate) -> float | None:
    """Return the error of a mean, not below that of a run: the law's share is in all alike."""
    own = [as_float(entry.get("error")) for entry in entries if isinstance(entry, dict)]
    known = [error for error in own if math.isfinite(error)]
    if mean.error is None or not known:
        return mean.error
    return max(mean.error, math.fsum(known) / len(known))


def _estimate(entry: Any) -> Estimate:
    """Return an entry of the hand-off as an estimate."""
    known = entry if isinstance(entry, dict) else {}
    value, error = as_float(known.get("value")), as_float(known.get("error"))
    if not math.isfinite(value):
        return Estimate(None, None, 0)
    return Estimate(value, error if math.isfinite(error) else None, 1)


def write_optics_summary(optics: SweepOptics, directory: Path) -> Path | None:
    """Write ``optics_summary.csv``: a row a point and wavelength, all numbers with errors.

    Parameters
    ----------
    optics : SweepOptics
        The optics of a sweep.
    directory : Path
        An existing folder.

    Returns
    -------
    Path or None
        The file; None, and none of before, without any wavelength.
    """
    path = Path(directory) / file_names.OPTICS_SUMMARY
    if not optics.wavelengths:
        path.unlink(missing_ok=True)
        return None
    light = [f"{one.column}{end}" for one in (*LIGHT, *RESPONSE) for end in ("", "_error")]
    example = optics.tables[optics.wavelengths[0]]
    axes = [axis.column for axis in example.axes.values()]
    header = ["point", *axes, "replicas_done", "equilibrated_share", "wavelength_m", *light]
    rows = [
        [row["point"], *(row[axis] for axis in axes), row["replicas_done"],
         row["equilibrated_share"], wavelength, *(row[name] for name in light)]
        for wavelength, table in optics.tables.items()
        for row in table.summary
    ]  # fmt: skip
    return write_csv(path, header, rows)
