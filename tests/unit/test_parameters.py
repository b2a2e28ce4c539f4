"""The parameter file: what is read, and the sentence for every mistake."""

import json
import math
import os
import pickle
import re
from dataclasses import dataclass
from pathlib import Path

import pytest

from analysis.common.constants import MU0
from sim.commands import template
from sim.commands.template import TEMPLATE
from sim.parameters import ParameterError, from_text, json_schema, load
from sim.parameters import keys as declared
from sim.parameters.keys import Tables, keys_of
from sim.parameters.named_files import with_whole_paths
from sim.parameters.tables import TABLES, all_tables
from sim.parameters.types import CarrierParameters, RepulsionParameters
from sim.parameters.values import FileName, Quantity
from sim.sweeps.keys import find_key
from tests.reference import key_table
from tests.reference.small_film import SMALLEST_FILM as SMALLEST

DEMO = Path(__file__).parents[2] / "runs_demo" / "growing_chains" / "film.toml"


def changed(old="", new="", more=""):
    """Give the smallest file with one line replaced and lines added."""
    assert old in SMALLEST
    return SMALLEST.replace(old, new, 1) + more


def problems_of(text):
    """Give the sentences of a faulty file, each checked for its form."""
    with pytest.raises(ParameterError) as caught:
        from_text(text, "film.toml")
    problems = caught.value.problems
    assert str(caught.value).startswith(f"film.toml: {len(problems)} mistake")
    for problem in problems:
        assert problem.endswith(".")
        assert "\n" not in problem
        assert len(problem) < 330
        assert not re.search(r"Table\b|Parameters\b", problem)  # names of the code
    return problems


def problem_of(text):
    problems = problems_of(text)
    assert len(problems) == 1, problems
    return problems[0]


# --- what is read ---------------------------------------------------------------------------


def test_smallest_file_takes_the_defaults():
    p = from_text(SMALLEST, "some/where/film.toml")
    assert p.name == "film.toml"
    assert p.text == SMALLEST
    assert p.title == ""
    assert (p.particles.material, p.particles.moment) == ("magnetite", "blocked")
    assert p.particles.magnetisation == 446e3
    assert p.particles.anisotropy == 11e3
    assert p.particles.attempt_time == 1e-9
    assert p.particles.density == 5180.0
    assert (p.particles.size_spread, p.particles.dead_layer) == (0.0, 0.0)
    assert p.particles.shell_thickness == 2e-9
    assert p.carrier.viscosity == 1.5e-3
    assert p.carrier.temperature == 298.15
    assert p.film.width == (1e-6, 1e-6)
    assert p.film.count is None
    assert (p.repulsion.kind, p.repulsion.grafting_density) == ("surfactant", 3e17)
    assert p.repulsion.strength == 1.0
    assert (p.dipoles.sum, p.dipoles.cutoff_diameters) == ("mesh", 6.0)
    assert (p.run.time_step, p.run.precision) == (None, "float32")
    assert p.start.kind == "random"
    assert (p.bonds.distance, p.bonds.alignment) == (1.3, 0.5)
    assert p.sweep == {}
    assert p.field.largest == 0.0
    assert p.field.direction == (1.0, 0.0, 0.0)
    assert p.notices == ("[field] gives no strength: the run has no applied field.",)


def test_demo_is_the_example_film():
    p = load(DEMO)
    assert p.title == "curtain film, growing chains"
    assert p.particles.core_diameter == 20e-9
    assert p.particles.size_spread == 0.1
    assert p.particles.diameter == pytest.approx(24e-9)
    assert p.particles.volume_fraction == 0.03
    assert p.film.thickness == 4e-7
    assert p.film.width == (2e-6, 6e-7)
    assert p.field.steps[0].vector == (0.03, 0.0, 0.0)
    assert p.field.steps[0].duration == math.inf
    assert (p.run.duration, p.run.seed, p.output.frames) == (2e-4, 7, 200)
    assert p.notices == ()
    patch = p.film.width[0] * p.film.width[1] * p.film.thickness
    assert 1850 < p.particles.whole_volume_fraction * patch / p.particles.mean_volume < 1950


