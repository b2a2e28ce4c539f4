"""A run or sweep that is not the one in the folder: the message names the key as it was written."""

import pytest

from sim.command_line import main
from tests.reference.small_film import FIELD, over_magnets, small_film

STEPS = """\
[[field.steps]]
duration = "2 us"
strength = "20 mT"
[[field.steps]]
kind = "rotate"
duration = "2 us"
strength = "20 mT"
frequency = "1 MHz"
"""
MAGNET = """\
[[magnets]]
kind = "block"
sides = ["20 mm", "20 mm", "10 mm"]
position = ["0 mm", "0 mm", "-20 mm"]
remanence = "1.2 T"
[[magnets.steps]]
motion = "turn"
duration = "1 ms"
rate = "100 Hz"
"""
SHORT = small_film(duration="0.02 us", frames=2)
PROGRAMME = SHORT.replace(FIELD, "[field]\n" + STEPS)
MOVING = over_magnets(MAGNET, SHORT)
BEADS = SHORT.replace(
    'core_diameter = "16 nm"\n',
    'core_diameter = "10 nm"\nmoment = "multicore"\n'
    'bead_diameter = "20 nm"\nmagnetic_share = 0.2\n',
)

CASES = {
    "field": (SHORT, ('"20 mT"', '"30 mT"'),
              '[field] strength was "20 mT" and is now "30 mT"'),
    "direction": (SHORT, ("direction = [1, 0, 0]", 'tilt = "10 deg"'),
                  "[field] direction was [1, 0, 0] and is now left out (and 1 more)"),
    "field left out": (SHORT, ('strength = "20 mT"\n', ""),
                       '[field] strength was "20 mT" and is now "0 mT" (left out)'),
    "gradient": (SHORT, ("direction = [1, 0, 0]", 'direction = [1, 0, 0]\ngradient = "1 T/m"'),
                 '[field] gradient was left out and is now "1 T/m"'),
    "step": (PROGRAMME, ('strength = "20 mT"\nf', 'strength = "25 mT"\nf'),
             '[[field.steps]] number 2 strength was "20 mT" and is now "25 mT"'),
    "frequency": (PROGRAMME, ("1 MHz", "2 MHz"),
                  '[[field.steps]] number 2 frequency was "1 MHz" and is now "2 MHz"'),
    "another step": (PROGRAMME, ("[dipoles]", STEPS[: STEPS.index("\n[[f") + 1] + "[dipoles]"),
                     "[[field.steps]] number 3 is new"),
    "fraction": (SHORT, ("volume_fraction = 0.03", 'core_volume_fraction = 0.02'),
                 "[particles] volume_fraction was 0.03 and is now left out (and 1 more)"),
    "sizes": (SHORT, ('core_diameter = "16 nm"', 'core_diameter = [["16 nm", 1.0]]'),
              '[particles] core_diameter was "16 nm" and is now [["16 nm", 1.0]]'),
    "material": (SHORT, ("volume_f", 'magnetisation = "400 kA/m"\nvolume_f'),
                 '[particles] magnetisation was left out and is now "400 kA/m"'),
    "beads": (BEADS, ('bead_diameter = "20 nm"', 'bead_diameter = "21 nm"'),
              '[particles] bead_diameter was "20 nm" and is now "21 nm"'),
    "temperature": (SHORT, ("[film]", '[carrier]\ntemperature = "300 K"\n[film]'),
                    '[carrier] temperature was "25 degC" (left out) and is now "300 K"'),
    "seed": (SHORT, ("seed = 7", "seed = 8"), "[run] seed was 7 and is now 8"),
    "title": (SHORT, ("small film", "a film"), 'title was "small film" and is now "a film"'),
    "magnet": (MOVING, ('"1.2 T"', '"1.3 T"'),
               '[[magnets]] number 1 remanence was "1.2 T" and is now "1.3 T"'),
    "magnet step": (MOVING, ("100 Hz", "200 Hz"),
                    '[[magnets]] number 1 [[magnets.steps]] number 1 rate was "100 Hz" and is now '
                    '"200 Hz"'),
    "grade": (MOVING, ('remanence = "1.2 T"', 'energy_product = "42 MGOe"'),
              '[[magnets]] number 1 remanence was "1.2 T" and is now left out (and 1 more)'),
}  # fmt: skip


