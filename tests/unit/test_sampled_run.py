"""A sampled run from its file to its page: bits, rest from both sides, no times, bad input."""

import csv
import json
import math
import shutil
from types import SimpleNamespace

import h5py
import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.stats import t

from analysis import measure, open_run
from analysis.common.errors import InputError
from analysis.pictures.all import figures_of
from analysis.reports.run import page
from analysis.response.equilibration import missing
from sim.command_line import main
from sim.files.comparison import compare_runs
from sim.files.opening import RunFileError
from sim.files.record import Ending
from sim.film.start_file import state_from_run
from sim.kernels.sampler import layout
from sim.outlook.expectations import expect
from sim.parameters import ParameterError, from_text
from sim.run.schedule import Doubling
from sim.run.simulate import simulate
from sim.run.watchers import Stop
from sim.sampler.chained import chained_state
from sim.sampler.engine import SamplerEngine
from sim.sampler.rest import FOLLOWED, Average, average_of, judge, times_needed
from tests.reference.small_systems import film, random_film, spread_diameters

FILE = """
[particles]
core_diameter = "16 nm"
size_spread = 0.1
volume_fraction = 0.03
[film]
thickness = "0.12 um"
width = "0.26 um"
[repulsion]
kind = "soft_core"
[field]
strength = "10 mT"
[dipoles]
sum = "cutoff"
[run]
dynamics = "monte_carlo"
{run}
[output]
frames = 20
"""


def parameters_of(run="sweeps = 400\nstructures = 10"):
    return from_text(FILE.format(run=run), "film.toml")


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """Return a sampled run that has come to rest."""
    return simulate(parameters_of("sweeps = 2000\nstructures = 10"), tmp_path_factory.mktemp("a"))


def bits(engine):
    state = engine.snapshot()
    return state.positions.tobytes() + state.directions.tobytes() + engine._series.tobytes()


KINDS = {
    "cut off": {"diameter": spread_diameters(60)},
    "mesh": {"dipole_sum": "mesh", "tolerance": 1e-3},
    "exact": {"dipole_sum": "exact", "tolerance": 1e-4, "count": 20},
}


@pytest.mark.parametrize("kind", KINDS)
def test_bits_hang_neither_on_pieces_nor_on_threads_nor_on_a_stop(kind):
    system = film(**{"count": 60, "dynamics": "monte_carlo", **KINDS[kind]})
    state = random_film(system)
    plain = SamplerEngine(system, state, 1)
    plain.advance(7)
    pieces = SamplerEngine(system, state, 2)
    for part in (1, 2):
        pieces.advance(part)
        pieces.observe()
    kept = pieces.checkpoint()
    pieces.advance(4)
    assert bits(pieces) == bits(plain)
    again = SamplerEngine(system, state, 2)
    again.restore(kept)
    again.advance(4)
    assert bits(again) == bits(plain)
    assert plain.films[0].film.counts[:, 1].sum() > 0


def test_a_checkpoint_that_followed_less_is_refused():
    system = film(60, dynamics="monte_carlo")
    engine = SamplerEngine(system, random_film(system), 1)
    kept = engine.checkpoint()
    kept["series"] = kept["series"][..., :4]
    with pytest.raises(InputError, match="must be of this version of chainfilm"):
        engine.restore(kept)


def test_the_file_holds_sweeps_and_no_times(finished):
    assert finished.ending is Ending.STOPPED
    assert "at rest with" in finished.reason
    with h5py.File(finished.path) as file:
        position = file["particles/film/position"]
        assert "time" not in position
        assert "time" not in file["observables/energy_dipolar"]
        steps = position["step"][()]
        assert steps[-1] == finished.step < 2000
        rest = json.loads(file["parameters"].attrs["rest"])
    assert rest["reached"] is True
    assert rest["structures"] >= 10
    assert set(rest["sides"]) == set(FOLLOWED)
    late = steps[steps >= steps[-1] / 2]
    assert 5 <= len(late) <= 12


