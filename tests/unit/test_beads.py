"""Multicore beads in a parameter file: keys, sizes, material, what `check` says, reduction."""

import json
import math

import h5py
import numpy as np
import pytest

from analysis.common.constants import BOLTZMANN, MU0
from analysis.common.laws import langevin
from sim.command_line import main
from sim.film.particles import draw
from sim.film.reduce import reduce
from sim.interactions import dipolar
from sim.interactions.gravity import weight
from sim.outlook.expectations import expect
from sim.outlook.look_ahead import look_ahead
from sim.parameters import ParameterError, from_text
from sim.physics import beads, material
from tests.reference.induced_moments import induce

BEADS = """
[particles]
moment = "multicore"
bead_diameter = "100 nm"
core_diameter = "10 nm"
magnetic_share = 0.2
shell_thickness = "5 nm"
volume_fraction = 0.03
[film]
thickness = "1 um"
count = 500
[field]
strength = "10 mT"
[run]
duration = "1 ms"
"""
TEMPERATURE = 298.15


def changed(*pairs, more=""):
    text = BEADS
    for old, new in pairs:
        assert text.count(old) == 1
        text = text.replace(old, new)
    return text + more


def problem_of(text):
    with pytest.raises(ParameterError) as caught:
        from_text(text, "film.toml")
    assert len(caught.value.problems) == 1, caught.value.problems
    return caught.value.problems[0]


def without(key):
    return "\n".join(line for line in BEADS.splitlines() if not line.startswith(key))


# --- refusals, through the command line ---------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            without("bead_diameter"),
            '[particles] bead_diameter is missing; moment = "multicore" needs it, and it must be a '
            'length from 10 nm to 10 um such as "100 nm".',
        ),
        (
            without("magnetic_share"),
            '[particles] magnetic_share is missing; moment = "multicore" needs it, and it must be '
            "a number from 0.0001 to 0.74 (close packing) such as 0.2.",
        ),
        (without("core_diameter"), "[particles] core_diameter is missing;"),
        (
            changed(("magnetic_share = 0.2", "magnetic_share = 0.8")),
            "[particles] magnetic_share must be a number from 0.0001 to 0.74 (close packing) such "
            "as 0.2; received 0.8.",
        ),
        (
            changed(('core_diameter = "10 nm"', 'core_diameter = "120 nm"')),
            "[particles] core_diameter must be below the median bead_diameter of 100 nm, being "
            'that of the small cores inside, for moment = "multicore"; received 120 nm.',
        ),
        (
            changed(('core_diameter = "10 nm"', 'core_diameter = [["9 nm", 1], ["10 nm", 1]]')),
            '[particles] core_diameter must be one length such as "9 nm", that of the small cores, '
            'for moment = "multicore"; received a table of sizes.',
        ),
        (
            changed(("magnetic_share = 0.2", "magnetic_share = 0.0005")),
            "[particles] magnetic_share must be at least 0.001, which is one core in the median "
            "bead; received 0.0005.",
        ),
        (
            changed(("shell_thickness", 'dead_layer = "6 nm"\nshell_thickness')),
            "[particles] dead_layer must be below 5 nm, half the median core diameter; received 6 "
            "nm.",
        ),
        (
            changed(("magnetic_share = 0.2", "magnetic_share = 0.3")),
            "[particles] magnetic_share must be below 0.283 with these cores (or core_diameter "
            "smaller than 10 nm), so that the susceptibility of the beads stays below 3, which no "
            "solid sphere reaches; received 0.3, which makes 3.18.",
        ),
    ],
)
def test_check_refuses(text, sentence, tmp_path, capsys):
    file = tmp_path / "film.toml"
    file.write_text(text, encoding="utf-8")
    assert main(["check", str(file)]) == 2
    told = " ".join(capsys.readouterr().err.split())
    assert sentence in told
    assert "Traceback" not in told


