"""Numbers on the answer to the field: magnetisation, relaxation, growth time, way to rest."""

from __future__ import annotations

import math

from analysis.quantities.quantity import Comparison, Quantity

MAGNETISATION = (
    Quantity(
        "magnetisation.relative", "%", "Magnetisation",
        "share of its largest possible value that the film reaches, along the field.",
        ends=(-1.0, 1.0),
        comparison=Comparison(
            "langevin_relative", "%", "Without interactions it would be {number}."
        ),
        screen=7, sweep=9, point=True,
    ),
    Quantity(
        "magnetisation.susceptibility_static", "", "Static susceptibility",
        "magnetisation over a weak applied field, from the fluctuations of the film along the "
        "field; in zero field along x and y.",
    ),
    Quantity(
        "magnetisation.magnetisation_time_s", "s", "Relaxation time of the magnetisation",
        "in which its fluctuations are forgotten.",
    ),
    Quantity(
        "magnetisation.susceptibility_in_phase", "", "Susceptibility in phase",
        "answer to the oscillating field, in step with it.",
    ),
    Quantity(
        "magnetisation.susceptibility_behind", "", "Susceptibility behind",
        "part of that answer that trails by a quarter of a period and turns into heat.",
    ),
    Quantity(
        "magnetisation.susceptibility_in_phase_fluctuations", "",
        "Susceptibility in phase from fluctuations",
        "the same at that frequency, from the fluctuations of the film; both must agree.",
        page="further",
    ),
    Quantity(
        "magnetisation.susceptibility_behind_fluctuations", "",
        "Susceptibility behind from fluctuations",
        "the same for the part that trails.",
        page="further",
    ),
)  # fmt: skip

GROWN_LENGTH = 2.0
"""The growth time ends when the mean length, single particles included, first reaches this."""

GROWTH_TIME = Quantity(
    "growth_time_s", "s", "Growth time",
    "from switching the field on until the mean length, single particles included, first reaches "
    f"{GROWN_LENGTH:g}.",
    page="", sweep=11, point=True,
)  # fmt: skip
"""Not in measures.json: a sweep takes it from the table over time of each run."""


def _decay(what: str, name: str, meaning: str) -> tuple[Quantity, ...]:
    """Return what is known of a fall after switch-off: 1/e time, stretched exponential."""
    return (
        Quantity(
            f"relaxation.{what}_decay_time_s", "s", f"Decay time of the {name}", meaning,
            handoff=12 if what == "length" else 0,
        ),
        Quantity(
            f"relaxation.{what}_stretched_time_s", "s", f"Stretched time of the {name}",
            "time of the stretched exponential fitted to that fall.",
            page="further",
        ),
        Quantity(
            f"relaxation.{what}_stretch", "", f"Stretching of the {name}",
            "exponent of that stretched exponential; 1 is a plain one.",
            page="further",
        ),
    )  # fmt: skip


def _memory(what: str, name: str) -> Quantity:
    """Return how long a number of the averaged frames remembers."""
    return Quantity(
        f"relaxation.{what}_autocorrelation_time_s", "s", f"Memory of the {name}",
        "integrated autocorrelation time over the averaged frames.",
        page="further",
    )  # fmt: skip


RELAXATION = (
    Quantity(
        "relaxation.growth_exponent", "", "Growth exponent",
        "power of time with which the mean length grows after the field is switched on.",
        sweep=10,
    ),
    Quantity(
        "relaxation.growth_exponent_weight", "", "Growth exponent of the weight mean",
        "the same for the weight mean chain length.",
    ),
    Quantity(
        "relaxation.growth_early_exponent", "", "Growth exponent at first",
        "while single particles join; the growth has two stages.",
    ),
    Quantity(
        "relaxation.growth_late_exponent", "", "Growth exponent later",
        "while chains join chains.",
    ),
    Quantity(
        "relaxation.growth_crossover_s", "s", "Time between the two stages",
        "from switching the field on.",
    ),
    *_decay(
        "length", "chain length",
        "in which chains shorten to about a third (1/e) of their excess after the field is "
        "switched off.",
    ),
    *_decay(
        "alignment", "alignment",
        "in which the alignment of the chains falls to about a third (1/e) of its excess.",
    ),
    *_decay(
        "magnetisation", "magnetisation",
        "in which the magnetisation falls to about a third (1/e) after the field is switched off.",
    ),
    Quantity(
        "relaxation.magnetisation_lag_deg", "°", "Lag of the magnetisation",
        "angle by which it trails the field.",
    ),
    Quantity("relaxation.chain_lag_deg", "°", "Lag of the chains", "the same for their axes."),
    Quantity(
        "relaxation.magnetisation_in_phase", "", "Magnetisation in phase",
        "part of the magnetisation in step with the moving field, as a share of saturation.",
        page="further",
    ),
    Quantity(
        "relaxation.magnetisation_behind", "", "Magnetisation behind",
        "part that trails the field by a quarter of a period.",
        page="further",
    ),
    Quantity(
        "relaxation.break_up_frequency_hz", "Hz", "Frequency of break-up",
        "a field that turns faster tears chains apart.",
        handoff=16,
    ),
    Quantity(
        "relaxation.break_up_exponent", "", "Exponent of break-up",
        "power with which chains get shorter the faster the field turns beyond it; 1/2 follows "
        "from the balance of torques.",
    ),
    _memory("length", "chain length"),
    _memory("alignment", "alignment"),
    _memory("magnetisation", "magnetisation"),
)  # fmt: skip