def test_what_is_measured_has_no_times(finished):
    run = open_run(finished.directory)
    assert run.is_sampled
    assert run.notices == ()
    numbers = measure(run).numbers
    rest = numbers["equilibration"]
    assert rest["reached"] is True
    assert rest["independent_structures"] >= 10
    assert rest["simulated_s"] is None
    assert numbers["derived"]["time_step_s"] is None
    assert numbers["derived"]["duration_s"] is None
    assert numbers["chains"]["mean_length"]["value"] > 1.0
    assert numbers["magnetisation"]["relative"]["value"] > 0.3
    assert numbers["chains"]["bond_life_s"]["value"] is None
    assert all(
        value is None or value == [] or value["value"] is None
        for value in numbers["relaxation"].values()
    )
    way = numbers["way_to_rest"]
    assert "samples the film at rest" in way["switch_on_reason"]
    assert way["switch_on_half_time_s"]["value"] is None
    assert way["switch_on_joining_fall"]["value"] is None
    said = [note for note in numbers["warnings"] if note.startswith("relaxation")]
    assert len(said) == 1
    assert "no time" in said[0]
    # the sampler and the measurement agree on the length within their errors
    own = rest["sides"]["mean_length"]
    found = numbers["chains"]["mean_length"]
    gap = abs(own["from_singles"] - found["value"])
    assert gap < 4.0 * np.hypot(own["from_singles_error"], found["error"])
    # 95 % by Student's law (scipy.stats), for as many structures as both films hold
    for side in rest["sides"].values():
        wide = t.ppf(0.975, side["structures"] - 1.0)
        for name in ("from_singles", "from_chains"):
            low, high = side[f"{name}_interval_95"]
            assert high - side[name] == pytest.approx(wide * side[f"{name}_error"])
            assert low + high == pytest.approx(2.0 * side[name])
    # nothing is frozen: frames tell as much as so many independent structures, by Student's law
    # and within 4 errors of a scatter of so few
    frames = rest["frames"]
    expected = own["from_singles_error"] * math.sqrt(max(1.0, own["structures"] / frames))
    expected *= t.ppf(0.8413, frames - 1)
    assert found["error"] < expected * (1.0 + 4.0 / math.sqrt(2.0 * (frames - 1)))
    assert found["samples"] >= 4
    with pytest.raises(ValueError, match="knows no times"):
        measure(run, from_time=1e-6)


def test_the_page_says_that_the_film_is_at_rest_and_knows_no_times(finished):
    run = open_run(finished.directory)
    measured = measure(run)
    assert "growth" not in figures_of(measured)
    assert "time_series" in figures_of(measured)
    words = page(measured, run)
    assert "The film is at rest (the films from single particles and from long chains meet" in words
    assert f"<td>{finished.step}</td>" in words.partition("Sweeps")[2][:40]
    for timed in (
        "Simulated time", "Time step", "<th>Steps", "Growth exponent", "after switch-on",
        "Relaxation time", "Bonds that stand again", "times here are up to",
    ):  # fmt: skip
        assert timed not in words, timed
    assert not [note for note in measured.numbers["warnings"] if note.startswith("way_to_rest")]
    assert measured.numbers["chains"]["bond_standing_share"]["value"] is None


def test_a_run_that_is_stopped_goes_on_to_the_same_bits(tmp_path):
    class Once:
        """Interrupts a run at sweep 40."""

        schedule = Doubling(80)

        def look(self, scene):
            if scene.engine.step == 40:
                raise Stop(Ending.INTERRUPTED, "stopped")

        def close(self, scene):
            pass

    whole = simulate(parameters_of("sweeps = 80"), tmp_path / "whole")
    cut = simulate(parameters_of("sweeps = 80"), tmp_path / "cut", stop_rules=[Once()])
    assert cut.step == 40
    cut = simulate(parameters_of("sweeps = 80"), tmp_path / "cut", resume=True)
    assert cut.ending is whole.ending is Ending.FINISHED
    with h5py.File(whole.path) as one, h5py.File(cut.path) as other:
        for path in ("particles/film/position/value", "particles/film/moment/value"):
            assert np.array_equal(one[path][()], other[path][()])
        for name in ("rest",):
            assert one["parameters"].attrs[name] == other["parameters"].attrs[name]
    assert compare_runs(whole.directory, cut.directory).same