def test_a_run_magnetises_its_beads(tmp_path, capsys):
    """Moments of a run's last frame: those that the exact sum finds for its places and field."""
    file = tmp_path / "film.toml"
    short = changed(('duration = "1 ms"', 'duration = "20 us"'), ("count = 500", "count = 150"))
    file.write_text(short + "[output]\nframes = 4\n", encoding="utf-8")
    assert main(["run", str(file), "-o", str(tmp_path / "out"), "--no-plots"]) == 0
    numbers = json.loads((tmp_path / "out" / "measures.json").read_text(encoding="utf-8"))
    assert 1.0 <= numbers["timing"]["induction_sums"] < 10.0
    with h5py.File(tmp_path / "out" / "run.h5") as run:
        film = run["particles/film"]
        positions, moments = film["position/value"][-1], film["moment/value"][-1]
        saturation = film["moment_magnitude"][:]
        sides = film["box/edges/value"][0, :2]
        assert (run["observables/energy_induction/value"][:] > 0.0).all()
    core = material.moment(10e-9, 446e3, 0.0)
    # In units of 100 nm and of m such that mu0 m^2/(4 pi kT (100 nm)^3) = 1.
    unit = math.sqrt(4.0 * math.pi * BOLTZMANN * TEMPERATURE * 1e-21 / MU0)
    field = 0.01 * unit / (BOLTZMANN * TEMPERATURE)
    wanted, *_ = induce(
        positions / 1e-7, saturation / unit, core / unit, (field, 0.0, 0.0), sides / 1e-7, "exact"
    )
    wrong = moments / unit - wanted
    assert np.sqrt(np.mean(wrong**2) / np.mean(wanted**2)) < 1e-3


def test_the_largest_share_is_where_the_susceptibility_is_3():
    """The share that the sentence names lies between one that is taken and one that is not."""
    largest = 3.0 / beads.bead_susceptibility(1.0, 10e-9, 446e3, 0.0, TEMPERATURE)
    taken = from_text(changed(("magnetic_share = 0.2", f"magnetic_share = {largest * 0.9999}")))
    assert expect(taken).derived["bead_susceptibility"] == pytest.approx(2.9997)
    assert "must be below" in problem_of(
        changed(("magnetic_share = 0.2", f"magnetic_share = {largest * 1.0001}"))
    )


def test_other_moments_do_not_use_the_keys_of_beads():
    p = from_text(changed(('moment = "multicore"', 'moment = "blocked"')))
    assert p.notices == (
        '[particles] bead_diameter is not used with moment = "blocked".',
        '[particles] magnetic_share is not used with moment = "blocked".',
    )
    assert p.particles.diameter == pytest.approx(20e-9)
    assert not p.particles.is_multicore


# --- material ------------------------------------------------------------------------------------


def test_moments_of_a_bead_count_its_cores():
    """M_s times the volume: 200 cores of 10 nm fill 0.2 of a bead of 100 nm."""
    core = 446e3 * math.pi / 6.0 * 1e-24
    assert beads.core_moment(10e-9, 446e3) == pytest.approx(core)
    found = beads.saturation_moment(np.array([100e-9, 200e-9]), 0.2, 10e-9, 446e3)
    assert found == pytest.approx([200.0 * core, 1600.0 * core])
    # A dead layer of 1 nm leaves (8/10)^3 of each core; the share counts it in.
    thin = beads.saturation_moment(100e-9, 0.2, 10e-9, 446e3, 1e-9)
    assert thin == pytest.approx(200.0 * 0.512 * core)


def test_susceptibility_is_the_slope_of_the_magnetisation():
    """chi = M/H = mu0 M/B of a bead in a weak field, M its moment over its volume."""
    chi = beads.bead_susceptibility(0.2, 10e-9, 446e3, 0.5e-9, TEMPERATURE)
    weak = 1e-6
    core = beads.core_moment(10e-9, 446e3, 0.5e-9)
    whole = beads.saturation_moment(100e-9, 0.2, 10e-9, 446e3, 0.5e-9)
    moment = whole * langevin(core * weak / (BOLTZMANN * TEMPERATURE))
    assert chi == pytest.approx(MU0 * moment / (math.pi / 6.0 * 1e-21) / weak, rel=1e-6)


def test_self_consistent_moments_are_those_of_pair_and_chain():
    """Against the iteration over all dipoles: two beads, and an endless chain of one a period."""
    places = [[0.0, 0.0, 0.0], [1.0, 0.0, 0.0]]
    applied = np.array([3.0, 0.0, 0.0])
    far = {"method": "cutoff", "cutoff": 40.0, "moment_tolerance": 1e-12}
    pair, *_ = induce(places, [1.5, 1.5], 0.6, applied, (100.0, 100.0), **far)
    found = beads.self_consistent(1.5, 0.6, 3.0, beads.PAIR_FEEDBACK)
    assert float(found) == pytest.approx(pair[0, 0], rel=1e-10)
    chain, *_ = induce(
        places[:1], [1.5], 0.6, applied, (1.0, 20.0), "exact", 1e-12, moment_tolerance=1e-12
    )
    found = beads.self_consistent(1.5, 0.6, 3.0, beads.CHAIN_FEEDBACK)
    assert float(found) == pytest.approx(chain[0, 0], rel=1e-9)