def _way(what: str, words: str) -> tuple[Quantity, ...]:
    """Return what is known of the way to rest after the field is switched on, or off."""
    return (
        Quantity(
            f"way_to_rest.{what}_rest_length", "", f"Mean length at rest after {words}",
            "to which the mean length comes in the end, continued from this run by rate equations "
            "of chains that join and break.",
            ends=(1.0, math.inf),
        ),
        Quantity(
            f"way_to_rest.{what}_half_time_s", "s", f"Time to half of rest after {words}",
            "in which half of the way to the length at rest is made.",
            handoff=14 if what == "switch_on" else 0,
        ),
        Quantity(
            f"way_to_rest.{what}_rest_time_s", "s", f"Time to rest after {words}",
            "in which 90 % of that way is made; which particle sits in which chain settles later.",
        ),
        Quantity(
            f"way_to_rest.{what}_joining_rate_per_s", "1/s", f"Rate of joining after {words}",
            "at which single particles meet, per particle, as fitted to the run.",
            page="further",
        ),
        Quantity(
            f"way_to_rest.{what}_joining_fall", "", f"Fall of the rate after {words}",
            "exponent with which the rate of joining falls with the length of a chain.",
            ends=(0.0, 1.0),
            page="further",
        ),
    )  # fmt: skip


WAY_TO_REST = (*_way("switch_on", "switch-on"), *_way("switch_off", "switch-off"))


def _factor(what: str, name: str, meaning: str) -> Quantity:
    """Return a factor by which the flow that particles stir up changes a time."""
    return Quantity(
        f"with_flow.{what}_factor", "", f"Factor of {name} by flow",
        f"time in which {meaning}, each particle moving as if it were alone, over the time where "
        "all stir the liquid; below 1 the flow slows it. 1 for a run that had the flow.",
        page="further",
    )  # fmt: skip


def _with_flow(path: str, name: str, handoff: int = 0) -> Quantity:
    """Return a time or rate as it is where particles stir the liquid."""
    section, _, key = path.partition(".")
    stem, _, unit = key.rpartition("_")
    return Quantity(
        f"with_flow.{stem}_with_flow_{unit}", {"s": "s", "hz": "Hz"}[unit], f"{name} with flow",
        f"the {name[:1].lower()}{name[1:]}, as it is where particles stir the liquid.",
        exact=f"{section}.{key} with the flow that particles stir up: as simulated, or corrected "
        "by a measured factor where the run left it out",
        handoff=handoff,
    )  # fmt: skip


WITH_FLOW = (
    _factor("growth", "growth", "single particles grow to this mean length"),
    _factor("decay", "decay", "chains fall apart after the field is off"),
    _factor("turning", "turning", "chains of this length follow a field that has turned"),
    _with_flow("relaxation.length_decay_time_s", "Decay time of the chain length", 13),
    _with_flow("relaxation.alignment_decay_time_s", "Decay time of the alignment"),
    _with_flow("way_to_rest.switch_on_half_time_s", "Time to half of rest after switch-on", 15),
    _with_flow("way_to_rest.switch_on_rest_time_s", "Time to rest after switch-on"),
    _with_flow("way_to_rest.switch_off_half_time_s", "Time to half of rest after switch-off"),
    _with_flow("relaxation.break_up_frequency_hz", "Frequency of break-up", 17),
)
