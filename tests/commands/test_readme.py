"""README.md, DEVELOPERS.md and the pages of the rooms against the code: commands, names, keys."""

import importlib
import re
import shlex
import subprocess
import sys
import tomllib
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import h5py
import numpy as np
import pytest

from analysis.quantities.all import MEASURED, shown
from sim.command_line import COMMANDS
from sim.commands.options import parser
from tests.reference import quantity_table
from tests.reference.planted import planted_run
from tests.reference.turning_field import swing

ROOT = Path(__file__).parents[2]
ROOMS = [path for name in ("sim", "analysis", "tests") for path in (ROOT / name).rglob("README.md")]
FILES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted(ROOMS)]
PAGES = {path.relative_to(ROOT).as_posix(): path.read_text(encoding="utf-8") for path in FILES}
PYPROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
PROJECT = PYPROJECT["project"]
IN_THE_WHEEL = PYPROJECT["tool"]["hatch"]["build"]["targets"]["wheel"]["force-include"]
SETUP = "python3 -m venv .venv"
# Tokens that begin with one of these folders are paths of the project.
FOLDERS = ("sim", "analysis", "tests", "runs_demo", ".ci")
ENDINGS = ("py", "json", "csv", "vtp", "pvd")
DECLARED = {one.path for one in MEASURED}


def fenced(text):
    """Return the lines of all fenced blocks."""
    blocks = re.findall(r"^```\w*\n(.*?)^```$", text, re.DOTALL | re.MULTILINE)
    return [line for block in blocks for line in block.splitlines() if line.strip()]


def ticked(text):
    """Return the texts in single backticks outside fenced blocks."""
    plain = re.sub(r"^```.*?^```$", "", text, flags=re.DOTALL | re.MULTILINE)
    return re.findall(r"`([^`\n]+)`", plain)


def parsed(words):
    """Return what the command line understands of words after the program's name."""
    try:
        return parser(COMMANDS).parse_args(words)
    except SystemExit as end:
        pytest.fail(f"chainfilm {' '.join(words)} ends with {end.code}")


SETUP_LINES = [line for line in fenced(PAGES["README.md"]) if line.startswith(SETUP)]


def test_two_lines_set_everything_up():
    assert len(SETUP_LINES) == 2
    assert all(line.split(" && ")[0] == SETUP for line in SETUP_LINES)


def test_the_first_line_installs_and_runs_a_demo():
    _, install, run = SETUP_LINES[0].split(" && ")
    assert install == ".venv/bin/pip install ."
    program, *words = shlex.split(run)
    assert Path(program).name in PROJECT["scripts"]
    module, function = PROJECT["scripts"][Path(program).name].split(":")
    (source,) = (of for of, to in IN_THE_WHEEL.items() if to == f"{module}.py")
    module = source.removesuffix(".py").replace("/", ".")
    assert callable(getattr(importlib.import_module(module), function))
    args = parsed(words)
    from sim.parameters import load

    assert load(ROOT / args.file).title
    # The folder of results must not be taken for a part of the project.
    assert f"/{args.output}/" in (ROOT / ".gitignore").read_text(encoding="utf-8").splitlines()
    assert f"`{args.output}/report.html`" in PAGES["README.md"]


def test_the_second_line_installs_and_runs_the_tests():
    _, install, test = SETUP_LINES[1].split(" && ")
    assert shlex.split(install) == [".venv/bin/pip", "install", "-e", ".[test]"]
    wanted = PROJECT["optional-dependencies"]["test"]
    assert any(re.match(r"pytest\b", package) for package in wanted)
    assert test == ".venv/bin/python -m pytest -n auto"


def test_python_version_is_that_of_the_project():
    least = PROJECT["requires-python"].removeprefix(">=")
    assert f"Python {least} or newer" in PAGES["README.md"]


COMMAND_LINES = [line for line in fenced(PAGES["README.md"]) if line.startswith("chainfilm ")]


@pytest.mark.parametrize("line", COMMAND_LINES)
def test_commands_in_the_readme_parse(line):
    _, *words = shlex.split(line, comments=True)
    args = parsed(words)
    if getattr(args, "from_time", None):
        from sim.physics.units import parse

        assert parse(args.from_time, "time") > 0


def test_demos_with_magnets_say_what_they_need():
    line = ".venv/bin/pip install '.[magnets]'"
    demos = PAGES["README.md"].partition("## Demos")[2]
    assert line in demos
    for file in (ROOT / "runs_demo").glob("*/*.toml"):
        text = file.read_text(encoding="utf-8")
        has_magnets = "[[magnets]]" in text
        assert (line in text) == has_magnets, file
        assert (f"`runs_demo/{file.parent.name}` * |" in demos) == has_magnets, file


def test_every_command_is_in_the_readme():
    shown = {line.split()[1] for line in COMMAND_LINES}
    assert shown == set(COMMANDS)