# --- sizes and amounts ---------------------------------------------------------------------------


def test_the_spread_is_of_the_beads():
    p = from_text(changed(("shell_thickness", "size_spread = 0.2\nshell_thickness")))
    particles = draw(p)
    assert np.std(np.log(particles.core_diameter)) == pytest.approx(0.2, rel=0.03)
    assert np.median(particles.core_diameter) == pytest.approx(100e-9, rel=0.01)
    assert particles.diameter == pytest.approx(particles.core_diameter + 10e-9)
    assert particles.magnetic_diameter == pytest.approx(np.full(500, 10e-9))
    share = particles.moment / particles.core_diameter**3
    assert share == pytest.approx(np.full(500, 0.2 * 446e3 * math.pi / 6.0))


def test_the_median_by_volume_is_that_of_the_beads():
    """Volume median = number median exp(3 s^2) (Hatch and Choate 1929)."""
    spread = 'size_spread = 0.2\nsize_basis = "volume"\nshell_thickness'
    p = from_text(changed(("shell_thickness", spread)))
    assert p.particles.core_diameter == pytest.approx(100e-9 * math.exp(-0.12))
    assert p.particles.small_core_diameter == 10e-9


@pytest.mark.parametrize("spread", [0.0, 0.15])
def test_three_ways_to_give_the_amount(spread):
    """Cores fill 0.2 of a bead, 0.2 x 0.512 of it is magnetic; counted from the drawn beads."""
    layer = f'dead_layer = "1 nm"\nsize_spread = {spread}\nshell_thickness'

    def film(amount):
        return from_text(changed(("shell_thickness", layer), ("volume_fraction = 0.03", amount)))

    drawn = draw(film("volume_fraction = 0.03"))
    film_volume = drawn.sides[0] * drawn.sides[1] * drawn.thickness
    beads = math.pi / 6.0 * float(np.sum(drawn.core_diameter**3)) / film_volume
    cores = film(f"core_volume_fraction = {0.2 * beads}")
    saturated = MU0 * float(np.sum(drawn.moment)) / film_volume
    fluid = film(f'fluid_saturation = "{saturated * 1e3} mT"')
    for other in (cores, fluid):
        # The drawn sizes follow the law to within their even spacing.
        assert other.particles.whole_volume_fraction == pytest.approx(0.03, rel=2e-3)


def test_weight_counts_what_fills_the_bead():
    """0.2 cores of 5180 and 0.8 filler as the shell of 900, in a liquid of 800 kg/m3."""
    p = from_text(changed(more='[gravity]\nacceleration = "9.81 m/s^2"\n'))
    assert p.particles.body_density == pytest.approx(0.2 * 5180.0 + 0.8 * 900.0)
    bead, whole = (math.pi / 6.0 * d**3 for d in (100e-9, 110e-9))
    mass = bead * (p.particles.body_density - 800.0) + (whole - bead) * 100.0
    pull = mass * 9.81 / (BOLTZMANN * TEMPERATURE)
    assert float(weight(p, 100e-9)) == pytest.approx(pull, rel=1e-9)


# --- reduction -----------------------------------------------------------------------------------


def test_reduced_system_of_beads():
    p = from_text(BEADS)
    particles = draw(p)
    system = reduce(p, particles)
    assert system.induced
    assert (system.turning == 0.0).all()
    assert not system.turning_capped
    assert system.saturation == pytest.approx(particles.moment / system.units.moment_am2)
    assert system.moment == pytest.approx(system.saturation)
    # xi = core_langevin b is m_core B/kT.
    b = p.field.largest / system.units.field_t
    core = beads.core_moment(10e-9, 446e3)
    xi = core * 10e-3 / (BOLTZMANN * TEMPERATURE)
    assert system.core_langevin * b == pytest.approx(xi)
    # chi = 24 A/d^3 of the bead without shell, A = m_s m_core/3.
    chi = beads.bead_susceptibility(0.2, 10e-9, 446e3, 0.0, TEMPERATURE)
    bead = 100.0 / 110.0
    found = 24.0 * system.saturation[0] * system.core_langevin / 3.0 / bead**3
    assert found == pytest.approx(chi)


def test_fixed_moments_are_not_induced():
    p = from_text(changed(('moment = "multicore"', 'moment = "superparamagnetic"')))
    system = reduce(p, draw(p))
    assert not system.induced
    assert system.saturation is None
    assert system.core_langevin == 0.0
    assert (system.turning > 0.0).all()


