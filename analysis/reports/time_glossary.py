"""Words of the report on growth in stages, break-up, susceptibility and the way to rest."""

from __future__ import annotations

# Section, key, unit, name and meaning of a number, as in report_text.Item.
TIME_ROWS = (
    (
        "relaxation",
        "growth_early_exponent",
        "",
        "Growth exponent at first",
        "while single particles join; the growth has two stages.",
    ),
    (
        "relaxation",
        "growth_late_exponent",
        "",
        "Growth exponent later",
        "while chains join chains.",
    ),
    (
        "relaxation",
        "growth_crossover_s",
        "s",
        "Time between the two stages",
        "from switching the field on.",
    ),
    (
        "relaxation",
        "break_up_frequency_hz",
        "Hz",
        "Frequency of break-up",
        "a field that turns faster tears chains apart. Flow is left out here, so the true one is "
        "up to 2 to 3 times higher.",
    ),
    (
        "relaxation",
        "break_up_exponent",
        "",
        "Exponent of break-up",
        "power with which chains get shorter the faster the field turns beyond it; 1/2 follows "
        "from the balance of torques.",
    ),
    (
        "magnetisation",
        "susceptibility_static",
        "",
        "Static susceptibility",
        "magnetisation over a weak applied field, from the fluctuations of the film.",
    ),
    (
        "magnetisation",
        "magnetisation_time_s",
        "s",
        "Relaxation time of the magnetisation",
        "in which its fluctuations are forgotten.",
    ),
    (
        "magnetisation",
        "susceptibility_in_phase",
        "",
        "Susceptibility in phase",
        "answer to the oscillating field, in step with it.",
    ),
    (
        "magnetisation",
        "susceptibility_behind",
        "",
        "Susceptibility behind",
        "part of that answer that trails by a quarter of a period and turns into heat.",
    ),
    (
        "way_to_rest",
        "switch_on_rest_length",
        "",
        "Mean length at rest after switch-on",
        "to which the mean length comes in the end, continued from this run by rate equations.",
    ),
    (
        "way_to_rest",
        "switch_on_half_time_s",
        "s",
        "Time to half of rest after switch-on",
        "in which half of the way to the length at rest is made.",
    ),
    (
        "way_to_rest",
        "switch_on_rest_time_s",
        "s",
        "Time to rest after switch-on",
        "in which 90 % of that way is made.",
    ),
    (
        "way_to_rest",
        "switch_off_rest_length",
        "",
        "Mean length at rest after switch-off",
        "to which the mean length comes in the end, continued from this run by rate equations.",
    ),
    (
        "way_to_rest",
        "switch_off_half_time_s",
        "s",
        "Time to half of rest after switch-off",
        "in which half of the way to the length at rest is made.",
    ),
    (
        "way_to_rest",
        "switch_off_rest_time_s",
        "s",
        "Time to rest after switch-off",
        "in which 90 % of that way is made.",
    ),
)
