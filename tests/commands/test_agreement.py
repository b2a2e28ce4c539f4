"""The dossier: its command on recorded results, its table, and what it says of mistakes."""

import concurrent.futures
import math
import re
import signal

import numpy as np
import pytest

import sim
from runs_demo.agreement import __main__ as command
from runs_demo.agreement import (
    case,
    column_energy,
    columns,
    dossier,
    explained,
    growth,
    laws,
    lengths,
    work,
)
from runs_demo.agreement.__main__ import main
from runs_demo.agreement.every import COMPARISONS
from runs_demo.agreement.row import AGREES, DIFFERS, MISSING, UNSURE, Row
from sim.outlook.bond_constants import bond_constant
from sim.outlook.pair_potential import head_to_tail
from tests.benchmarks import markers

FILMS = sorted(case.FILMS.glob("*.toml"))
NAME = "decay"


@pytest.fixture
def recorded(tmp_path, monkeypatch):
    """Return a folder with recorded results of one comparison, and what would be run."""
    folder, asked = tmp_path / "agreement", []
    kept = dossier.read()["cases"][NAME]
    work.settle(folder, [NAME], 0.1, 1)
    for one in work.planned([COMPARISONS[NAME]], 0.1, 1):
        work.keep(one, folder, kept[one.name])

    def perform(one, _):
        asked.append(one.name)
        return kept[one.name]

    monkeypatch.setattr(work, "perform", perform)
    monkeypatch.setattr(
        concurrent.futures,
        "ProcessPoolExecutor",
        lambda count, _: concurrent.futures.ThreadPoolExecutor(count),
    )
    return folder, asked


@pytest.fixture
def without_page(monkeypatch):
    """Leave page and figures out, which take seconds."""
    monkeypatch.setattr(command, "_tell", lambda *_: 0)


def test_the_command_writes_page_and_table(recorded, capsys):
    folder, asked = recorded
    assert main([NAME, "--budget", "0.1", "-o", str(folder)]) == 0
    assert asked == []
    results = dossier.read(folder / "results.json")
    assert results["cases"][NAME].keys() == dossier.read()["cases"][NAME].keys()
    page = (folder / "dossier.html").read_text(encoding="utf-8")
    lines = dossier.lines(results)
    assert len(lines) > 5
    for comparison, row in lines:
        assert comparison.TITLE in page
        assert dossier.page.escape(row.what) in page
    assert page.count("data:image/png;base64,") == len(COMPARISONS[NAME].FIGURES)
    assert "wraps sources" in page  # long names push no number out of sight
    assert "http" not in page.replace("http://www.w3.org", "")
    assert f"`runs_demo/agreement/{NAME}.py` |" in capsys.readouterr().out


def test_the_recorded_results_make_a_page(tmp_path):
    assert main([NAME, "--recorded", "-o", str(tmp_path / "page")]) == 0
    assert {path.stem for path in (tmp_path / "page" / "figures").glob("*.png")} == set(
        COMPARISONS[NAME].FIGURES
    )
    assert COMPARISONS[NAME].TITLE in (tmp_path / "page" / "dossier.html").read_text("utf-8")


def test_only_what_is_missing_is_run_again(recorded, without_page):
    folder, asked = recorded
    (folder / "cases" / NAME / "free_1.json").unlink()
    assert main([NAME, "--budget", "0.1", "-o", str(folder)]) == 0
    assert asked == ["free_1"]
    assert (folder / "cases" / NAME / "free_1.json").exists()


def test_a_film_that_fails_costs_no_other(recorded, without_page, monkeypatch, capsys):
    folder, _ = recorded
    for name in ("free_0", "free_1"):
        (folder / "cases" / NAME / f"{name}.json").unlink()
    answer = dossier.read()["cases"][NAME]["free_1"]

    def perform(one, _):
        if one.name == "free_0":
            raise ValueError("no such film")
        return answer

    monkeypatch.setattr(work, "perform", perform)
    assert main([NAME, "--budget", "0.1", "-o", str(folder)]) == 1
    assert "free_0: ValueError: no such film" in capsys.readouterr().out
    assert (folder / "cases" / NAME / "free_1.json").exists()