def test_template_loads_and_names_every_key():
    assert from_text(TEMPLATE).notices == ()
    schema = json_schema()
    for table in schema["$defs"].values():
        for key in table["properties"]:
            if key != "steps":
                assert re.search(rf"^(# )?{key} = ", TEMPLATE, re.MULTILINE), key
    for table in schema["properties"]:
        assert f"[{table}]" in TEMPLATE or table == "title"


def test_commented_lines_of_the_template_are_good_too():
    # Each alternative, put in the place of what it is an alternative to, must load.
    instead = {
        "core_volume_fraction": "volume_fraction",
        "fluid_saturation": "volume_fraction",
        "count": "width",
        "tilt": "direction",
        "azimuth": "direction",
    }
    tried = 0
    # test_magnet_keys.py tries magnets, which do not go beside the [field] of the template
    start, end = TEMPLATE.index("# [[magnets]]"), TEMPLATE.index("\n[cell]")
    for line in (TEMPLATE[:start] + TEMPLATE[end:]).splitlines():
        match = re.match(r"# (\w+) = ", line)
        # keys of a commented field step, and those that stand in several tables
        steps = {"kind", "duration", "strength", "direction", "frequency", "phase", "axis"}
        if match is None or match[1] in steps | {"replicas"}:
            continue
        text = TEMPLATE.replace(line, line[2:])
        if match[1] in instead:
            text = re.sub(rf"^{instead[match[1]]} = ", "# ", text, flags=re.MULTILINE)
        from_text(text)
        tried += 1
    assert tried == 47


def test_values_given_beside_the_material_override_it():
    p = from_text(changed("volume_fraction", 'magnetisation = "400 kA/m"\nvolume_fraction'))
    assert p.particles.magnetisation == 400e3
    assert p.particles.anisotropy == 11e3


def test_custom_material():
    p = from_text(
        changed(
            "volume_fraction",
            'material = "custom"\nmagnetisation = "380 kA/m"\nanisotropy = "5 kJ/m^3"\n'
            'density = "4.9 g/cm^3"\nvolume_fraction',
        )
    )
    assert (p.particles.magnetisation, p.particles.anisotropy) == (380e3, 5e3)
    assert p.particles.density == 4900.0


def test_volume_median_is_converted():
    p = from_text(
        changed("volume_fraction", 'size_basis = "volume"\nsize_spread = 0.3\nvolume_fraction')
    )
    assert p.particles.core_diameter == pytest.approx(20e-9 * math.exp(-3 * 0.09))


def test_amount_by_cores_and_by_saturation():
    # one size, 20 nm cores in 24 nm particles: the whole is (24/20)^3 of the cores
    p = from_text(changed("volume_fraction = 0.03", "core_volume_fraction = 0.02"))
    assert p.particles.volume_fraction is None
    assert p.particles.whole_volume_fraction == pytest.approx(0.02 * 1.2**3)
    p = from_text(changed("volume_fraction = 0.03", 'fluid_saturation = "8 mT"'))
    expected = 8e-3 / (MU0 * 446e3) * 1.2**3
    assert p.particles.whole_volume_fraction == pytest.approx(expected)


def test_energy_in_joules_uses_the_temperature_of_the_file():
    text = changed(
        more='[repulsion]\nkind = "soft_core"\nstrength = "4.1419e-21 J"\n'
        '[carrier]\ntemperature = "300 K"\n'
    )
    # kB x 300 K = 4.14195e-21 J
    assert from_text(text).repulsion.strength == pytest.approx(1.0, rel=2e-5)


@pytest.mark.parametrize(
    ("lines", "direction"),
    [
        ("direction = [0, 3, 4]", (0.0, 0.6, 0.8)),
        ("direction = [1e300, 0, 0]", (1.0, 0.0, 0.0)),
        ('tilt = "90 deg"', (0.0, 0.0, 1.0)),
        ('azimuth = "90 deg"', (0.0, 1.0, 0.0)),
        ('tilt = "30 deg"\nazimuth = "180 deg"', (-math.sqrt(0.75), 0.0, 0.5)),
    ],
)
@pytest.mark.parametrize("strength", ["0 mT", "20 mT"])
def test_steady_field_keeps_its_direction(lines, direction, strength):
    p = from_text(changed(more=f'[field]\nstrength = "{strength}"\n{lines}\n'))
    assert p.field.direction == pytest.approx(direction, abs=1e-15)
    size = 0.02 if strength == "20 mT" else 0.0
    assert p.field.largest == pytest.approx(size)
    assert p.field.steps[0].vector == pytest.approx([size * part for part in direction])


