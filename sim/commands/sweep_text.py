"""A sweep in words: what `check` and `sweep` say about it, without printing."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from sim.commands.text import paragraphs, table
from sim.physics.shown import show

if TYPE_CHECKING:
    from sim.sweeps.outlook import PointOutlook, SweepCost
    from sim.sweeps.sweep import Sweep
    from sim.sweeps.table import SweepPlan

MOST_LISTED = 60
"""So many points are listed; of more, a table file is the better reading."""
MOST_NAMED = 8
"""So many points are named in a sentence."""
_NUMBERS = re.compile(r"\d[\d.,e+-]*( (to|and) \d[\d.,e+-]*)?( [a-zA-Zµ]{1,5}\b(?=[ .,:;)]))?")
"""Numbers, spans of them, and what may be their units: in these alone like sentences differ."""


def heading(plan: SweepPlan) -> str:
    """Return the size of a sweep in one line."""
    replicas = f" x {plan.fluids} fluids" if plan.fluids else ""
    replicas += f" x {plan.replicas} replicas" if plan.replicas > 1 else ""
    points, runs = plan.point_count, plan.run_count
    keys = ", ".join(key.path for key in plan.keys) or "nothing but the fluid"
    return f"{points} points{replicas} = {runs} runs; swept: {keys}"


def _settings(settings: dict[str, Any]) -> str:
    return ", ".join(
        v if isinstance(v, str) else f"{k.rpartition('.')[2]} {show(v)}"
        for k, v in settings.items()
    )


def check_content(
    plan: SweepPlan, points: Sequence[PointOutlook], cost: SweepCost | None
) -> dict[str, Any]:
    """Return what `check --json` says about a sweep."""
    return {
        "runs": plan.run_count,
        "points_not_looked_at": plan.point_count - len(points),
        "replicas": plan.replicas,
        "points": [asdict(point) | {"verdict": point.verdict} for point in points],
        "expectations": sentences(points),
        "cautions": doubts(points),
        "cost": None if cost is None else asdict(cost),
    }


def check_text(plan: SweepPlan, points: Sequence[PointOutlook], cost: SweepCost | None) -> str:
    """Return what `check` says about a sweep."""
    parts = [
        f"{plan.title or plan.name}\n{heading(plan)}{_left_out(plan, points)}",
        outlook(points),
        f"What to expect\n{paragraphs(sentences(points))}",
    ]
    if told := doubts(points):
        parts.append(f"Cautions\n{paragraphs(told)}")
    if cost is not None:
        parts.append(f"Cost\n{table(cost.table())}")
    return "\n\n".join(parts)


def _left_out(plan: SweepPlan, points: Sequence[PointOutlook]) -> str:
    """Say how many points a sweep is judged by, "" where by all of them."""
    left = plan.point_count - len(points)
    if not left:
        return ""
    read = f", and only {len(plan.points)} were read" if plan.left_out else ""
    return "\n" + paragraphs(
        [
            f"To answer soon, only {len(points)} of {plan.point_count} points, from all parts of "
            f"the sweep, were looked at{read}; {left} were left out. What follows holds for those "
            "looked at; `chainfilm sweep` reads all points, and tells mistakes, before anything "
            "runs."
        ]
    )


def outlook(points: Sequence[PointOutlook]) -> str:
    """Return one line per point: settings, size, predicted length, verdict."""
    rows = []
    for point in points[:MOST_LISTED]:
        band = f"{point.predicted_mean_length_low:.2g} to {point.predicted_mean_length_high:.2g}"
        band += "" if point.bottle is None else f"; bottle +- {point.bottle:.2g}"
        rows.append(
            (
                f"{point.point:>3}  {_settings(point.settings)}",
                f"{point.particle_count} particles, mean length {point.predicted_mean_length:.2g} "
                f"({band}): {point.verdict}",
            )
        )
    if len(points) > MOST_LISTED:
        rows.append(("...", f"{len(points) - MOST_LISTED} more; --json lists all"))
    return table(rows)


def sentences(points: Sequence[PointOutlook]) -> list[str]:
    """Name the points that will not chain and those that will not equilibrate."""
    alone = [point.point for point in points if not point.will_chain]
    few = [point.point for point in points if point.few_chains]
    early = [point.point for point in points if point.will_chain and point.will_settle is False]
    sampled = [point.point for point in points if point.will_settle is None]
    told = []
    if alone:
        told.append(f"{_named(alone, len(points))} will not chain: the coupling is too low.")
    if few:
        told.append(
            f"{_named(few, len(points))} will have few and short chains: at this coupling and "
            "concentration most particles stay alone."
        )
    if early:
        told.append(
            f"{_named(early, len(points))} will not be in equilibrium at the end: lengths there "
            "hold after the simulated time and are no property of the film; a longer run.duration "
            "helps."
        )
    if sampled:
        told.append(
            f"{_named(sampled, len(points))} will be sampled at rest by moves, without times; each "
            "run says by itself whether a film from single particles and one from long chains have "
            "met."
        )
    if not told:
        told.append("All points should chain and come to equilibrium.")
    return told


def doubts(points: Sequence[PointOutlook]) -> list[str]:
    """Tell the cautions of the points, those that differ by their numbers only as one.

    The sentence is that of the first such point; `check --json` gives those of each.
    """
    alike: dict[str, list[tuple[int, str]]] = {}
    for point in points:
        for caution in point.cautions:
            alike.setdefault(_NUMBERS.sub("#", caution), []).append((point.point, caution))
    told = []
    for found in alike.values():
        first, caution = found[0]
        numbers = [number for number, _ in found]
        share = f"{len(numbers)} of {len(points)} points ({_listed(numbers)})"
        if len(numbers) == len(points):
            share = "All points"
        same = len({text for _, text in found}) == 1
        told.append(f"{share}: {caution}" if same else f"{share}, such as point {first}: {caution}")
    return told


def _listed(numbers: list[int]) -> str:
    named = ", ".join(str(number) for number in numbers[:MOST_NAMED])
    more = f" and {len(numbers) - MOST_NAMED} more" if len(numbers) > MOST_NAMED else ""
    return f"{named}{more}"


def _named(numbers: list[int], count: int) -> str:
    if len(numbers) == count:
        return "All points"
    return f"Point{'' if len(numbers) == 1 else 's'} {_listed(numbers)}"


def results(
    summary: Sequence[dict[str, Any]],
    settings: Callable[[dict[str, Any]], str],
    with_error: Callable[[float, float], str],
) -> str:
    """Return one line per point: settings, mean length, runs done.

    Parameters
    ----------
    summary : sequence of dict
        Rows of summary.csv.
    settings : callable
        Words for the settings of a row.
    with_error : callable
        Words for a value and its error.
    """
    nan = float("nan")
    rows = []
    for row in summary[:MOST_LISTED]:
        value, error = row.get("chains_mean_length"), row.get("chains_mean_length_error")
        share = row.get("equilibrated_share")
        rest = "no run is done" if share is None else f"{row['replicas_done']} run(s) done"
        if share is not None:
            length = with_error(nan if value is None else value, nan if error is None else error)
            if (bottle := row.get("chains_mean_length_bottle")) is not None:
                length += f" (runs) ± {bottle:.2g} (bottle)"
            state = "in equilibrium" if share == 1 else "not in equilibrium"
            rest = f"mean length {length}, {state}, {rest}"
        rows.append((f"{row['point']:>3}  {settings(row)}", rest))
    if len(summary) > MOST_LISTED:
        rows.append(("...", f"{len(summary) - MOST_LISTED} more in summary.csv"))
    return table(rows)


def failures(rows: Iterable[dict[str, Any]]) -> str:
    """Return the failed runs with their reasons; "" where there are none."""
    failed = [row for row in rows if row["status"] == "failed"]
    told = [f"{row['folder']}: {row['reason']}" for row in failed[:MOST_LISTED]]
    if len(failed) > MOST_LISTED:
        told.append(f"and {len(failed) - MOST_LISTED} more in sweep.csv")
    return paragraphs(told)


def ending(sweep: Sweep, again: str) -> str:
    """Return one sentence on a sweep that is not whole."""
    if sweep.interrupted or sweep.count("interrupted"):
        left = sweep.runs - sweep.count("finished") - sweep.count("failed")
        return (
            f"interrupted with {left} of {sweep.runs} runs to simulate, measure or draw; "
            f"checkpoints saved in {sweep.directory}; go on with: {again}"
        )
    failed = sweep.count("failed")
    return (
        f"{failed} of {sweep.runs} runs failed, the others are measured; try them again with: "
        f"{again}"
    )