@pytest.mark.parametrize("page", PAGES)
def test_options_in_running_text_exist(page):
    known = set(re.findall(r"--[a-z][a-z-]+", _all_help()))
    for text in ticked(PAGES[page]):
        options = set(re.findall(r"--[a-z][a-z-]+", text))
        script = re.search(r"python -m ((?:tests\.benchmarks|runs_demo)\.\w+)", text)
        if script:
            module = ROOT / script[1].replace(".", "/")
            path = module / "__main__.py" if module.is_dir() else module.with_suffix(".py")
            source = path.read_text(encoding="utf-8")
            assert all(f'"{option}"' in source for option in options), text
        elif not text.startswith("dask "):  # its options are its own
            assert options - {"--check"} <= known, text  # --check is the formatter's


def _all_help():
    """Return the help of all commands as one text."""
    top = parser(COMMANDS)
    (choices,) = (a.choices for a in top._actions if isinstance(a.choices, dict))
    return top.format_help() + "".join(command.format_help() for command in choices.values())


@pytest.mark.parametrize("page", PAGES)
def test_paths_in_backticks_exist(page):
    missing = []
    for token in ticked(PAGES[page]):
        if not re.fullmatch(r"[\w./-]+", token):
            continue
        if token.split("/")[0] in FOLDERS and "/" in token:
            found = (ROOT / token).exists()
        elif token.endswith(".py"):
            roots = (ROOT / folder for folder in FOLDERS)
            found = any(True for root in roots for _ in root.rglob(token))
        else:
            continue
        if not found:
            missing.append(token)
    assert missing == []


@pytest.mark.parametrize("page", PAGES)
def test_links_and_pictures_exist(page):
    targets = re.findall(r"\]\(([^)#\s]+)\)", PAGES[page])
    local = [target for target in targets if "://" not in target]
    beside = (ROOT / page).parent
    assert [target for target in local if not (beside / target).exists()] == []


@pytest.mark.parametrize("page", PAGES)
def test_python_names_exist(page):
    for token in ticked(PAGES[page]):
        if re.fullmatch(r"(sim|analysis)(\.\w+)+", token):
            module, name = token, None
            try:
                importlib.import_module(module)
            except ModuleNotFoundError:
                module, _, name = token.rpartition(".")
            assert name is None or hasattr(importlib.import_module(module), name), token


@pytest.mark.parametrize("page", PAGES)
def test_modules_that_are_run_exist(page):
    text = " ".join([*fenced(PAGES[page]), *ticked(PAGES[page])])
    for module in set(re.findall(r"-m (tests(?:\.\w+)+)", text)):
        assert (ROOT / (module.replace(".", "/") + ".py")).is_file(), module


@pytest.mark.parametrize("page", PAGES)
def test_tables_are_even(page):
    """A row with another number of cells than its head would be cut or shifted when shown."""
    width = None
    for line in PAGES[page].splitlines():
        cells = line.count("|") if line.startswith("|") else None
        assert width is None or cells in (width, None), line
        width = cells


@pytest.fixture(scope="module")
def numbers(tmp_path_factory):
    """Return measures.json of a planted run whose field is switched off, and a real derived.

    What is measured only behind a turning field is added from a field that turns.
    """
    from analysis import measure, open_run
    from analysis.response.break_up import break_up_numbers
    from analysis.response.lag import turning_numbers
    from sim.outlook.expectations import expect
    from tests.reference.bench_film import bench_film

    path = planted_run(tmp_path_factory.mktemp("planted"), switch_off_at=1e-4)
    content = measure(open_run(path)).numbers
    content["derived"] = expect(bench_film()).derived
    names = ("in_phase", "behind", "axis_cos", "axis_sin")
    nothing = {name: np.full(9, np.nan) for name in names}
    content["relaxation"] |= turning_numbers(swing(), nothing, None, [])
    content["relaxation"] |= break_up_numbers(SimpleNamespace(derived={}), None, [])
    return content


@pytest.mark.parametrize("page", PAGES)
def test_keys_of_measures_json_exist(page, numbers):
    found = 0
    for token in ticked(PAGES[page]):
        section, _, key = token.partition(".")
        if section in numbers and re.fullmatch(r"[a-z_]+", key) and key not in ENDINGS:
            assert key in numbers[section] or token in DECLARED, token
            found += 1
    # The table of the README names its keys so; that of the measures has a test of its own.
    assert found > 10 or page != "README.md"


def _row(title, text):
    """Return the second cell of the table row of a page that begins with `title`."""
    (cell,) = re.findall(rf"^\| `{re.escape(title)}` \| (.*) \|$", text, re.MULTILINE)
    return cell


def test_every_key_of_measures_json_is_documented(numbers):
    text = PAGES["analysis/measures/README.md"]
    for section, content in numbers.items():
        words = set(re.findall(r"\w+", _row(section, text)))
        words |= {path.split(".")[1] for path in DECLARED if path.startswith(f"{section}.")}
        if isinstance(content, dict):
            assert set(content) <= words, (section, set(content) - words)


def test_measured_numbers_are_documented_as_they_are_declared():
    text = PAGES["analysis/measures/README.md"]
    assert quantity_table.with_table(text) == text, "python -m tests.reference.quantity_table"