def test_field_programme():
    p = from_text(
        changed(
            more="""
[field]
direction = [0, 1, 0]
[[field.steps]]
kind = "ramp"
duration = "50 us"
strength = "10 mT"
[[field.steps]]
duration = "20 us"
strength = "30 mT"
tilt = "90 deg"
[[field.steps]]
kind = "hold"
duration = "30 us"
strength = "0 mT"
"""
        )
    )
    assert [step.kind for step in p.field.steps] == ["ramp", "hold", "hold"]
    assert [step.duration for step in p.field.steps] == pytest.approx([5e-5, 2e-5, 3e-5])
    assert p.field.steps[0].vector == (0.0, 0.01, 0.0)
    assert p.field.steps[1].vector == pytest.approx((0.0, 0.0, 0.03))
    assert p.field.largest == pytest.approx(0.03)
    assert p.field.direction == (0.0, 0.0, 1.0)
    assert p.notices == ()


def test_parameters_travel_to_other_processes():
    p = load(DEMO)
    assert pickle.loads(pickle.dumps(p)) == p
    with pytest.raises(AttributeError):
        p.title = "other"
    error = pickle.loads(pickle.dumps(ParameterError("a.toml", ["one.", "two."])))
    assert str(error) == "a.toml: 2 mistakes\n  one.\n  two."


# --- notices ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("more", "notice"),
    [
        ("[sweep]\nreplicas = 4", "[sweep] is ignored by a single run; `chainfilm sweep` uses it."),
        ('[repulsion]\nstrength = "2 kT"', "[repulsion] strength acts only at the windows"),
        (
            '[repulsion]\nkind = "soft_core"\ngrafting_density = "1 nm^-2"',
            '[repulsion] grafting_density is not used with kind = "soft_core".',
        ),
        (
            '[dipoles]\nsum = "cutoff"\ntolerance = 1e-3',
            '[dipoles] tolerance is not used with sum = "cutoff".',
        ),
        (
            '[dipoles]\nsum = "exact"\ncutoff_diameters = 5',
            '[dipoles] cutoff_diameters is not used with sum = "exact".',
        ),
    ],
)
def test_unused_keys_are_noticed(more, notice):
    p = from_text(changed(more='[field]\nstrength = "1 mT"\n' + more))
    assert len(p.notices) == 1
    assert p.notices[0].startswith(notice)


def test_sweep_is_kept_as_written():
    more = '[sweep]\n"field.strength" = ["5 mT", "10 mT"]\nreplicas = 4\n'
    assert from_text(changed(more=more)).sweep == {
        "field.strength": ["5 mT", "10 mT"],
        "replicas": 4,
    }


def test_programme_longer_than_the_run_is_noticed():
    step = '[[field.steps]]\nduration = "1 ms"\nstrength = "1 mT"\n'
    assert "steps last 1 ms and the run only 200 us" in from_text(changed(more=step)).notices[0]


