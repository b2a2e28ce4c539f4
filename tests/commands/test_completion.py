"""Completion scripts, asked as the shell itself asks them."""

import shutil
import subprocess

import pytest

from sim.command_line import main
from sim.commands.options import SHELLS


def completed(words, script, folder):
    """Return what bash offers for the last word.

    COMP_WORDS, COMP_CWORD and COMPREPLY as in the Bash Reference Manual, "Programmable Completion".
    """
    listed = " ".join(f"'{word}'" for word in words)
    ask = (
        f"{script}\nCOMP_WORDS=({listed}); COMP_CWORD={len(words) - 1}\n"
        "_shtab_chainfilm; printf '%s\\n' \"${COMPREPLY[@]}\""
    )
    done = subprocess.run(
        ["bash", "-c", ask], cwd=folder, capture_output=True, text=True, check=True
    )
    return done.stdout.split()


@pytest.mark.skipif(shutil.which("bash") is None, reason="needs bash")
def test_bash_completes_commands_options_and_files(tmp_path, capsys):
    assert main(["--completion", "bash"]) == 0
    script = capsys.readouterr().out
    (tmp_path / "film.toml").touch()
    assert completed(["chainfilm", "mea"], script, tmp_path) == ["measure"]
    found = completed(["chainfilm", "run", "--"], script, tmp_path)
    assert {"--resume", "--overwrite", "--threads", "--no-plots"} <= set(found)
    assert "--bond-distance" not in found
    assert "film.toml" in completed(["chainfilm", "run", "fi"], script, tmp_path)
    assert completed(["chainfilm", "plot", "--format", "p"], script, tmp_path) == ["png", "pdf"]


@pytest.mark.parametrize("shell", SHELLS)
def test_each_shell_has_a_script_that_names_all_commands(shell, capsys):
    assert main(["--completion", shell]) == 0
    script = capsys.readouterr().out
    for command in ("new", "check", "run", "sweep", "measure", "plot", "micrograph", "map"):
        assert command in script


def test_a_shell_that_is_not_known_is_told(capsys):
    assert main(["--completion", "%"]) == 2
    assert "known: bash, zsh, tcsh" in capsys.readouterr().err