def test_the_page_on_uncertainties_calls_numbers_as_they_are_declared():
    names = {one.path: one.name for one in MEASURED}
    text = PAGES["analysis/measures/README.md"].partition("## How numbers are measured")[2]
    rows = re.findall(r"^\| ([^|]+) \| `([a-z_.]+)`[^,|]*\|", text, re.MULTILINE)
    told = {path: name for name, path in rows if path in names}
    assert told
    assert told == {path: names[path] for path in told}


def test_the_lines_of_python_run(tmp_path, monkeypatch, capsys):
    from tests.reference.fake_engine import FakeEngine, fake_setup
    from tests.reference.small_film import small_film

    (code,) = re.findall(r"```python\n(.*?)```", PAGES["README.md"], re.DOTALL)
    (tmp_path / "film.toml").write_text(small_film(), encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("sim.run.simulate.RunSetup", fake_setup())
    monkeypatch.setattr("sim.run.simulate.make_cpu_engine", FakeEngine)
    names: dict = {}
    exec(code, names)
    assert re.search(r"\d+\.\d\d \+- \d", capsys.readouterr().out)
    assert len(names["q"]) == len(names["s"]) > 0


def test_timing_of_the_engine_is_documented():
    from sim.engines.cpu import CpuEngine
    from sim.film.placing import random_state
    from tests.reference.small_systems import film

    system = film(50)
    keys = set(CpuEngine(system, random_state(system, 1)).timing)
    assert keys <= set(re.findall(r"\w+", _row("timing", PAGES["analysis/measures/README.md"])))


def test_columns_of_the_tables_are_documented():
    from analysis.chains.length_distribution import ChainLengths
    from analysis.chains.time_series import TimeSeries
    from analysis.measures import tables
    from analysis.response.lag_curve import Lag
    from analysis.response.susceptibility_numbers import Susceptibility

    columns = {
        "spacing.csv": (*tables.SPACING_COLUMNS, *(one.row for one in shown("spacing_table"))),
        "turning_field.csv": tables.TURNING_COLUMNS,
    } | {
        kind.TABLE.file: tuple(kind.headings().values())
        for kind in (ChainLengths, TimeSeries, Susceptibility, Lag)
    }
    for name, wanted in columns.items():
        cell = _row(name, PAGES["analysis/measures/README.md"])
        assert tuple(re.findall(r"`(\w+)`", cell)) == wanted, name


def test_elements_of_the_run_file_are_documented(tmp_path, monkeypatch):
    """Every dataset and attribute that a real run leaves, and nothing that it does not."""
    from sim.parameters import from_text
    from sim.run.simulate import simulate
    from tests.reference.fake_engine import FakeEngine, fake_setup
    from tests.reference.small_film import small_film

    monkeypatch.setattr("sim.run.simulate.RunSetup", fake_setup())
    parameters = from_text(small_film())
    run = simulate(parameters, tmp_path / "run", engine_factory=FakeEngine)
    output = replace(parameters.output, cutout=(20e-9, 1e-6, 60e-9), states=2, map_step=30e-9)
    cut = simulate(replace(parameters, output=output), tmp_path / "cut", engine_factory=FakeEngine)
    text = PAGES["sim/files/README.md"]
    named = {token for token in ticked(text) if re.fullmatch(r"/\w+(/\w+)*", token)}
    with h5py.File(run.path, "r") as file, h5py.File(cut.path, "r") as selected:
        assert [path for path in named if path not in file and path not in selected] == []
        present = []
        file.visititems(
            lambda name, item: present.append(f"/{name}") if isinstance(item, h5py.Dataset) else 0
        )
        attributes = set(file["/parameters"].attrs)
    # Step and time of every element are those of the position.
    shared = {path for path in present if path.rpartition("/")[2] in ("step", "time")}
    assert set(present) - shared <= named
    (line,) = [x for x in text.splitlines() if x.startswith("Attributes of `/parameters`")]
    assert attributes == set(re.findall(r"`(\w+)`", line))
    with h5py.File(run.path.with_name("checkpoint.h5"), "r") as file:
        section = text.partition("## checkpoint.h5")[2].partition("## ")[0]
        for name in (*file.attrs, *file):
            assert f"`{name}`" in section


def test_files_of_a_run_are_those_that_are_documented(tmp_path):
    from sim.files.folder import RunFolder

    folder = RunFolder(tmp_path)
    for path in (folder.run_file, folder.checkpoint):
        assert f"`{path.name}`" in PAGES["README.md"]
    for name in ("measures.json", "report.html", "spacing.csv", "figures/*.png"):
        assert f"`{name}`" in PAGES["README.md"]


def test_the_cautions_are_those_of_the_program():
    from sim.outlook.text.cautions import PUBLIC_LIMIT

    text = PAGES["README.md"]
    for word in (f"{1e3 * PUBLIC_LIMIT:.0f} mT", "0.5 mT", "ICNIRP", "implants", "class 2"):
        assert word in text


def test_nobody_left_a_place_to_be_filled():
    for page, text in PAGES.items():
        assert not re.search(r"to be filled|TODO|FIXME|\bXXX\b", text), page


def test_the_module_form_of_the_program_answers():
    done = subprocess.run(
        [sys.executable, "-m", "sim", "--version"],
        cwd=ROOT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout.startswith("chainfilm ")