def call(*words):
    return main([str(word) for word in words])


@pytest.fixture(scope="module")
def folder_of(tmp_path_factory):
    """Return a function that gives the folder of a short run of a film."""
    folders = {}

    def made(text):
        if text not in folders:
            folder = folders[text] = tmp_path_factory.mktemp("changed")
            (folder / "film.toml").write_text(text)
            words = ("--no-plots", "-q")
            assert call("run", folder / "film.toml", "-o", folder / "out", *words) == 0
        return folders[text] / "out"

    return made


@pytest.mark.parametrize("case", CASES)
def test_a_run_of_another_film_is_told_by_its_key(folder_of, tmp_path, capsys, case):
    text, (old, new), sentence = CASES[case]
    if "magnets" in text:
        pytest.importorskip("magpylib")
    folder = folder_of(text)
    before = (folder / "run.h5").read_bytes()
    assert text.count(old) == 1
    (tmp_path / "other.toml").write_text(text.replace(old, new))
    capsys.readouterr()
    assert call("run", tmp_path / "other.toml", "-o", folder, "--resume", "--no-plots") == 2
    told = capsys.readouterr().err
    assert f"{folder} cannot be resumed: {sentence}; only [run] duration may change" in told
    assert (folder / "run.h5").read_bytes() == before


def test_the_same_values_in_other_words_go_on(folder_of, tmp_path):
    text = SHORT.replace('"20 mT"', '"200 G"')
    text = text.replace(
        'shell_thickness = "2 nm"\n', ""
    )  # 2 nm is what stands where it is left out
    (tmp_path / "other.toml").write_text(text)
    assert text != SHORT
    assert (
        call("run", tmp_path / "other.toml", "-o", folder_of(SHORT), "--resume", "--no-plots", "-q")
        == 0
    )


def test_a_changed_file_of_sizes_is_told(tmp_path, capsys):
    text = SHORT.replace('"16 nm"', '{ file = "sizes.csv" }')
    (tmp_path / "film.toml").write_text(text)
    (tmp_path / "sizes.csv").write_text("15 nm, 1\n16 nm, 1\n")
    words = ["run", tmp_path / "film.toml", "-o", tmp_path / "out", "--no-plots", "-q"]
    assert call(*words) == 0
    (tmp_path / "sizes.csv").write_text("15 nm, 1\n17 nm, 1\n")
    assert call(*words, "--resume") == 2
    told = capsys.readouterr().err
    assert "resumed: sizes.csv, which [particles] core_diameter names, has changed; only" in told


def test_a_key_that_changes_nothing_is_not_named(folder_of, tmp_path, capsys):
    """Sizes without spread are the same by number and by volume."""
    text = SHORT.replace("volume_f", 'size_basis = "volume"\nvolume_f').replace("20 mT", "21 mT")
    (tmp_path / "other.toml").write_text(text)
    assert call("run", tmp_path / "other.toml", "-o", folder_of(SHORT), "--resume", "-q") == 2
    told = capsys.readouterr().err
    assert '[field] strength was "20 mT" and is now "21 mT"; only' in told


def test_a_sweep_of_other_films_is_told_by_its_key(tmp_path, capsys):
    text = (
        PROGRAMME.replace("seed = 7", "") + '[sweep]\n"particles.volume_fraction" = [0.02, 0.03]\n'
    )
    (tmp_path / "film.toml").write_text(text)
    words = ["sweep", tmp_path / "film.toml", "-o", tmp_path / "out", "--no-plots", "-q"]
    assert call(*words) == 0
    (tmp_path / "film.toml").write_text(
        text.replace('strength = "20 mT"\nf', 'strength = "25 mT"\nf')
    )
    capsys.readouterr()
    assert call(*words, "--resume") == 2
    told = capsys.readouterr().err
    assert 'in point 1: [[field.steps]] number 2 strength was "20 mT" and is now "25 mT")' in told