def test_a_stopped_run_leaves_no_numbers_and_says_how_to_go_on(
    recorded, without_page, monkeypatch, capsys
):
    folder, _ = recorded
    kept = folder / "cases" / NAME / "free_1.json"
    kept.unlink()
    monkeypatch.setattr(work, "perform", lambda *_: None)
    heard = signal.getsignal(signal.SIGINT)
    assert main([NAME, "--budget", "0.1", "-o", str(folder)]) == 130
    assert "the same command goes on" in capsys.readouterr().err
    assert not kept.exists()
    assert signal.getsignal(signal.SIGINT) is heard


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["lenghts"], "NAMES must be among lengths, .*; received 'lenghts'"),
        (["--budget", "soon"], "--budget must be a number of minutes .*; received 'soon'"),
        (["--budget", "0"], "--budget must be a number of minutes from 0.1 .*; received '0'"),
        (["--budget", "nan"], "--budget must be a number .*; received 'nan'"),
        (["--processes", "none"], "--processes must be a whole number .*; received 'none'"),
        (["--fast"], "unrecognized arguments: --fast"),
    ],
)
def test_mistakes_are_told_in_one_sentence(words, told, tmp_path, capsys):
    assert main([*words, "-o", str(tmp_path / "new")]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("error: ")
    assert err.count("\n") == 1
    assert re.search(told, err)
    assert not (tmp_path / "new").exists()


def test_a_folder_of_something_else_is_left_alone(tmp_path, capsys):
    (tmp_path / "letter.txt").write_text("dear", encoding="utf-8")
    assert main(["-o", str(tmp_path)]) == 2
    assert "-o must name a new folder" in capsys.readouterr().err
    assert main([NAME, "--recorded", "-o", str(tmp_path)]) == 2
    assert "-o must name a new folder" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["letter.txt"]


@pytest.mark.parametrize("words", [["--recorded"], ["--budget", "1"]])
def test_a_file_in_the_place_of_the_folder_is_left_alone(tmp_path, capsys, words):
    letter = tmp_path / "letter.txt"
    letter.write_text("dear", encoding="utf-8")
    assert main([NAME, *words, "-o", str(letter)]) == 2
    assert "is a file; name another folder with -o" in capsys.readouterr().err
    assert letter.read_text("utf-8") == "dear"


def test_a_plan_that_is_none_is_left_alone(tmp_path, capsys):
    (tmp_path / "plan.json").write_text("{}", encoding="utf-8")
    assert main([NAME, "-o", str(tmp_path)]) == 2
    assert "is no plan of this command" in capsys.readouterr().err
    assert (tmp_path / "plan.json").read_text("utf-8") == "{}"


def test_another_budget_does_not_mix_with_the_first(recorded, capsys):
    folder, _ = recorded
    before = (folder / "plan.json").read_bytes()
    assert main([NAME, "--budget", "5", "-o", str(folder)]) == 2
    assert "--budget must be 0.1" in capsys.readouterr().err
    assert (folder / "plan.json").read_bytes() == before


def test_the_committed_table_is_that_of_the_committed_results():
    results = dossier.read()
    text = dossier.TABLE_PAGE.read_text(encoding="utf-8")
    assert markers.replaced(text, dossier.TABLE, dossier.table(results)) == text


def test_those_that_agree_least_differ_and_are_explained():
    results = dossier.read()
    lines = dossier.lines(results)
    worst = explained.least(lines)
    assert 1 <= len(worst) <= explained.LEAST
    away = [abs(math.log(row.found / row.published)) for _, row in worst]
    assert away == sorted(away, reverse=True)
    for comparison, row in worst:
        assert row.verdict == DIFFERS
        assert explained.sentences(
            comparison.NAME, dossier.found_of(results["cases"], comparison.NAME)
        )
    least = min(away)
    others = [row for one, row in lines if one not in [c for c, _ in worst]]
    assert all(
        abs(math.log(row.found / row.published)) <= least
        for row in others
        if row.verdict == DIFFERS and row.away is not None
    )


def test_every_comparison_has_results():
    cases = dossier.read()["cases"]
    for name, comparison in COMPARISONS.items():
        asked = {one.name for one in comparison.cases(1.0)}
        assert asked <= set(cases[name]), name


@pytest.mark.parametrize("path", FILMS, ids=lambda path: path.stem)
def test_films_are_faultless(path):
    sim.load(path)


def test_all_cases_are_films_and_grow_with_the_budget():
    for one in list(work.ordered(COMPARISONS.values(), 60.0, "gpu"))[::7]:
        sim.load(one.film)
    sizes = []
    for minutes in (1.0, 600.0):
        jobs = work.planned(list(COMPARISONS.values()), minutes, 8)
        assert len({(one.comparison, one.name) for one in jobs}) == len(jobs)
        assert work.makespan([one.seconds for one in jobs], 8) < 60.0 * max(minutes, 2.0)
        sizes.append({(one.comparison, one.name): one for one in jobs})
    for name, small in sizes[0].items():
        large = sizes[1][name]
        assert large.seconds > small.seconds, name
        more = ("count", "time")
        assert all(large.about.get(key, 0) >= small.about.get(key, 0) for key in more), name


def test_bond_constants_are_those_of_the_program():
    """By another quadrature, of the program itself, within 1 %."""
    for coupling in (2.0, 5.0):
        changes = {"particles.magnetisation": case.BENCH.magnetisation(coupling)}
        parameters = sim.load(case.film("lengths", changes))
        volume = math.pi / 6.0 * case.BENCH.diameter_m**3
        for in_field, field in ((True, math.inf), (False, 0.0)):
            core = case.BENCH.core_m
            theirs = bond_constant(parameters, core, core, field) / volume
            assert laws.bond_constant(coupling, in_field) == pytest.approx(theirs, rel=0.01)


def test_laws_at_their_limits():
    """Closed forms: single spheres, pairs, weak fields, weak interactions."""
    assert laws.rod_turning(1) == pytest.approx(3.0)  # kT/(pi eta d^3) = 3 D0/d^2
    assert laws.rod_turning(2) == pytest.approx(6.0 / 7.0)
    assert laws.mean_length(0.0) == 1.0
    alpha = 1e-3
    for chi in (0.0, 0.8, 2.0):
        slope = laws.mean_field_magnetisation(alpha, chi) / (alpha / 3.0)
        assert chi * slope == pytest.approx(laws.mean_field_susceptibility(chi), rel=1e-3)
    n = laws.torn_length(0.01, 8.0)
    assert np.log(laws.torn_length(0.02, 8.0) / n) / math.log(2.0) == pytest.approx(-0.5, abs=0.01)
    assert laws.emulsion_spacing(100.0) == pytest.approx(7.13, abs=0.01)  # 1.49 x 100^0.34


@pytest.mark.parametrize(
    ("found", "error", "within", "verdict"),
    [
        (1.0, 0.01, 0.0, AGREES),
        (1.03, 0.01, 0.02, AGREES),
        (1.05, 0.01, 0.02, UNSURE),
        (1.07, 0.01, 0.02, DIFFERS),
        (1.9, 0.01, 2.0, AGREES),
        (0.45, 0.01, 2.0, DIFFERS),
        (1.3, 0.2, 0.05, UNSURE),
        (None, None, 0.0, MISSING),
    ],
)
def test_verdicts(found, error, within, verdict):
    assert Row("a number", "a book", 1.0, found, error, within).verdict == verdict


def test_results_are_kept_short_and_newer_ones_take_their_place(tmp_path):
    path = tmp_path / "results.json"
    first, last = {"date": "yesterday"}, {"date": "today"}
    older = {"free_0": {"found": [1 / 3, 7]}, "free_1": {}, "no longer asked": {}}
    dossier.write_results(path, {NAME: [first]}, {NAME: older})
    held = dossier.read(path)
    assert held["cases"][NAME]["free_0"] == {"found": [0.33333, 7]}
    newer = {
        "about": {NAME: [last], "growth": [last]},
        "cases": {NAME: {"free_1": 2}, "growth": {}},
    }
    both = dossier.joined(held, newer)
    assert both["cases"] == {NAME: {"free_0": {"found": [0.33333, 7]}, "free_1": 2}, "growth": {}}
    assert both["about"] == {NAME: [first, last], "growth": [last]}
    whole = dossier.joined(held, {"about": {NAME: [last]}, "cases": {NAME: older}})
    assert whole["about"] == {NAME: [last]}  # the film that is no longer asked for does not count


def test_recorded_results_take_the_place_of_their_own_page_alone(tmp_path, capsys):
    folder = tmp_path / "page"
    assert main([NAME, "--recorded", "-o", str(folder)]) == 0
    assert main([NAME, "--recorded", "-o", str(folder)]) == 0
    capsys.readouterr()
    other = tmp_path / "other"
    other.mkdir()
    (other / "dossier.html").write_text("<html>of somebody else</html>", encoding="utf-8")
    (folder / "plan.json").write_text("{}", encoding="utf-8")  # then its page is that of runs
    for one in (other, folder):
        before = (one / "dossier.html").read_bytes()
        assert main([NAME, "--recorded", "-o", str(one)]) == 2
        assert "-o must name a new folder" in capsys.readouterr().err
        assert (one / "dossier.html").read_bytes() == before


@pytest.mark.parametrize("coupling", [8.0, 20.0, 40.0])
def test_beads_rest_within_a_width_of_the_minimum_of_their_pair_energy(coupling):
    """The engine's pair energy, to second order; its third makes the mean lie a little farther."""
    stair = columns.stair(columns.BEADS, coupling, 1.0)
    parameters = sim.load(case.film("columns", {"film.count": 100} | stair))
    core = parameters.particles.core_diameter
    pair = head_to_tail(parameters, core, core)
    lowest = int(np.argmin(pair.total_kt))
    step = (pair.distance_m[1] - pair.distance_m[0]) / pair.contact_m
    width = step / math.sqrt(pair.total_kt[lowest - 1 : lowest + 2] @ [1.0, -2.0, 1.0])
    rest = pair.minimum_distance_m / pair.contact_m
    assert rest < laws.soft_contact(coupling) < rest + width


def test_chains_of_a_column_are_counted_by_the_rest_of_their_beads():
    """Columns of so many beads a height, counted by hand: c chains of L/(r d) beads each."""
    kept = dossier.read()["cases"]["columns"]
    found = {name: one["found"] for name, one in kept.items()}
    value, _ = columns.distance(found["thickness_20"])
    beads = columns.FRACTION * math.sqrt(0.75) * value**2 * 20.0 / (math.pi / 6.0 * 0.5**3)
    chains = beads / (20.0 / (0.882 * 0.5))
    assert f"20 µm: {value:.2f} µm found, {chains:.1f} chains" in " ".join(
        explained._columns(found)
    )


def test_columns_of_lowest_energy():
    """Beside sums over all dipoles, and what more than one chain must gain."""
    rng = np.random.default_rng(5)
    height, chains, fraction = 7, 3, 0.04
    energy, particles = column_energy._column(chains, height, (0.0, 0.0))
    places = column_energy._sites(chains, (0.0, 0.0))
    beads = np.array([
        (*(column_energy.APART * xy), k + (1.0 if xy.sum() % 2 else 0.5))
        for xy in places for k in range(height - int(xy.sum() % 2))
    ])  # fmt: skip
    gaps = (beads[:, None] - beads[None])[np.triu_indices(len(beads), 1)]
    r2 = np.sum(gaps**2, axis=1)
    assert len(beads) == particles
    assert energy == pytest.approx(np.sum((r2 - 3.0 * gaps[:, 2] ** 2) / r2**2.5), rel=1e-12)
    # rods with charged ends stand for rows of dipoles, but for terms of (d/length)^2
    away = float(rng.uniform(3.0, 5.0))
    z = np.arange(height)[:, None] - np.arange(height)[None]
    row = np.sum((away**2 - 2.0 * z**2) / (away**2 + z**2) ** 2.5)
    assert 2.0 / away - 2.0 / math.hypot(away, height) == pytest.approx(row, rel=0.02)
    assert column_energy.per_particle(1, height, fraction)[1] == pytest.approx(columns.SINGLE)
    assert column_energy.lowest(5.0)[0] > 1


def test_mean_lengths_fall_sooner_than_bonds_live():
    """Without new bonds b falls as exp(-t/life): the closed form; with them it is sooner still."""
    alone = laws.fall_time(3.0, 1.0, 1.0)
    b = [1.0 - 1.0 / n for n in (3.0, 1.0 + 2.0 / math.e)]
    assert alone == pytest.approx(math.log(b[0] / b[1]), rel=1e-6)
    assert laws.fall_time(3.0, 2.0, 1.0) < alone


def test_stairs_follow_each_other_and_share_the_time(tmp_path, monkeypatch):
    """Each run begins from the end of the one before; all take no more than the case may."""
    one = next(c for c in COMPARISONS["columns"].cases(60.0) if c.name == "thickness_5")
    couplings, told = [], []

    class Done:
        def __init__(self, directory):
            self.directory = directory
            self.ending = sim.files.record.Ending.STOPPED
            self.reason = "over"

    def simulate(film, directory, stop_rules, **_):
        told.append((film.get("start", {}).get("path"), stop_rules[0]._seconds))
        strength = sim.load(film).particles.magnetisation
        couplings.append(strength)
        return Done(directory)

    monkeypatch.setattr(sim, "simulate", simulate)
    monkeypatch.setattr("analysis.measure", lambda run, **_: run)
    monkeypatch.setattr(COMPARISONS["columns"], "numbers", lambda *_: {})
    work.perform(one, tmp_path)
    assert len(told) == len(columns.STAIRS) + 1
    assert couplings == sorted(couplings)
    assert told[0][0] is None
    assert [path for path, _ in told[1:]] == [
        str(tmp_path / "runs" / "columns" / one.name / f"before_{k}") for k in range(len(told) - 1)
    ]
    assert sum(seconds for _, seconds in told) == pytest.approx(one.seconds)


def test_next_neighbours_alone_are_simulated():
    """The range is shorter than a parameter file may ask for, and is what the film has."""
    cases = {one.name: one for one in COMPARISONS["lengths"].cases(1.0)}
    one = cases[lengths.name_of(0.01, 4.0, True, next_only=True)]
    assert work._loaded(one.film, one.range_d).dipoles.cutoff_diameters == lengths.NEXT_ONLY
    assert lengths.NEXT_ONLY < 1.9  # the second neighbours of a pressed chain


@pytest.mark.parametrize(
    ("limits", "found", "error", "verdict"),
    [
        ((0.43, 0.75), 0.6, 0.02, AGREES),
        ((0.43, 0.75), 0.81, 0.02, UNSURE),
        ((0.43, 0.75), 0.84, 0.02, DIFFERS),
        ((0.43, 0.75), 0.6, 0.2, UNSURE),
        ((-math.inf, 1.0), 0.5, 0.1, AGREES),
        ((-math.inf, 1.0), 0.75, 0.1, UNSURE),
        ((-math.inf, 1.0), 1.5, 0.1, DIFFERS),
        ((0.0, math.inf), -0.01, 0.1, UNSURE),
        ((0.0, math.inf), None, None, MISSING),
    ],
)
def test_statements_are_decided_by_the_rule_of_numbers(limits, found, error, verdict):
    assert Row("a number", "a book", "a statement", found, error, limits=limits).verdict == verdict


def test_noise_of_both_sides_is_all_that_one_law_parts_by():
    """Chains drawn from one law at three times: squares beside those of the noise, 4 sigma."""
    rng = np.random.default_rng(7)
    length = np.arange(1, 60)
    law = 120.0 * np.exp(-length / 6.0)
    ratios = []
    for _ in range(60):
        late = [{"counts": [0, *rng.poisson(law).tolist()]} for _ in range(4)]
        off, noise, _ = growth.spread_of_collapse({"weight_mean": [12.0], "late": late})
        ratios.append((off / noise) ** 2)
    error = np.std(ratios, ddof=1) / math.sqrt(len(ratios))
    # interpolation between two bins of the last one halves its variance at most
    assert 0.6 - 4.0 * error < np.mean(ratios) < 1.0 + 4.0 * error
    assert growth.beyond_noise(0.2, 0.3, 10)[0] == 0.0
    assert growth.beyond_noise(0.5, 0.3, 10)[0] == pytest.approx(0.4)