# --- single keys -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            '"0.4 um"',
            '"-1 um"',
            '[film] thickness must be a length from 5 nm to 1 mm such as "0.4 um"; '
            'received "-1 um".',
        ),
        ('"0.4 um"', '"0 um"', 'such as "0.4 um"; received "0 um".'),
        ('"0.4 um"', "0.4", "received 0.4, a number without a unit (accepted: m, cm, mm, um,"),
        ('"0.4 um"', '"0.4"', 'received "0.4", a number without a unit'),
        ('"0.4 um"', '"0.4 mT"', "mT is a unit of magnetic field, not of length"),
        ('"0.4 um"', '"nan um"', "which is not a plain number followed by a unit."),
        ('"0.4 um"', '"1e999 um"', "which is too large for a number."),
        ('"0.4 um"', '"1e-999 um"', 'received "1e-999 um".'),
        ('"0.4 um"', '"9**9**9**9 um"', "is no unit of length"),
        ('"0.4 um"', "nan", "[film] thickness must be a length"),
        ('"0.4 um"', "true", "received true, which is not a text in quotes."),
        ('"0.4 um"', "{}", "received an empty table, which is not a text in quotes."),
        ('"0.4 um"', "2024-01-01", "received 2024-01-01"),
        ('"20 nm"', '"1 nm"', "[particles] core_diameter must be a length from 2 nm to 1 um"),
        ("0.03", "0.64", "above 0 and below 0.64 (random packing) such as 0.03; received 0.64."),
        ("0.03", "0", "volume_fraction must be a number above 0"),
        ("0.03", "-0.1", "received -0.1."),
        ("0.03", "nan", "received nan, which is not a finite number."),
        ("0.03", "inf", "received inf, which is not a finite number."),
        ("0.03", "true", "received true."),
        ("0.03", '"0.03"', 'received "0.03", a text (a number stands without quotes).'),
        ("0.03", "1" + "0" * 400, "a whole number of about 400 digits, which is too large."),
        ('"1 um"', '["1 um", "1 um", "1 um"]', "which is not a list of one or two."),
        ('"1 um"', "[]", "[film] width must be a length from 5 nm to 1 mm"),
        ('"1 um"', '["1 um", 2]', 'received ["1 um", 2], a number without a unit'),
        ('"0.2 ms"', '"0 s"', "[run] duration must be a time from 1 ps to 1e+06 s"),
    ],
)
def test_wrong_values_of_required_keys(old, new, sentence):
    assert sentence in problem_of(changed(old, new))


@pytest.mark.parametrize(
    ("table", "line", "sentence"),
    [
        ("run", "seed = -1", "seed must be a whole number from 0 to 9223372036854775807 such as 7"),
        ("run", "seed = true", "received true."),
        ("run", "seed = 3.0", "received 3.0."),
        ("run", 'seed = "5"', 'received "5", a text'),
        ("run", "seed = 9223372036854775808", "received 9223372036854775808."),
        ("run", "seed = 0x" + "f" * 6000, "a whole number of about 7224 digits."),
        ("run", 'time_step = "0 ns"', '[run] time_step must be "auto" or a time from 1 fs to 1 s'),
        ("run", 'time_step = "-2 ns"', 'such as "2 ns"; received "-2 ns".'),
        ("run", "time_step = 0", "received 0, a number without a unit"),
        ("run", 'time_step = "Auto"', '[run] time_step must be "auto" or a time'),
        ("run", 'precision = "double"', 'precision must be "float32" or "float64"; received "dou'),
        ("output", "frames = 0", "frames must be a whole number from 1 to 100000 such as 200"),
        ("output", "frames = true", "received true."),
        ("carrier", 'viscosity = "0 Pa s"', "viscosity from 0.01 mPa s to 1000 Pa s"),
        ("carrier", 'temperature = "-100 degC"', "a temperature from 200 K to 500 K"),
        ("carrier", 'temperature = "25 C"', '"C" is no unit of temperature (accepted: K, degC).'),
        ("field", 'strength = "-1 mT"', "a magnetic field from 0 to 10 T"),
        ("field", 'strength = "11 T"', 'received "11 T".'),
        ("field", 'strength = "5 kT"', "kT is a unit of energy, not of magnetic field"),
        ("field", "direction = [0, 0, 0]", "three numbers (x, y, z) that are not all zero"),
        ("field", "direction = [1, 0]", "received [1, 0]."),
        ("field", "direction = [nan, 0, 1]", "received [nan, 0, 1], which is not a finite"),
        ("field", 'tilt = "91 deg"', "an angle from -90 deg to 90 deg"),
        ("dipoles", 'sum = "direct"', 'must be "mesh", "cutoff" or "exact"; received "direct".'),
        ("dipoles", "cutoff_diameters = 1", "cutoff_diameters must be a number from 2 to 50"),
        ("dipoles", "tolerance = 0", "tolerance must be a number from 1e-08 to 0.1"),
        ("repulsion", 'kind = "hard"', 'must be "surfactant" or "soft_core"; received "hard".'),
        ("repulsion", 'strength = "0 kT"', "an energy from 0.01 kT to 1000 kT"),
        ("repulsion", 'grafting_density = "0.3 nm"', "nm is a unit of length, not of number per"),
        ("bonds", "distance = 0.9", "[bonds] distance must be a number from 1 to 2 such as 1.3"),
        ("bonds", "alignment = 2", "alignment must be a number from -1 to 1"),
        ("start", 'kind = "ordered"', 'must be "random", "lattice" or "file"; received "ordered".'),
        ("windows", "hindered_mobility = 1", "must be true or false; received 1."),
        ("run", 'dynamics = "newton"', '"langevin" or "monte_carlo"; received "newton".'),
        ("run", "mass_factor = 0.5", "mass_factor must be a number from 1 to 1e+06"),
    ],
)
def test_wrong_values_of_other_keys(table, line, sentence):
    head = f"[{table}]\n"
    text = SMALLEST.replace(head, head + line + "\n") if head in SMALLEST else ""
    problem = problem_of(text or changed(more=head + line + "\n"))
    assert problem.startswith(f"[{table}] {line.split()[0]} must be ")
    assert sentence in problem