def test_measuring_from_a_time_is_refused(finished, capsys):
    before = sorted(path.name for path in finished.directory.iterdir())
    assert main(["measure", str(finished.directory), "--from-time", "1 us"]) == 2
    told = capsys.readouterr().err
    assert "--from-time must be left out" in told
    assert "error of the program" not in told
    assert sorted(path.name for path in finished.directory.iterdir()) == before


def test_a_run_goes_on_where_a_limit_of_it_has_grown(tmp_path):
    short = simulate(parameters_of("sweeps = 40"), tmp_path / "run")
    assert short.ending is Ending.FINISHED
    reason = measure(open_run(short.directory)).numbers["equilibration"]["reason"]
    assert "of 20 wanted: about" in reason
    assert "in all, which take" in reason
    assert "set larger limits in [run] and go on with --resume" in reason
    with pytest.raises(RunFileError, match="sweeps now asks for 20 steps"):
        simulate(parameters_of("sweeps = 20"), tmp_path / "run", resume=True)
    with pytest.raises(RunFileError, match=r"\[run\] structures, sweeps and wall_time may"):
        simulate(parameters_of("sweeps = 80\nseed = 3"), tmp_path / "run", resume=True)
    # one more structure asks for no sweep more: the limit of sweeps is reached
    assert simulate(parameters_of("sweeps = 40\nstructures = 30"), tmp_path / "run", resume=True)
    longer = simulate(parameters_of("sweeps = 80"), tmp_path / "run", resume=True)
    whole = simulate(parameters_of("sweeps = 80"), tmp_path / "whole")
    assert longer.step == whole.step == 80
    with h5py.File(whole.path) as one, h5py.File(longer.path) as other:
        assert one["parameters"].attrs["rest"] == other["parameters"].attrs["rest"]


def test_a_run_at_rest_goes_on_for_more_structures(finished, tmp_path):
    shutil.copytree(finished.directory, tmp_path / "run")
    same = parameters_of("sweeps = 2000\nstructures = 10")
    assert simulate(same, tmp_path / "run", resume=True).step == finished.step
    more = parameters_of(f"sweeps = {finished.step + 10}\nstructures = 1000")
    assert simulate(more, tmp_path / "run", resume=True).step == finished.step + 10


def test_a_limit_of_the_clock_ends_the_run(tmp_path):
    run = simulate(
        parameters_of('sweeps = 1000000\nstructures = 10000\nwall_time = "1 s"'), tmp_path
    )
    assert run.ending is Ending.STOPPED
    assert "1 s of wall time" in run.reason
    numbers = measure(open_run(run.directory)).numbers
    assert (
        "times the sweeps are needed" in numbers["equilibration"]["reason"]
        or (numbers["equilibration"]["reached"])
    )


def test_a_sampled_film_is_a_start(finished):
    system = film(1)
    parameters = parameters_of()
    from sim.film.particles import draw
    from sim.film.reduce import reduce

    system = reduce(parameters, draw(parameters))
    state = state_from_run(finished.directory, system, 3)
    with h5py.File(finished.path) as file:
        last = file["particles/film/position/value"][-1] / system.units.length_m
    assert np.allclose(state.positions, last, atol=1e-9)
    assert state.time == 0.0


REFUSED = {
    'duration = "1 ms"': "[run] duration must be left out with dynamics",
    'time_step = "1 ns"': "[run] time_step must be left out with dynamics",
    "mass_factor = 10.0": '[run] mass_factor must be left out with dynamics = "monte_carlo", which '
    "samples the film at rest and knows no inertia",
    "structures = 2": "[run] structures must be a whole number from 8",
    "sweeps = 1": "[run] sweeps must be a whole number from 10",
    'wall_time = "1 ms"': '[run] wall_time must be "auto" or a time from 1 s',
}


