"""The words of the command line: commands, options and their help."""

from __future__ import annotations

import argparse
from collections.abc import Callable

from analysis.common import file_names
from sim.commands.words.parsing import Commands, Completion, Parser, Version, number, path, whole

SHELLS = ("bash", "zsh", "tcsh")
MOTION_FRAMES = 60
"""Frames of a film in motion, where no number is given."""

_EPILOG = """\
exit codes: 0 done; 1 a run that failed; 2 bad input; 130 interrupted, checkpoint saved
start with: chainfilm new film.toml, chainfilm check film.toml, chainfilm run film.toml"""


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
    top = Commands(
        prog="chainfilm",
        description="Simulates magnetic nanoparticles in a thin liquid film and measures the "
        "chains that they build.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action=Version, nargs=0, help="print the version and stop")
    top.add_argument(
        "--completion", action=Completion, choices=SHELLS,
        help="print a script that teaches the shell to complete commands and options, and stop",
    )  # fmt: skip
    chosen = top.add_subparsers(
        title="commands", metavar="COMMAND", required=True, parser_class=Parser
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


def _new(command: argparse.ArgumentParser) -> None:
    """Write a commented parameter file to start from."""
    command.add_argument(
        "file", type=path, nargs="?", metavar="FILE", help="default: film.toml; - to print"
    )
    command.add_argument(
        "--schema", action="store_true", help="write the JSON schema of parameter files instead"
    )


def _check(command: argparse.ArgumentParser) -> None:
    """Validate a parameter file and say what to expect and what it costs."""
    command.add_argument(
        "file", type=path, nargs="?", metavar="FILE", help="parameter file; - for standard input"
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
        "image", type=path, metavar="IMAGE", help="PNG, TIFF or JPEG, grey or colour"
    )
    command.add_argument(
        "--scale", metavar="LENGTH/px", help='length of a pixel, such as "0.1 um/px"; required'
    )
    command.add_argument(
        "-o",
        "--output",
        type=path,
        metavar="DIR",
        help="folder for the results; default: IMAGE without ending",
    )
    command.add_argument("--json", action="store_true", help="print micrograph.json")


def _map(command: argparse.ArgumentParser) -> None:
    """Show the field of the magnets over the cell and what the film does there."""
    _file(command)
    command.add_argument(
        "-o", "--output", type=path, metavar="DIR", help="folder of the map; default: FILE_map"
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
    command.add_argument("file", type=path, metavar="WISH", help="file of the wish")
    _folder(command, "search")
    _workers(command, "default: all cores; so many films are chosen at a time")
    _json(command)
    _loudness(command)


def _fluid(command: argparse.ArgumentParser) -> None:
    """Find the particles behind the sheet of a bottle, and fluids that fit it."""
    command.add_argument("file", type=path, metavar="SHEET", help="sheet of the bottle (TOML)")
    command.add_argument(
        "-o", "--output", type=path, metavar="DIR", help="folder; default: SHEET without ending"
    )
    command.add_argument("--overwrite", action="store_true", help="replace a bottle in the folder")
    command.add_argument(
        "--fluids", type=whole(2, 100), metavar="N", default=12,
        help="fluids of the ensemble, all equally likely; default: 12",
    )  # fmt: skip
    _seed(command)
    _json(command)
    _loudness(command)


def _ensemble(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--ensemble", type=path, metavar="FILE",
        help="with each fluid of this file, as `chainfilm fluid` writes it: numbers with the "
        "bottle's error beside their own; default: the fluid of the film, or that of its [sweep]",
    )  # fmt: skip


def _workers(command: argparse.ArgumentParser, more: str) -> None:
    command.add_argument(
        "--workers", type=whole(1, 10_000), metavar="N",
        help=f"runs at a time, each on one thread; {more}",
    )  # fmt: skip


def _file(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "file", type=path, metavar="FILE", help="parameter file; - for standard input"
    )


def _folder(command: argparse.ArgumentParser, what: str) -> None:
    command.add_argument(
        "-o",
        "--output",
        type=path,
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
        type=whole(1, 10_000),
        metavar="N",
        help="threads; default: all cores; changes no result",
    )


def _seed(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--seed",
        type=whole(0, 2**63 - 1, "2^63 - 1"),
        metavar="N",
        help="seed of the random numbers; default: that of FILE",
    )


def _frames(command: argparse.ArgumentParser, most: int, when: str = "") -> None:
    command.add_argument(
        "--frames", type=whole(1, 10_000), metavar="N", default=most,
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
        type=path,
        metavar="DIR|FILE.h5",
        help="folder of a run or sweep, or an H5MD file",
    )
    command.add_argument(
        "-o",
        "--output",
        type=path,
        metavar="DIR",
        help="folder for the results; default: beside the run",
    )
    command.add_argument(
        "--bond-distance",
        type=number,
        metavar="X",
        help="largest bond length in mean diameters; default: as in the parameter file",
    )
    command.add_argument(
        "--bond-alignment",
        type=number,
        metavar="X",
        help="least product of the two cosines; default: as in the parameter file",
    )
    command.add_argument(
        "--bond-energy",
        metavar="ENERGY",
        help='bonds by dipolar energy instead: below such as "-4 kT", or "auto" for half the '
        "contact energy",
    )