def test_start_from_a_file_names_it():
    problem = problem_of(changed(more='[start]\nkind = "file"\n'))
    assert problem.startswith("[start] path must name the folder or run file to start from")


@pytest.mark.parametrize(
    ("key", "value"), [("size_spread", "0.7"), ("dead_layer", '"-1 nm"'), ("moment", '"frozen"')]
)
def test_wrong_particle_keys(key, value):
    text = changed("volume_fraction", f"{key} = {value}\nvolume_fraction")
    assert problem_of(text).startswith(f"[particles] {key} must be ")


# --- missing and unknown ---------------------------------------------------------------------


def test_missing_keys_are_all_named_with_what_they_must_be():
    problems = problems_of('title = "nothing else"\n')
    assert problems[0] == (
        "[particles] core_diameter is missing; it must be a length from 2 nm to 1 um such as "
        '"20 nm".'
    )
    told = " ".join(problems)
    for words in ("volume_fraction", "[film] thickness is", "[film] must give", "[run] duration"):
        assert words in told
    assert len(problems) == 5


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (changed("thickness", "thicknes"), "thicknes is not a known key; the nearest is thickness"),
        (changed(more="[flim]\na = 1\n"), "[flim] is not a known table; the nearest is [film]."),
        (changed(more="[film2]\n"), "[film2] is not a known table; the nearest is [film]."),
        (changed(more="[qqqq]\n"), "[qqqq] is not a known table; known: particles, carrier, film"),
        (
            changed(more="[output]\nzzz = 1\n"),
            "[output] zzz is not a known key; known keys: frames",
        ),
        (changed(more="[output]\nseed = 1\n"), "seed is not a known key; it belongs in [run]."),
        ("seed = 1\n" + SMALLEST, "seed is not a known key; it belongs in [run]."),
        ("titel = 'x'\n" + SMALLEST, "titel is not a known key; the nearest is title."),
        (changed(more="[[magnets]]\nx = 1\n"), "[[magnets]] number 1 "),
        (changed(more='["a\\nb"]\n'), '["a\\nb"] is not a known table'),
        (changed(more="[field]\nsteps = 3\n"), "[field] steps must be a list of at most 10000"),
        (
            changed(more="[field]\nsteps = [3]\n"),
            "[[field.steps]] number 1 must be a table of keys",
        ),
        (changed(more="[field]\nsteps = []\n"), "[field] steps must hold at least one step"),
        ("output = 3\n" + SMALLEST, "[output] must be a table of keys; received 3."),
        ("sweep = 3\n" + SMALLEST, "[sweep] must be a table of keys; received 3."),
        ("title = 3\n" + SMALLEST, "title must be a text of at most 200 characters"),
        (
            changed(more='[[field.steps]]\nkind = "spin"\nduration = "1 us"\nstrength = "1 T"'),
            '"ramp", "oscillate" or "rotate"; received "spin".',
        ),
        (
            changed(more='[[field.steps]]\nduration = "1 us"\nstrength = "1 T"\nlength = 1'),
            "[[field.steps]] number 1 length is not a known key; ",
        ),
        (
            changed(more='[[field.steps]]\nstrength = "1 mT"\n'),
            "[[field.steps]] number 1 duration is missing; it must be a time from 1 ps",
        ),
    ],
)
def test_unknown_and_misplaced(text, sentence):
    assert any(sentence in problem for problem in problems_of(text)), problems_of(text)