@pytest.mark.parametrize("line", REFUSED)
def test_what_needs_a_time_is_refused(line):
    with pytest.raises(ParameterError) as error:
        parameters_of(line)
    assert [problem for problem in error.value.problems if REFUSED[line] in problem]
    assert len(error.value.problems) == 1


def test_an_automatic_step_asks_for_no_time():
    assert parameters_of('time_step = "auto"').run.is_sampled


def test_other_films_that_cannot_be_sampled_are_refused():
    text = FILE.format(run="")
    turning = text.replace(
        'strength = "10 mT"', '[[field.steps]]\nduration = "1 us"\nkind = "rotate"\n'
        'strength = "10 mT"\nfrequency = "1 MHz"',
    )  # fmt: skip
    with pytest.raises(ParameterError, match="must have a steady field"):
        from_text(turning)
    beads = text.replace(
        'core_diameter = "16 nm"',
        'moment = "multicore"\ncore_diameter = "8 nm"\nbead_diameter = "60 nm"\n'
        "magnetic_share = 0.3",
    ).replace('"0.12 um"', '"0.3 um"').replace('"0.26 um"', '"0.9 um"')  # fmt: skip
    with pytest.raises(ParameterError, match="beads that magnetise each other"):
        from_text(beads)


def test_a_run_in_time_still_needs_its_duration():
    text = FILE.format(run="").replace('dynamics = "monte_carlo"', "")
    with pytest.raises(ParameterError, match=r"\[run\] duration is missing"):
        from_text(text)
    given = FILE.format(run='duration = "1 us"\nsweeps = 100').replace(
        'dynamics = "monte_carlo"', ""
    )
    assert '[run] sweeps is not used with dynamics = "brownian".' in from_text(given).notices


def test_what_check_says_of_a_sampled_run():
    said = expect(parameters_of())
    labels = [label for label, _ in said.table]
    assert "independent structures wanted" in labels
    assert "simulated time" not in labels
    assert "time step" not in labels
    words = " ".join([*said.sentences, *said.cautions])
    assert "samples the film at rest" in words
    assert "within this run" not in words
    assert "too slow" not in words


