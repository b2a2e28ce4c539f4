"""The words of the command line: commands, options and their help."""

from __future__ import annotations

import argparse
import difflib
import sys
from collections.abc import Callable, Iterable, Sequence
from typing import Any, NoReturn

from analysis.common import file_names

SHELLS = ("bash", "zsh", "tcsh")
MOTION_FRAMES = 60
"""Frames of a film in motion, where no number is given."""

_EPILOG = """\
exit codes: 0 done; 1 a run that failed; 2 bad input; 130 interrupted, checkpoint saved
start with: chainfilm new film.toml, chainfilm check film.toml, chainfilm run film.toml"""


class _Parser(argparse.ArgumentParser):
    """A parser whose errors are one line that names the nearest word."""

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"{self.prog}: {message}; see {self.prog} --help\n")

    def _check_value(self, action: argparse.Action, value: Any) -> None:
        if action.choices is None or value in action.choices:
            return
        words = [str(choice) for choice in action.choices]
        known = nearest(str(value), words) or "known: " + ", ".join(words)
        raise argparse.ArgumentError(action, f"invalid choice: {str(value)[:40]!r}; {known}")

    def options(self) -> list[str]:
        """Return all options, such as --output, and none of their short forms."""
        return [word for word in self._option_string_actions if word.startswith("--")]


class _Commands(_Parser):
    """The parser of all commands: an unknown option is told with the nearest of its command."""

    def parse_args(  # type: ignore[override]  # of argparse's forms the one that is used here
        self, args: Sequence[str] | None = None, namespace: argparse.Namespace | None = None
    ) -> argparse.Namespace:
        found, unknown = self.parse_known_args(args, namespace)
        if unknown:
            command: _Parser = found.parser
            word = next((w for w in unknown if w.startswith("-")), unknown[0])
            option = word.partition("=")[0]
            hint = nearest(option, command.options()) if option.startswith("--") else ""
            told = f"unknown option {option[:40]}" if word.startswith("-") else "too many words"
            shown = "" if word.startswith("-") else f": {' '.join(unknown)[:60]}"
            command.error(f"{told}{shown}" + (f"; {hint}" if hint else ""))
        return found


def nearest(word: str, known: Iterable[str]) -> str:
    """Name the nearest of the known words; "" where none is near.

    Parameters
    ----------
    word : str
        What was written.
    known : iterable of str
        What could have been meant.
    """
    found = difflib.get_close_matches(word.lower(), list(known), 1, 0.5)
    return f"the nearest is {found[0]}" if found else ""