# --- keys against each other -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            changed("volume_fraction = 0.03", ""),
            "[particles] must give exactly one of volume_fraction, core_volume_fraction and "
            "fluid_saturation, such as volume_fraction = 0.03; received none.",
        ),
        (
            changed("volume_fraction", 'fluid_saturation = "8 mT"\nvolume_fraction'),
            "received volume_fraction and fluid_saturation.",
        ),
        (
            changed("volume_fraction = 0.03", "core_volume_fraction = 0.5"),
            "(random packing); received one that makes 0.864.",
        ),
        (
            changed("volume_fraction = 0.03", 'fluid_saturation = "0.5 T"'),
            "[particles] fluid_saturation must leave the whole particles",
        ),
        (
            changed("volume_fraction", 'material = "custom"\nvolume_fraction'),
            '[particles] material = "custom" must come with magnetisation, anisotropy, density; '
            "received none.",
        ),
        (
            changed("volume_fraction", 'dead_layer = "10 nm"\nvolume_fraction'),
            "[particles] dead_layer must be below 10 nm, half the median core diameter; "
            "received 10 nm.",
        ),
        (
            changed("volume_fraction", 'shell_thickness = "0 nm"\nvolume_fraction'),
            '[particles] shell_thickness must be above 0 nm such as "2 nm" for [repulsion]',
        ),
        (changed('width = "1 um"', ""), '[film] must give width such as ["2.0 um", "0.6 um"] or'),
        (
            changed('"0.4 um"', '"23 nm"'),
            "[film] thickness must be at least 24 nm, the diameter of the largest particle; "
            "received 23 nm.",
        ),
        (
            changed('"1 um"', '["1 um", "0.2 um"]', '[dipoles]\nsum = "cutoff"\n'),
            "[film] width must be at least 288 nm on every side, twice the cutoff of 6 diameters "
            'of 24 nm ([dipoles] sum = "cutoff"); received 200 nm.',
        ),
        (
            changed('"1 um"', '"40 nm"', '[dipoles]\nsum = "exact"\n'),
            "[film] width must be at least 48 nm on every side, two diameters of the largest",
        ),
        (changed('"1 um"', '"1 um"\ncount = 500'), "[film] count must agree with width, which "),
        (
            changed('width = "1 um"', "count = 3", '[dipoles]\nsum = "cutoff"\n'),
            "[film] count must be at least 138, so that the",
        ),
        (
            changed('"1 um"', '"1 mm"'),
            "[film] width must give at most 200000000 particles; received a patch for 1.66e+09",
        ),
        (
            changed("0.03", "1e-6"),
            "[film] width must be wide enough for one particle at this volume fraction",
        ),
        (
            changed(
                more='[field]\nstrength = "1 mT"\n[[field.steps]]\nduration = "1 us"\n'
                'strength = "1 mT"\n'
            ),
            "[field] must give either strength (a steady field) or steps (a programme); received "
            "both.",
        ),
        (
            changed(more='[field]\ndirection = [1, 0, 0]\ntilt = "3 deg"\nazimuth = "1 deg"\n'),
            "[field] must give either direction or tilt and azimuth; received direction and tilt "
            "and azimuth.",
        ),
        (
            changed(
                more='[[field.steps]]\nduration = "1 us"\nstrength = "1 mT"\n'
                'direction = [1, 0, 0]\ntilt = "3 deg"\n'
            ),
            "[[field.steps]] number 1 must give either direction or tilt and azimuth",
        ),
        (
            changed('"0.2 ms"', '"0.2 ms"\ntime_step = "1 ms"'),
            "[run] time_step must be at most the duration of 200 us; received 1 ms.",
        ),
        (
            changed('"0.2 ms"', '"0.2 ms"\ntime_step = "10 us"'),
            "[output] frames must be at most the 20 steps of the run; received 200.",
        ),
        (
            changed('"0.2 ms"', '"1000 s"\ntime_step = "1 fs"'),
            "[run] time_step must divide the duration into at most 1e+12 steps",
        ),
    ],
)
def test_contradictions(text, sentence):
    assert sentence in problem_of(text)