def test_what_check_says_of_a_sweep_of_both_kinds(tmp_path, capsys):
    path = tmp_path / "film.toml"
    table = '[sweep]\n"run.dynamics" = ["monte_carlo", "brownian"]\n'
    text = FILE.format(run='duration = "1 us"').replace('dynamics = "monte_carlo"', "")
    path.write_text(text.replace("16 nm", "20 nm").replace("0.26 um", "0.3 um") + table)
    assert main(["check", str(path)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "chains, sampled at rest 2" in said
    assert "Point 1 will be sampled at rest by moves" in said
    assert "Point 2 will not be in equilibrium at the end" in said


@pytest.mark.slow
def test_a_sweep_of_both_kinds_runs_to_its_end(tmp_path):
    path = tmp_path / "film.toml"
    table = '[sweep]\n"run.dynamics" = ["monte_carlo", "brownian"]\n'
    text = FILE.format(run='duration = "0.5 us"\nsweeps = 120\nstructures = 8')
    path.write_text(text.replace('dynamics = "monte_carlo"', "") + table)
    assert main(["sweep", str(path), "-o", str(tmp_path / "both"), "--workers", "1", "-q"]) == 0
    with (tmp_path / "both/sweep.csv").open(newline="") as file:
        sampled, timed = csv.DictReader(file)
    assert (sampled["status"], timed["status"]) == ("done", "done")
    assert (sampled["run.dynamics"], timed["run.dynamics"]) == ("monte_carlo", "brownian")
    for run, is_sampled in ((sampled, True), (timed, False)):
        found = open_run(tmp_path / "both" / run["folder"])
        assert found.is_sampled == is_sampled
        assert float(run["chains_mean_length"]) > 1.0
    page = (tmp_path / "both/sweep_report.html").read_text(encoding="utf-8")
    assert "monte_carlo" in page
    again = sorted(path.name for path in (tmp_path / "both/figures").iterdir())
    assert main(["plot", str(tmp_path / "both")]) == 0
    assert sorted(path.name for path in (tmp_path / "both/figures").iterdir()) == again


def test_the_start_of_chains_has_no_overlap_and_all_particles():
    for direction in ((1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.1, 0.2, 0.9)):
        system = film(300, diameter=spread_diameters(300), direction=direction)
        state = chained_state(system, 1.05, 3)
        axis = int(np.argmax(np.abs(direction)))
        assert np.allclose(state.directions[:, axis], np.sign(direction[axis]))
        sides = np.array([*system.sides, 1e9])
        gap = state.positions[:, None] - state.positions[None]
        gap -= sides * np.rint(gap / sides)
        contact = system.radius[:, None] + system.radius[None]
        share = np.linalg.norm(gap, axis=2) / contact + 9.0 * np.eye(300)
        assert share.min() > 1.0
        assert (state.positions[:, 2] >= 0.0).all()
        assert (state.positions[:, 2] <= system.thickness).all()
        # all but a few ends have a neighbour at the distance of a bond
        assert (share.min(axis=1) < 1.06).mean() > 0.9


def remembering(rng, tau, shape):
    """Return x' = a x + noise of unit variance; its integrated time is (1 + a)/(1 - a)/2."""
    a = (2.0 * tau - 1.0) / (2.0 * tau + 1.0)
    noise = math.sqrt(1.0 - a * a) * rng.normal(size=shape)
    return lfilter([1.0], [1.0, -a], noise, axis=0)


def test_the_error_of_a_known_series():
    rng = np.random.default_rng(5)
    found = average_of(remembering(rng, 9.5, 60_000))
    # the largest of three estimates, so that it is seldom too small
    assert 0.9 < found.error / np.sqrt(19.0 / 60_000) < 1.35
    assert found.structures == pytest.approx(60_000 / 19.0, rel=0.3)
    assert average_of(np.full(50, 0.1)) == Average(pytest.approx(0.1), 0.0, 0.0)


def test_films_that_have_met_are_seldom_told_apart_for_a_slow_part():
    # Under fast fluctuations a slow part is lost in the autocorrelation: by that alone 40 of 100
    # equal films were more than 2 errors apart. 10 of 100 are what intervals miss with two memories
    # (tests/benchmarks/README.md, "Coverage of the intervals"); 4 errors of a share of 100 trials.
    rng = np.random.default_rng(11)
    apart = []
    for _ in range(20):
        one, two = (
            (remembering(rng, 3.0, shape) + 0.4 * remembering(rng, 200.0, shape))[4000:]
            for shape in 2 * [(12_000, len(FOLLOWED))]
        )
        apart += [side["difference_in_errors"] > 2.0 for side in judge(one, two).sides.values()]
    assert len(apart) == 100
    assert np.mean(apart) < 0.10 + 4.0 * math.sqrt(0.10 * 0.90 / 100)


def test_a_slow_part_beneath_fast_noise_counts_in_errors_and_structures():
    # A fifth of the variance remembers a tenth of the averaged notes. Without averages over blocks
    # equal films were told apart in 22 of 100 looks and seemed to hold 2.4 times the structures
    # that they do, n/(2 tau) with the tau of both parts; the gate on the first as above.
    rng = np.random.default_rng(12)
    count, fast, slow, share = 4000, 3.0, 400.0, 0.2
    shape = (3 * count, len(FOLLOWED))
    apart, held = [], []
    for _ in range(40):
        one, two = (
            (
                math.sqrt(1.0 - share) * remembering(rng, fast, shape)
                + math.sqrt(share) * remembering(rng, slow, shape)
            )[count:]
            for _ in range(2)
        )
        sides = judge(one, two).sides.values()
        apart += [side["difference_in_errors"] > 2.0 for side in sides]
        held += [side["structures"] for side in sides]
    true = count / (2.0 * ((1.0 - share) * fast + share * slow))
    assert np.mean(apart) < 0.10 + 4.0 * math.sqrt(0.10 * 0.90 / len(apart))
    assert 0.6 * true < np.median(held) < 1.4 * true


def test_rest_needs_all_that_is_followed():
    rng = np.random.default_rng(8)
    one, two = rng.normal(size=(2, 4000, len(FOLLOWED)))
    assert judge(one, two).reached
    assert judge(one, two).structures > 500
    two[:, FOLLOWED.index("energy")] += 0.5  # lengths meet, the energy does not
    apart = judge(one, two)
    assert not apart.reached
    assert "differ in energy by" in apart.reason
    assert apart.more is None or apart.more > 3.0  # a gap that stays
    assert not judge(one[:20], two[:20] - two[:20]).reached
    short = judge(np.cumsum(one[:200], axis=0), np.cumsum(one[:200], axis=0))
    assert not short.reached
    assert "too few to tell" in short.reason


def test_films_that_near_each_other_tell_when_they_meet():
    # a gap that falls as exp(-t/tau), so that its mean over any span is known; errors stay
    rng = np.random.default_rng(12)
    count, tau = 4000, 1500.0
    one, two = rng.normal(size=(2, count, len(FOLLOWED)))
    two[:, 0] += 2.0 * np.exp(-np.arange(count) / tau)
    rest = judge(one, two, every=4)
    side = rest.sides["energy"]
    assert rest.sweeps == 8000
    assert not rest.reached

    def mean_gap(first, last):
        return 2.0 * tau * (np.exp(-first / tau) - np.exp(-last / tau)) / (last - first)

    # 4 errors of the means of 1000 and 2000 values of unit scatter each
    before, late = mean_gap(count / 4, count / 2), mean_gap(count / 2, count)
    share, scatter = late / before, np.hypot(np.sqrt(2 / 2000), late / before * np.sqrt(2 / 1000))
    assert abs(side["difference_over_before"] - share) < 4.0 * scatter / before
    # exact but for that scatter: the middle of a span stands for its mean
    allowed = 2.0 * math.hypot(side["from_singles_error"], side["from_chains_error"])
    last = rest.more * count
    assert mean_gap(last / 2, last) == pytest.approx(allowed, rel=0.6)
    assert f"({100 * side['difference_over_before']:.0f} % of the gap" in rest.reason
    # a difference that may be chance says nothing of how it falls
    assert times_needed(3.0, 57.0) == 2.0
    assert times_needed(5.0, 57.0) == times_needed(5.0, None) == math.inf


def test_films_that_do_not_near_each_other_say_that_no_time_can_be_told():
    run = SimpleNamespace(rest={"more": None}, timing={"stepping_s": 60.0}, steps=[8000])
    assert "the films do not near each other" in missing(run, 30.0, 20.0)
    run.rest["more"] = 3.0
    assert "about 3 times the sweeps are needed, 2.4e+04 in all, which take 3 min" in missing(
        run, 30.0, 20.0
    )
    run.rest["more"] = None  # of too few structures nothing is known
    assert "about 5 times the sweeps are needed" in missing(run, 4.0, 20.0)


@pytest.mark.parametrize("count", [1, 6, 40])
def test_frames_of_a_sampled_run_double_their_interval(count):
    when = Doubling(count)
    steps = [0]
    while steps[-1] < 3000:
        steps.append(when.next_step(steps[-1]))
    assert [step for step in range(steps[-1] + 1) if when.is_due(step)] == steps
    assert when.until(1000) == sum(0 < step <= 1000 for step in steps)
    for last in (count, 100, 333, 1000, 2999):
        late = sum(last / 2 <= step <= last for step in steps)
        assert late <= max(2, count // 2 + 1)
        assert late >= min(1, count // 4)


def test_moves_have_names_in_order():
    assert layout.MOVES[layout.SIZES] == "sizes"
    assert layout.MOVES[layout.HOP] == "hop"
