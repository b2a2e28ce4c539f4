"""What the commands read from their options and how they lay out their text."""

from __future__ import annotations

import argparse
import shlex
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.common import file_names
from analysis.common.errors import InputError
from sim.commands.terminal import notice_lines

if TYPE_CHECKING:
    from sim.outlook.expectations import Expectations
    from sim.parameters.types import Parameters
    from sim.run.simulate import Run


class UsageError(InputError):
    """Something that the user asked for and that cannot be done; the text is one sentence."""


def shell_word(path: str | Path) -> str:
    """Return a path as a shell reads it: in quotes where it must be, and never as an option."""
    text = str(path)
    return shlex.quote(f"./{text}" if text.startswith("-") and text != "-" else text)


def again_text(command: str, file: str, directory: Path) -> str:
    """Return the line that goes on with a run or sweep."""
    return f"chainfilm {command} {shell_word(file)} -o {shell_word(directory)} --resume"


def loaded(file: str, seed: int | None) -> Parameters:
    """Read a parameter file, tell its notices, and give it another seed where one is given."""
    from sim.parameters.load import load

    parameters = load(file)
    notice_lines(parameters.notices)
    return parameters.with_seed(seed)


def results_of(args: argparse.Namespace) -> tuple[Path, Path]:
    """Return the run file and the folder that results go to."""
    path = Path(args.source)
    run_file = path / file_names.RUN if path.is_dir() else path
    if args.output:
        return run_file, Path(args.output)
    # a file of another name gets its own folder, so that it replaces nobody's results
    own = run_file.name == file_names.RUN
    return run_file, run_file.parent if own else run_file.with_suffix("")


def folder_of(args: argparse.Namespace, ending: str = "") -> Path:
    """Return the folder for the results of a parameter file.

    Raises
    ------
    UsageError
        If the parameters come from standard input, which names no folder, and -o is not given.
    """
    if args.output:
        return Path(args.output)
    if args.file == "-":
        raise UsageError("-o must name the folder when the parameters come from standard input")
    return Path(f"{Path(args.file).stem}{ending}")


def picture_of(args: argparse.Namespace) -> Path:
    """Return the path of the picture that `check` is to draw.

    Raises
    ------
    UsageError
        If its name does not end in a kind of picture.
    """
    stem = "film" if args.file == "-" else Path(args.file).stem
    path = Path(args.figure or f"{stem}_pair_potential.png")
    if path.suffix.lower()[1:] not in file_names.FORMATS:
        raise UsageError(f"--figure must name a .png, .svg or .pdf file; received {args.figure}")
    return path


def quantity_of(option: str, text: str, dimension: str) -> float:
    """Return the value of an option in SI, energies in kT at room temperature.

    Raises
    ------
    UsageError
        If it has no unit of its dimension.
    """
    from sim.physics.units import UnitError, parse

    try:
        return float(parse(text, dimension, 298.15))
    except UnitError as error:
        raise UsageError(f"{option}: {error}") from error


def criteria_of(args: argparse.Namespace) -> dict[str, Any]:
    """Return the arguments of `analysis.measures.measure.measure` that the options give.

    Raises
    ------
    UsageError
        If a criterion is out of its range or the time has no unit of time.
    """
    criteria: dict[str, Any] = {}
    for name, low, high in (("bond_distance", 1.0, 2.0), ("bond_alignment", -1.0, 1.0)):
        value = getattr(args, name)
        below = name == "bond_alignment"  # no two moments of a film are exactly in line
        if value is not None and not (low <= value <= high and not (below and value == high)):
            option, to = "--" + name.replace("_", "-"), "to below" if below else "to"
            raise UsageError(f"{option} must be from {low:g} {to} {high:g}; received {value:g}")
        criteria[name] = value
    criteria["bond_energy"] = _bond_energy(args.bond_energy)
    if criteria["bond_energy"] is not None and args.bond_alignment is not None:
        raise UsageError("--bond-alignment does not go with --bond-energy; give one of them")
    criteria["from_time"] = None
    if args.from_time is not None:
        criteria["from_time"] = quantity_of("--from-time", args.from_time, "time")
        if criteria["from_time"] < 0.0:
            raise UsageError(f'--from-time must be from 0 s; received "{args.from_time}"')
    if args.optics is not None:
        from dataclasses import asdict

        from sim.parameters.load import load

        criteria["optics"] = asdict(load(args.optics).optics)
    return criteria


def _bond_energy(text: str | None) -> float | str | None:
    """Return the limit in kT, "auto", or None where the option is not given."""
    if text is None or text == "auto":
        return text
    limit = quantity_of("--bond-energy", text, "energy")
    if not -1000.0 <= limit <= -0.5:
        raise UsageError(f'--bond-energy must be from -1000 kT to -0.5 kT; received "{text}"')
    return limit


def is_sweep_folder(args: argparse.Namespace) -> bool:
    """Return whether the source is the folder of a sweep.

    Raises
    ------
    UsageError
        If it is, and its results are to go elsewhere.
    """
    source = Path(args.source)
    if not (source / file_names.SWEEP).is_file() or (source / file_names.RUN).exists():
        return False
    if args.output:
        raise UsageError("-o does not go with the folder of a sweep; results are written beside it")
    return True


def table(rows: Iterable[tuple[str, str]]) -> str:
    """Return rows of name and value as lines with aligned values."""
    rows = list(rows)
    width = max((len(name) for name, _ in rows), default=0)
    return "\n".join(f"  {name:<{width}}  {value}" for name, value in rows)


def paragraphs(sentences: Iterable[str]) -> str:
    """Return sentences as wrapped, indented paragraphs."""
    from textwrap import fill

    return "\n".join(
        fill(sentence, 96, initial_indent="  ", subsequent_indent="    ") for sentence in sentences
    )


def outlook_text(expectations: Expectations) -> str:
    """Return what to expect and the cautions, each under its heading."""
    text = f"\nWhat to expect\n{paragraphs(expectations.sentences)}"
    if expectations.cautions:
        text += f"\n\nCautions\n{paragraphs(expectations.cautions)}"
    return text


def timing_text(run: Run) -> str:
    """Return how a run ended and where its wall time went."""
    clock = run.timing
    return (
        f"{run.reason}, {run.frames} frames; set-up {clock.get('setup_s', 0):.1f} s, "
        f"compiling {clock.get('compile_s', 0):.1f} s, "
        f"stepping {clock.get('stepping_s', 0):.1f} s on {clock.get('threads', 1):.0f} thread(s), "
        f"output {clock.get('output_s', 0):.1f} s"
    )