def test_thickness_must_hold_the_largest_particle_of_the_size_law():
    spread = changed("volume_fraction", "size_spread = 0.1\nvolume_fraction")
    # cut at 3 deviations: 20 nm e^0.3 + 4 nm = 30.997 nm
    assert "at least 31 nm" in problem_of(spread.replace('"0.4 um"', '"30.9 nm"'))
    from_text(spread.replace('"0.4 um"', '"31 nm"'))


def test_count_that_agrees_with_the_width_is_accepted():
    # 0.03 x 1 um x 1 um x 0.4 um / (pi/6 (24 nm)^3) = 1657.9
    p = from_text(changed('"1 um"', '"1 um"\ncount = 1658'))
    assert (p.film.count, p.film.width) == (1658, (1e-6, 1e-6))
    assert from_text(changed('width = "1 um"', "count = 1658")).film.width is None


def test_all_mistakes_are_told_at_once():
    text = """
thickness = "1 um"
[particles]
core_diameter = "20 nm"
magnetisation = "3 km"
volume_fraction = 0.03
[film]
thickness = "10 nm"
width = "0.1 um"
colour = "blue"
[run]
duration = "0.2 ms"
time_step = "0 s"
seed = true
[dipoles]
sum = "cutoff"
[curtain]
"""
    told = problems_of(text)
    for start in (
        "thickness is not",
        "[particles] magnetisation must",
        "[film] thickness must be at least 24 nm",
        "[film] width must be at least 288 nm",
        "[film] colour is not",
        "[run] time_step must",
        "[run] seed must",
        "[curtain] is not",
    ):
        assert sum(problem.startswith(start) for problem in told) == 1, (start, told)
    assert len(told) == 8


# --- files -----------------------------------------------------------------------------------


def file_problem(path):
    with pytest.raises(ParameterError) as caught:
        load(path)
    assert str(caught.value).startswith(f"{path}: 1 mistake\n  ")
    assert len(caught.value.problems) == 1
    return caught.value.problems[0]


def test_missing_file_and_folder(tmp_path):
    assert "does not exist" in file_problem(tmp_path / "none.toml")
    assert "is a folder" in file_problem(tmp_path)
    assert "cannot be read" in file_problem(str(tmp_path / ("x" * 5000)))


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "the file is empty"),
        (b"# only a comment\n", "the file is empty"),
        (b"\x89HDF\r\n\x1a\n\0\0\0", "the file is binary"),
        (SMALLEST.encode("utf-16"), "the file is binary"),
        (b"title = 'caf\xe9'\n", "UTF-8; line 1 holds other bytes"),
        (b"a" * 1_000_001, "longer than 1000 kB"),
        (b'title = "x"\n[film\n', "line 2 is not valid TOML"),
        (b"[film]\nthickness = 0.4 um\n", "line 2 is not valid TOML: expected newline or end of"),
        (b"[film]\nthickness = 0.4 um\n", 'stands in quotes, such as "0.4 um".'),
        (b"[run]\nseed = 1\nseed = 2\n", "line 3 is not valid TOML: cannot overwrite a value"),
        (b"title = ", "line 1 is not valid TOML"),
        (b"seed = " + b"9" * 6000, "a number or date that is out of every range"),
        (b"seed = " + b"[" * 6000, "nests brackets too deeply"),
    ],
)
def test_unreadable_files(tmp_path, data, words):
    path = tmp_path / "film.toml"
    path.write_bytes(data)
    assert words in file_problem(path)


def test_pipe_is_refused_and_not_waited_for(tmp_path):
    path = tmp_path / "pipe"
    os.mkfifo(path)
    assert "no ordinary file" in file_problem(path)


def test_byte_order_mark_and_windows_lines_are_accepted(tmp_path):
    path = tmp_path / "film.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SMALLEST.replace("\n", "\r\n").encode())
    assert load(path).film.thickness == 4e-7


# --- schema ----------------------------------------------------------------------------------


