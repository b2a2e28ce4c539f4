"""The commented parameter file that `chainfilm new` writes: an example film, all other keys too."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterator, Mapping
from typing import Any

from sim.parameters.keys import Key, Tables, keys_of
from sim.parameters.tables import MAGNETS, TABLES, TITLE
from sim.parameters.values import Choice

_HEAD = """\
# Parameter file of chainfilm. Lines that start with # are comments.
# A quantity is a text with its unit, such as "12 nm", "25 mT", "1.5 mPa s" or "25 degC".
# Keys that are commented out show alternatives or defaults.
#   chainfilm check FILE   says what to expect, without a simulation
#   chainfilm run FILE     simulates, measures and draws
"""

_SWEEP = """\
# Values to vary with `chainfilm sweep`; a single run ignores this table.
# [sweep]
# "field.strength" = ["5 mT", "10 mT", "20 mT", "40 mT"]
# replicas = 4
"""

_FILM: dict[str, dict[str, Any]] = {
    "": {"title": "curtain film, first chains"},
    "particles": {
        "material": "magnetite",
        "moment": "blocked",
        "core_diameter": "20 nm",
        "size_spread": 0.1,
        "shell_thickness": "2 nm",
        "volume_fraction": 0.03,
    },
    "carrier": {"viscosity": "1.5 mPa s", "temperature": "25 degC"},
    "film": {"thickness": "0.4 um", "width": ["2.0 um", "0.6 um"]},
    "repulsion": {"kind": "surfactant", "grafting_density": "0.3 nm^-2"},
    "field": {"strength": "30 mT", "direction": [1, 0, 0]},
    "dipoles": {"sum": "mesh", "tolerance": 1e-3},
    "run": {"duration": "0.2 ms", "time_step": "auto", "precision": "float32", "seed": 7},
    "output": {"frames": 200},
    "start": {"kind": "random"},
    "bonds": {"distance": 1.3, "alignment": 0.5},
    "windows": {"hindered_mobility": False},
    "motion": {"flow": "none"},
}
"""The example film, by table."""


def _template() -> str:
    blocks = [_HEAD, "\n".join(_lines({"title": TITLE}, _FILM[""]))]
    for name, table in TABLES.items():
        if name == "cell":  # which needs magnets
            blocks.append("\n".join(_lines({"magnets": MAGNETS}, {})))
        head = _commented(f"[{name}]", (table.__doc__ or "").partition("\n")[0])
        blocks.append("\n".join([*head, *_lines(keys_of(table), _FILM.get(name, {}))]))
    return "\n\n".join(block.rstrip() for block in [*blocks, _SWEEP]) + "\n"


def _lines(keys: Mapping[str, Key], given: Mapping[str, Any]) -> Iterator[str]:
    """Write keys with what they mean, those that are not given as comments."""
    for name, key in keys.items():
        if isinstance(key.must, Tables):
            yield from _commented(f"# {key.must.heading}", key.about)
            yield from _lines(keys_of(key.must.table), {})
            continue
        shown = key.example if key.is_required or key.default is None else key.default
        line = f"{name} = {json.dumps(given.get(name, shown), ensure_ascii=False)}"
        about = key.text
        if isinstance(key.must, Choice) and any(word not in about for word in key.must.options):
            about = f"{about} One of: {', '.join(key.must.options)}."
        yield from _commented(line if name in given else f"# {line}", about)


def _commented(line: str, about: str) -> list[str]:
    return textwrap.wrap(
        about,
        width=100,
        initial_indent=f"{line:<31} # ",
        subsequent_indent=f"{'':<31} # ",
        break_on_hyphens=False,
    )


TEMPLATE = _template()
"""Text of a parameter file that names every key and loads as it stands."""
