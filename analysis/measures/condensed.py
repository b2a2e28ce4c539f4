"""Films at rest that have no length of single chains: condensed into bundles, or without ends."""

from __future__ import annotations

from typing import Any

from analysis.chains.shapes import OTHER_SHAPES, SPANNING
from analysis.common.conventions import LENGTHS_WANTED
from analysis.uncertainty.estimate import NOTHING
from analysis.uncertainty.number_text import with_unit

__all__ = ["without_lengths"]

LENGTHS = ("mean_length", "weight_mean_length", "linear_mean_length")
"""Numbers of chains that mean nothing there."""


def without_lengths(numbers: dict[str, Any], warnings: list[str], longest_m: float) -> None:
    """Say in ``equilibration`` that a sampled film has no length of single chains, where so it is.

    Half of the particles in bundles or branched groups, or a tenth in chains that close on
    themselves through the patch: lengths are then those of the patch or of strands, and null. What
    remains, width and distance of the bundles, is said with the reason, before all other warnings;
    of a patch of so many m, also how long it would have to be.
    """
    chains = numbers.get("chains")
    rest = numbers.get("equilibration")
    if not isinstance(chains, dict) or not isinstance(rest, dict):
        return
    rest["condensed"] = _condensed(
        chains, numbers.get("spacing") or {}, _longer(numbers.get("derived") or {}, longest_m)
    )
    if rest["condensed"] is None:
        return
    rest["reason"] = f"{rest['reason']}; {rest['condensed']}"
    for row in (chains, *chains.get("sensitivity", ()), *(numbers.get("stages") or ())):
        for name in LENGTHS:
            if isinstance(row.get(name), dict):
                row[name] = NOTHING.as_dict()
    warnings.insert(
        0,
        "chains.mean_length: null, as are the weight mean length and that of linear chains: "
        f"{rest['condensed']}",
    )


def _longer(derived: dict[str, Any], longest_m: float) -> str:
    """Say how long a patch would hold the single chains that theory expects.

    In a geometric law of lengths the weight mean is 2 <n> - 1.
    """
    mean, diameter = derived.get("predicted_mean_length"), derived.get("median_diameter_m")
    if mean is None or diameter is None:
        return ""
    needed = LENGTHS_WANTED * (2.0 * mean - 1.0) * diameter
    if needed <= longest_m:
        return ""
    return (
        f", by theory of {with_unit(needed, 'm', 2)} ({LENGTHS_WANTED:.0f} weight-mean lengths of "
        "single chains)"
    )


def _condensed(chains: dict[str, Any], spacing: dict[str, Any], longer: str) -> str | None:
    """Return the sentence on what the film consists of instead of single chains."""
    bundles = chains["bundles"]
    bundled, endless = _value(bundles, "share"), _value(chains, "spanning_share")
    branched = _value(chains, "branched_share")
    found = []
    if (bundled or 0.0) >= OTHER_SHAPES:
        words = f"{100.0 * (bundled or 0.0):.0f} % of the particles are in bundles"
        strands, width = _value(bundles, "strands"), _value(bundles, "width_m")
        if strands is not None and width is not None:
            words += f" of {strands:.2g} strands, {with_unit(width, 'm', 2)} wide"
        apart = _value(spacing.get("columns") or {}, "neighbour_distance_m")
        found.append(words if apart is None else f"{words} and {with_unit(apart, 'm', 2)} apart")
    elif (branched or 0.0) >= OTHER_SHAPES:  # strands that are bonded to each other
        words = f"{100.0 * (branched or 0.0):.0f} % of the particles are in branched groups"
        width, apart = _value(spacing, "width_m"), _value(spacing, "nearest_neighbour_m")
        words += "" if width is None else f", {with_unit(width, 'm', 2)} wide"
        found.append(words if apart is None else f"{words} and {with_unit(apart, 'm', 2)} apart")
    if (endless or 0.0) >= SPANNING:
        found.append(
            f"{100.0 * (endless or 0.0):.0f} % are in chains that close on themselves through the "
            f"patch; more sweeps do not change that, a longer patch is needed{longer}"
        )
    return f"the film has no length of single chains: {', and '.join(found)}" if found else None


def _value(section: dict[str, Any], key: str) -> float | None:
    """Return the value of a number of a section, None where it is not known."""
    one = section.get(key)
    return one.get("value") if isinstance(one, dict) else None