def test_schema_describes_every_key_with_range_and_example():
    schema = json.loads(json.dumps(json_schema()))
    assert schema["required"] == ["particles", "film"]  # a sampled film may be without [run] keys
    keys = 0
    for table in schema["$defs"].values():
        assert table["additionalProperties"] is False
        assert table["description"]
        for key, entry in table["properties"].items():
            assert entry["description"], key
            if key != "steps":
                assert " Must be " in entry["description"], key
                assert "enum" in entry or "examples" in entry, key
            keys += 1
    assert keys > 40


def test_examples_and_defaults_of_the_schema_pass_the_checks():
    for name, table in all_tables().items():
        for key, entry in json_schema()["$defs"][name]["properties"].items():
            expected = keys_of(table)[key].must
            if isinstance(expected, Tables):
                assert key == "steps"
                continue
            written = [*entry.get("examples", []), *entry.get("enum", [])]
            if "default" in entry:
                written.append(entry["default"])
            for value in written:
                expected.check(value)


# --- a key is declared once --------------------------------------------------------------------


@dataclass(frozen=True)
class Flammable(CarrierParameters):
    """The carrier liquid, with keys that it does not have."""

    flash_point: float = declared.key(
        Quantity("temperature", 200.0, 500.0, "60 degC"), "Where its vapour burns.", "70 degC"
    )
    sheet: str | None = declared.key(FileName(99, "sheet.pdf"), "How to handle it.", None)


def test_a_new_key_needs_its_declaration_alone(monkeypatch):
    monkeypatch.setitem(TABLES, "carrier", Flammable)
    assert from_text(SMALLEST).carrier.flash_point == 343.15
    given = changed(more='[carrier]\nflash_point = "{}"\n')
    assert from_text(given.format("80 degC")).carrier.flash_point == 353.15
    assert problem_of(given.format("80 nm")) == (
        '[carrier] flash_point must be a temperature from 200 K to 500 K such as "60 degC"; '
        'received "80 nm", nm is a unit of length, not of temperature (accepted: K, degC).'
    )
    assert "the nearest is flash_point." in problem_of(given.format("1 K").replace("sh_", "s_"))
    assert json_schema()["$defs"]["carrier"]["properties"]["flash_point"]["default"] == "70 degC"
    assert '\n# flash_point = "70 degC"       # Where its vapour burns.\n' in template._template()
    assert find_key("carrier.flash_point", {}).column == "carrier.flash_point_K"
    moved = with_whole_paths({"carrier": {"sheet": "oil.pdf"}}, Path("/films"))
    assert moved == {"carrier": {"sheet": "/films/oil.pdf"}}
    assert "| `flash_point` | a temperature from 200 K to 500 K such as" in key_table.page()


@dataclass(frozen=True)
class Gilded(RepulsionParameters):
    """What keeps particles apart, with a key of one of its kinds."""

    leaf: float | None = declared.key(
        Quantity("length", 0.0, 1e-6, "2 nm"),
        "Thickness of gold leaf.",
        declared.NEEDED,
        only=("kind", "soft_core"),
    )


def test_a_new_key_of_one_kind_needs_its_declaration_alone(monkeypatch):
    monkeypatch.setitem(TABLES, "repulsion", Gilded)
    assert from_text(SMALLEST).repulsion.leaf is None
    soft = changed(more='[repulsion]\nkind = "soft_core"\n')
    assert problem_of(soft) == (
        '[repulsion] leaf is missing; kind = "soft_core" needs it, and it must be a length from 0 '
        'to 1 um such as "2 nm".'
    )
    assert from_text(soft + 'leaf = "3 nm"\n').repulsion.leaf == 3e-9
    notices = from_text(changed(more='[repulsion]\nleaf = "3 nm"\n')).notices
    assert '[repulsion] leaf is not used with kind = "surfactant".' in notices
    assert '# leaf = "2 nm"                 # Thickness of gold leaf. For kind = soft_core.' in (
        template._template()
    )


def test_the_page_of_keys_is_that_of_the_declarations():
    # python -m tests.reference.key_table writes it
    assert key_table.PAGE.read_text(encoding="utf-8") == key_table.page()