def test_the_soft_core_is_stiff_for_the_moment_in_a_chain_and_not_at_saturation():
    soft = '[repulsion]\nkind = "soft_core"\n'
    steps = []
    for field in ("1 mT", "10 mT", "100 mT", "1 T"):
        p = from_text(changed(('strength = "10 mT"', f'strength = "{field}"'), more=soft))
        steps.append(reduce(p, draw(p)).dt)
    assert steps == sorted(steps, reverse=True)
    assert steps[0] > 3.0 * steps[-1]


# --- what check says -----------------------------------------------------------------------------


def test_check_says_what_beads_do(tmp_path, capsys):
    file = tmp_path / "film.toml"
    file.write_text(BEADS, encoding="utf-8")
    assert main(["check", str(file)]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "susceptibility of a bead 2.12" in told
    assert "cores in the median bead 200" in told
    assert "alone in the largest field, 10 mT (19 % of saturation)" in told
    assert "attract more than point dipoles" in told
    assert "close into rings" not in told
    assert "superparamagnetic" not in told


def test_derived_numbers_use_the_moment_in_the_largest_field(tmp_path, capsys):
    file = tmp_path / "film.toml"
    file.write_text(BEADS, encoding="utf-8")
    assert main(["check", str(file), "--json"]) == 0
    derived = json.loads(capsys.readouterr().out)["derived"]
    core = beads.core_moment(10e-9, 446e3)
    xi = core * 10e-3 / (BOLTZMANN * TEMPERATURE)
    moment = 200.0 * core * (1.0 / math.tanh(xi) - 1.0 / xi)
    assert derived["core_moment_am2"] == pytest.approx(core)
    assert derived["saturation_moment_am2"] == pytest.approx(200.0 * core)
    assert derived["median_moment_am2"] == pytest.approx(moment)
    assert derived["langevin_parameter"] == pytest.approx(xi)
    coupling = MU0 * moment**2 / (4.0 * math.pi * 110e-9**3 * BOLTZMANN * TEMPERATURE)
    assert derived["coupling"] == pytest.approx(coupling)
    # In weak fields a touching pair is 1/(1 - chi_whole/12) and a chain 1/(1 - chi_whole/4.99)
    # stronger; here xi = 0.57 saturates a little.
    whole = derived["bead_susceptibility"] * (100.0 / 110.0) ** 3
    assert derived["touching_pair_moment_factor"] == pytest.approx(1 / (1 - whole / 12), rel=0.02)
    assert derived["chain_moment_factor"] == pytest.approx(1 / (1 - whole / 4.9915), rel=0.08)


def test_other_particles_have_no_numbers_of_beads():
    derived = expect(from_text(changed(('moment = "multicore"', 'moment = "blocked"')))).derived
    assert derived["core_moment_am2"] is None
    assert derived["bead_susceptibility"] is None


def test_beads_without_a_field_do_nothing():
    found = expect(from_text(changed(('strength = "10 mT"', 'strength = "0 mT"'))))
    assert found.derived["coupling"] == found.derived["langevin_parameter"] == 0.0
    assert any("no moment without a field" in text for text in found.sentences)
    json.dumps(found.to_json(), allow_nan=False)


def test_the_field_at_which_beads_chain_gives_the_coupling_of_2():
    (text,) = (x for x in expect(from_text(BEADS)).sentences if "grows with the field" in x)
    field = text.split("it is 2 at ")[1].split(" mT")[0]
    there = from_text(changed(('strength = "10 mT"', f'strength = "{field} mT"')))
    assert look_ahead(there).coupling == pytest.approx(2.0, rel=0.1)  # two digits are printed
    assert float(dipolar.moments(there, 100e-9)) > float(dipolar.moments(from_text(BEADS), 100e-9))


def test_rows_and_weight_of_beads_say_what_they_stand_for():
    falling = BEADS + '\n[gravity]\nacceleration = "9.81 m/s^2"\n'
    labels = dict(expect(from_text(falling)).table)
    assert "Langevin parameter, a core of a bead" in labels
    assert "Langevin parameter, median particle" not in labels
    assert any("shell_density" in text for text in expect(from_text(falling)).cautions)
    assert not any("shell_density" in text for text in expect(from_text(BEADS)).cautions)


def test_slow_cores_and_few_cores_are_told():
    text = changed(
        ('core_diameter = "10 nm"', 'core_diameter = "25 nm"'),
        ("magnetic_share = 0.2", "magnetic_share = 0.017"),
    )
    told = " ".join(expect(from_text(text)).cautions)
    assert "take smaller cores" in told
    assert "holds only 1.1 cores" in told
