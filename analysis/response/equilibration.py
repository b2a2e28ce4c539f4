"""Tells whether the film has come to rest: a stated rule, what was tested, and the words for it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from analysis.chains.measured_run import Section
from analysis.common.arrays import Floats
from analysis.common.averages.student import student_factor
from analysis.common.conventions import SETTLING_LIVES
from analysis.trajectory.run import Run
from analysis.trajectory.stages import Stage
from analysis.uncertainty.estimate import estimate
from analysis.uncertainty.number_text import as_float, with_unit

DRIFT_ERRORS = 3.0
"""Halves of the averaged span may differ by this many of their errors."""

FEWEST_FRAMES = 8

AT_REST = 0.01
"""Halves that differ by less than this share of their mean are at rest all the same."""


TESTED = ("mean_length", "weight_mean_length", "alignment", "magnetisation", "energy_dipolar")
"""Series that are tested for drift, where they are known."""


class EquilibrationSection(Section):
    """Whether the film has come to rest, from the series over all frames."""

    name = "equilibration"
    averages = False

    def numbers(self, warnings: list[str]) -> dict[str, Any]:
        """Return the section ``equilibration``."""
        seen = self.seen
        if seen.run.is_sampled:
            rest = sampled_rest(seen.run, seen.stage, seen.endless)
        else:
            series = seen.time_series
            tested = {name: series[name] for name in TESTED if np.isfinite(series[name]).any()}
            rest = equilibration(seen.run, seen.stage, tested)
        if not rest["reached"]:
            warnings.append(
                f"equilibration: not reached ({rest['reason']}); lengths and spacings are values "
                f"{rest['statement']}, not properties of the film"
            )
        return rest


def drift_test(name: str, values: Floats) -> dict[str, Any] | None:
    """Compare the two halves of a series.

    Parameters
    ----------
    name : str
        What the series is.
    values : (n,) array
        One value a frame.

    Returns
    -------
    dict or None
        ``name, first, second, difference, error, passed``; None under ``FEWEST_FRAMES`` values and
        where the error of a half is not known.
        Errors are those about a straight line in each half: about the mean, a steady drift would
        count as noise and hide itself.
    """
    good = values[np.isfinite(values)]
    if len(good) < FEWEST_FRAMES:
        return None
    halves = np.array_split(good, 2)
    means = [float(h.mean()) for h in halves]
    errors = [
        estimate(h - np.polyval(np.polyfit(np.arange(len(h)), h, 1), np.arange(len(h)))).error
        for h in halves
    ]
    known = [e for e in errors if e is not None and math.isfinite(e)]
    if len(known) < len(errors):  # without an error of both halves nothing is tested
        return None
    error = math.hypot(*known)
    difference = means[1] - means[0]
    small = AT_REST * max(abs(means[0]), abs(means[1]))
    return {
        "name": name,
        "first": means[0],
        "second": means[1],
        "difference": difference,
        "error": error,
        "passed": bool(abs(difference) <= max(DRIFT_ERRORS * error, small)),
    }


def equilibration(run: Run, stage: Stage, series: dict[str, Floats]) -> dict[str, Any]:
    """Return the entry ``equilibration`` of measures.json.

    Parameters
    ----------
    run, stage : Run, Stage
        The trajectory and the averaged frames.
    series : dict of (frames,) arrays
        What is tested for drift, over all frames.

    Returns
    -------
    dict
        ``reached`` is true only if the stage lasts `SETTLING_LIVES` bond lives of the largest tenth
        and every drift test passes; ``reason`` says what failed, ``statement`` is the phrase to
        print beside every length.
    """
    duration = stage.end_s - stage.start_s
    life = run.derived.get("bond_life_largest_tenth_s")
    lives = duration / float(life) if life else None
    tests = [drift_test(name, values[stage.frames]) for name, values in series.items()]
    done = [test for test in tests if test is not None]
    reasons = []
    if not stage.steady:
        reasons.append("the field still changed at the last frame")
    if lives is None:
        reasons.append("the life of a bond is not recorded in the file")
    elif lives < SETTLING_LIVES:
        reasons.append(
            f"the last steady stage lasts {lives:.2g} bond lives of the largest tenth of the "
            f"particles; {SETTLING_LIVES:.0f} are needed"
        )
    if not done:
        reasons.append(
            f"{len(stage.frames)} averaged frames are too few to test for drift "
            f"({FEWEST_FRAMES} are needed)"
        )
    drifting = [test["name"] for test in done if not test["passed"]]
    if drifting:
        reasons.append("still drifting: " + ", ".join(drifting).replace("_", " "))
    reached = not reasons
    after = f"after t = {with_unit(float(run.times[-1]), 's', 4)}"
    film = run.derived.get("film_formation_time_s")
    return {
        "reached": reached,
        "reason": "; ".join(reasons) if reasons else "long enough, and no drift was found",
        "statement": "property of the film at equilibrium" if reached else after,
        "bond_lives": lives,
        "tests": done,
        "stage_start_s": stage.start_s,
        "from_time_s": stage.from_s,
        "to_time_s": stage.end_s,
        "frames": len(stage.frames),
        "simulated_s": float(run.times[-1]),
        "film_formation_time_s": film,
        "simulated_share_of_film_time": float(run.times[-1]) / float(film) if film else None,
    }


LEAST_MORE = 2.0
"""Times the sweeps, at least, that are needed by two films that hold enough structures and have not
met: their averages are those of the last half."""


def missing(run: Run, structures: float, wanted: float, endless: bool = False) -> str:
    """Say how many sweeps a sampled film would need, and how long they would take.

    Of a film of endless chains nothing: what it needs is a longer patch.
    """
    if endless:
        return f", of {wanted:.0f} wanted"
    nearing = run.rest.get("more", 1.0)
    if nearing is None and structures >= FEWEST_FRAMES:
        return (
            f", of {wanted:.0f} wanted: the films do not near each other, so that the sweeps which "
            "they need cannot be told; a longer patch, a weaker coupling or a stronger field come "
            "to rest sooner"
        )
    more = max(LEAST_MORE, nearing or 1.0, wanted / max(structures, 1e-3))
    spent = as_float(run.timing.get("stepping_s"))
    lasting = f", which take {with_unit(more * spent, 's', 2)}" if spent > 0.0 else ""
    return (
        f", of {wanted:.0f} wanted: about {more:.2g} times the sweeps are needed, "
        f"{more * int(run.steps[-1]):.2g} in all{lasting}; "
        "set larger limits in [run] and go on with --resume"
    )


def sampled_rest(run: Run, stage: Stage, endless: bool) -> dict[str, Any]:
    """Return the entry ``equilibration`` of a sampled run.

    As `equilibration`, without times and drift tests; besides, the independent structures and the
    sweeps that they are in, and the averages of the two films, one from single particles and one
    from long chains, that have to meet. Where chains are endless, nobody is told to go on.
    """
    found = run.rest
    reached = bool(found.get("reached", False))
    structures = found.get("structures")
    reason = str(found.get("reason") or "the run records nothing on it")
    if structures is not None:
        reason += f"; {structures:.3g} independent structures in {found.get('sweeps')} sweeps"
    if not reached and structures and found.get("wanted"):
        reason += missing(run, float(structures), float(found["wanted"]), endless)
    after = f"after {int(run.steps[-1])} sweeps"
    return {
        "reached": reached,
        "reason": reason,
        "statement": "property of the film at equilibrium" if reached else after,
        "bond_lives": None,
        "tests": [],
        "stage_start_s": None,
        "from_time_s": None,
        "to_time_s": None,
        "frames": len(stage.frames),
        "simulated_s": None,
        "film_formation_time_s": None,
        "simulated_share_of_film_time": None,
        "sweeps": int(run.steps[-1]),
        "independent_structures": structures,
        "sides": {name: _with_intervals(side) for name, side in found.get("sides", {}).items()},
        "accepted": found.get("accepted", {}),
    }


def _with_intervals(side: dict[str, Any]) -> dict[str, Any]:
    """Add the intervals that cover the averages of both films in 95 of 100 cases.

    By Student's law for as many independent structures as they hold; None for fewer than two.
    """
    freedom = float(side.get("structures") or 0.0) - 1.0
    found = dict(side)
    for film in ("from_singles", "from_chains"):
        value, error = side.get(film), side.get(f"{film}_error")
        found[f"{film}_interval_95"] = None
        if value is not None and error is not None and freedom >= 1.0:
            wide = student_factor(0.95, freedom) * float(error)
            found[f"{film}_interval_95"] = [value - wide, value + wide]
    return found