def parser(commands: dict[str, Callable[[argparse.Namespace], int]]) -> argparse.ArgumentParser:
    """Return the parser of all commands.

    Parameters
    ----------
    commands : dict
        Function of each command, by name: `new`, `check`, `run`, `sweep`, `measure`, `plot`,
        `export`, `micrograph`, `map`, `fluid`, `design`.

    Returns
    -------
    argparse.ArgumentParser
        It stores the function of the chosen command as `function`.
    """
    top = _Commands(
        prog="chainfilm",
        description="Simulates magnetic nanoparticles in a thin liquid film and measures the "
        "chains that they build.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action=_Version, nargs=0, help="print the version and stop")
    top.add_argument(
        "--completion", action=_Completion, choices=SHELLS,
        help="print a script that teaches the shell to complete commands and options, and stop",
    )  # fmt: skip
    chosen = top.add_subparsers(
        title="commands", metavar="COMMAND", required=True, parser_class=_Parser
    )
    for name, describe in (
        ("new", _new),
        ("check", _check),
        ("run", _run),
        ("sweep", _sweep),
        ("measure", _measure),
        ("plot", _plot),
        ("export", _export),
        ("micrograph", _micrograph),
        ("map", _map),
        ("fluid", _fluid),
        ("design", _design),
    ):
        summary = (describe.__doc__ or "").rstrip(".")
        command = chosen.add_parser(name, help=summary, description=f"{summary}.")
        describe(command)
        command.set_defaults(function=commands[name], parser=command)
    return top


class _Version(argparse.Action):
    def __call__(self, parser: argparse.ArgumentParser, *_: Any) -> None:
        from sim.files.provenance import program_version

        sys.stdout.write(f"chainfilm {program_version()}\n")
        parser.exit()


class _Completion(argparse.Action):
    def __call__(self, parser: argparse.ArgumentParser, _: Any, shell: Any, *__: Any) -> None:
        import shtab

        chosen = next(action.choices for action in parser._actions if action.nargs == "A...")
        for command in dict(chosen or {}).values():
            for action in command._actions:
                if action.type is _path:
                    action.complete = shtab.FILE
        sys.stdout.write(shtab.complete(parser, shell=shell))
        parser.exit()


def _whole(least: int, most: int, last: str = "") -> Callable[[str], int]:
    """Return a reader of whole numbers in a range; `last` writes its end in words."""

    def read(text: str) -> int:
        # int() would also take full-width digits and 3_0
        plain = text.isascii() and text.removeprefix("+").isdigit() and len(text) < 30
        number = int(text) if plain else least - 1
        if not least <= number <= most:
            raise argparse.ArgumentTypeError(
                f"must be a whole number from {least} to {last or most}; received {text}"
            )
        return number

    return read


def _number(text: str) -> float:
    """Read a plain number."""
    from sim.physics.units import plain_number

    number = plain_number(text)
    if number is None:
        raise argparse.ArgumentTypeError(f"must be a number; received {text}")
    return number


def _path(text: str) -> str:
    """Give back a path; an empty one would be taken for the folder in which the user stands."""
    if not text:
        raise argparse.ArgumentTypeError("must name a file or folder; received an empty text")
    return text


def _new(command: argparse.ArgumentParser) -> None:
    """Write a commented parameter file to start from."""
    command.add_argument(
        "file", type=_path, nargs="?", metavar="FILE", help="default: film.toml; - to print"
    )
    command.add_argument(
        "--schema", action="store_true", help="write the JSON schema of parameter files instead"
    )


def _check(command: argparse.ArgumentParser) -> None:
    """Validate a parameter file and say what to expect and what it costs."""
    command.add_argument(
        "file", type=_path, nargs="?", metavar="FILE", help="parameter file; - for standard input"
    )
    command.add_argument(
        "--same", nargs=2, metavar="DIR",
        help="instead: say what differs between two runs; exit code 0 if their frames are the "
        "same bit for bit, 1 if not",
    )  # fmt: skip
    _device(command)
    _threads(command)
    _seed(command)
    command.add_argument("--json", action="store_true", help="print JSON")
    command.add_argument("--no-timing", action="store_true", help="leave the cost out")
    command.add_argument(
        "--figure", nargs="?", const="", metavar="PICTURE",
        help="draw the pair potential; default: FILE_pair_potential.png",
    )  # fmt: skip
    _ensemble(command)


def _run(command: argparse.ArgumentParser) -> None:
    """Simulate, measure and plot."""
    _file(command)
    _folder(command, "run")
    _device(command)
    _threads(command)
    _seed(command)
    _json(command)
    _loudness(command)


def _sweep(command: argparse.ArgumentParser) -> None:
    """Simulate, measure and plot every point of the [sweep] table and show the trends."""
    _file(command)
    _folder(command, "sweep")
    _workers(command, "default: all cores; changes no result")
    command.add_argument(
        "--cluster",
        metavar="ADDRESS",
        help="run on a Dask scheduler's workers, such as tcp://host:8786; local starts one here; "
        "default: processes of this machine",
    )
    _ensemble(command)
    _device(command)
    _seed(command)
    _json(command)
    _loudness(command)


def _measure(command: argparse.ArgumentParser) -> None:
    """Measure a run again, with other criteria or other frames."""
    _source(command)
    command.add_argument("--json", action="store_true", help="print measures.json")
    _loudness(command)


def _plot(command: argparse.ArgumentParser) -> None:
    """Draw the figures of a run again."""
    _source(command)
    command.add_argument("--format", choices=file_names.FORMATS, help="default: png")
    command.add_argument(
        "--animate", action="store_true",
        help="instead: the film in motion as GIF, and as MP4 where the program ffmpeg is there",
    )  # fmt: skip
    _frames(command, MOTION_FRAMES, "with --animate: ")
    command.set_defaults(frames=None)


def _export(command: argparse.ArgumentParser) -> None:
    """Write the frames of a run for viewers: VTK files in a series, and H5MD in nm and ps."""
    _run_source(command)
    _frames(command, 200)
    command.set_defaults(from_time=None, optics=None)


def _micrograph(command: argparse.ArgumentParser) -> None:
    """Measure the chains in a microscope picture as those of a simulated film."""
    command.add_argument(
        "image", type=_path, metavar="IMAGE", help="PNG, TIFF or JPEG, grey or colour"
    )
    command.add_argument(
        "--scale", metavar="LENGTH/px", help='length of a pixel, such as "0.1 um/px"; required'
    )
    command.add_argument(
        "-o",
        "--output",
        type=_path,
        metavar="DIR",
        help="folder for the results; default: IMAGE without ending",
    )
    command.add_argument("--json", action="store_true", help="print micrograph.json")


def _map(command: argparse.ArgumentParser) -> None:
    """Show the field of the magnets over the cell and what the film does there."""
    _file(command)
    command.add_argument(
        "-o", "--output", type=_path, metavar="DIR", help="folder of the map; default: FILE_map"
    )
    command.add_argument("--overwrite", action="store_true", help="replace a map in the folder")
    command.add_argument(
        "--time", metavar="TIME",
        help='of magnets that move: when, such as "2 ms" after the start; default: at the start',
    )  # fmt: skip
    command.add_argument(
        "--sweep", metavar="DIR",
        help="also lay measured spacing, width and length over the map, from a finished sweep of "
        "field strength, tilt, thickness or volume fraction",
    )  # fmt: skip
    command.add_argument(
        "--drift", metavar="TIME",
        help="also follow how particles drift to the magnets, for a time of 1 s to 100 years "
        'such as "1 week"; default: not',
    )  # fmt: skip
    _json(command)
    _loudness(command)


def _design(command: argparse.ArgumentParser) -> None:
    """Look for the film that meets a wish, by theory and by films that are run."""
    command.add_argument("file", type=_path, metavar="WISH", help="file of the wish")
    _folder(command, "search")
    _workers(command, "default: all cores; so many films are chosen at a time")
    _json(command)
    _loudness(command)


def _fluid(command: argparse.ArgumentParser) -> None:
    """Find the particles behind the sheet of a bottle, and fluids that fit it."""
    command.add_argument("file", type=_path, metavar="SHEET", help="sheet of the bottle (TOML)")
    command.add_argument(
        "-o", "--output", type=_path, metavar="DIR", help="folder; default: SHEET without ending"
    )
    command.add_argument("--overwrite", action="store_true", help="replace a bottle in the folder")
    command.add_argument(
        "--fluids", type=_whole(2, 100), metavar="N", default=12,
        help="fluids of the ensemble, all equally likely; default: 12",
    )  # fmt: skip
    _seed(command)
    _json(command)
    _loudness(command)


def _ensemble(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--ensemble", type=_path, metavar="FILE",
        help="with each fluid of this file, as `chainfilm fluid` writes it: numbers with the "
        "bottle's error beside their own; default: the fluid of the film, or that of its [sweep]",
    )  # fmt: skip


def _workers(command: argparse.ArgumentParser, more: str) -> None:
    command.add_argument(
        "--workers", type=_whole(1, 10_000), metavar="N",
        help=f"runs at a time, each on one thread; {more}",
    )  # fmt: skip


def _file(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "file", type=_path, metavar="FILE", help="parameter file; - for standard input"
    )


def _folder(command: argparse.ArgumentParser, what: str) -> None:
    command.add_argument(
        "-o",
        "--output",
        type=_path,
        metavar="DIR",
        help=f"folder of the {what}; default: FILE without ending",
    )
    command.add_argument("--resume", action="store_true", help="go on from the checkpoint")
    command.add_argument("--overwrite", action="store_true", help=f"replace a {what} in the folder")
    command.add_argument("--no-plots", action="store_true", help="no figures and no report")


def _json(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--json", action="store_true",
        help="print one JSON document instead of text: numbers with their errors, warnings, files",
    )  # fmt: skip


def _loudness(command: argparse.ArgumentParser) -> None:
    group = command.add_mutually_exclusive_group()
    group.add_argument(
        "-q", "--quiet", action="store_true",
        help="no progress, neither bars nor lines; errors and notices are told all the same",
    )  # fmt: skip
    group.add_argument(
        "-v", "--verbose", action="store_true",
        help="tell each phase, and progress every 10 s where there is no terminal (default: "
        "every minute)",
    )  # fmt: skip


def _device(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--device",
        choices=("cpu", "gpu"),
        default="cpu",
        help="where steps are computed: cores of this machine, or its graphics card; default: cpu",
    )


def _threads(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--threads",
        type=_whole(1, 10_000),
        metavar="N",
        help="threads; default: all cores; changes no result",
    )


def _seed(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--seed",
        type=_whole(0, 2**63 - 1, "2^63 - 1"),
        metavar="N",
        help="seed of the random numbers; default: that of FILE",
    )


def _frames(command: argparse.ArgumentParser, most: int, when: str = "") -> None:
    command.add_argument(
        "--frames", type=_whole(1, 10_000), metavar="N", default=most,
        help=f"{when}frames at most, evenly spread over the run; default: {most}",
    )  # fmt: skip


def _source(command: argparse.ArgumentParser) -> None:
    _run_source(command)
    command.add_argument(
        "--from-time",
        metavar="TIME",
        help='average from this time on, such as "0.1 ms"; default: the second half of the last '
        "steady stage",
    )
    command.add_argument(
        "--optics",
        metavar="FILE",
        help="parameter file whose [optics] table is used; default: that of the run",
    )


def _run_source(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "source",
        type=_path,
        metavar="DIR|FILE.h5",
        help="folder of a run or sweep, or an H5MD file",
    )
    command.add_argument(
        "-o",
        "--output",
        type=_path,
        metavar="DIR",
        help="folder for the results; default: beside the run",
    )
    command.add_argument(
        "--bond-distance",
        type=_number,
        metavar="X",
        help="largest bond length in mean diameters; default: as in the parameter file",
    )
    command.add_argument(
        "--bond-alignment",
        type=_number,
        metavar="X",
        help="least product of the two cosines; default: as in the parameter file",
    )
    command.add_argument(
        "--bond-energy",
        metavar="ENERGY",
        help='bonds by dipolar energy instead: below such as "-4 kT", or "auto" for half the '
        "contact energy",
    )
