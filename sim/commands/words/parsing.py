"""How words on the command line are read: the parser, its errors, numbers and paths."""

from __future__ import annotations

import argparse
import difflib
import sys
from collections.abc import Callable, Iterable, Sequence
from typing import Any, NoReturn


class Parser(argparse.ArgumentParser):
    """A parser whose errors are one line that names the nearest word."""

    def error(self, message: str) -> NoReturn:
        """Tell a mistake in a line and end with code 2."""
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


class Commands(Parser):
    """The parser of all commands: an unknown option is told with the nearest of its command."""

    def parse_args(  # type: ignore[override]  # of argparse's forms the one that is used here
        self, args: Sequence[str] | None = None, namespace: argparse.Namespace | None = None
    ) -> argparse.Namespace:
        """Read all words; one that no command knows is a mistake."""
        found, unknown = self.parse_known_args(args, namespace)
        if unknown:
            command: Parser = found.parser
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


class Version(argparse.Action):
    """Print the version and stop."""

    def __call__(self, parser: argparse.ArgumentParser, *_: Any) -> None:
        """Do so."""
        from sim.files.provenance import program_version

        sys.stdout.write(f"chainfilm {program_version()}\n")
        parser.exit()


class Completion(argparse.Action):
    """Print a script that teaches a shell to complete words and files, and stop."""

    def __call__(self, parser: argparse.ArgumentParser, _: Any, shell: Any, *__: Any) -> None:
        """Do so."""
        import shtab

        chosen = next(action.choices for action in parser._actions if action.nargs == "A...")
        for command in dict(chosen or {}).values():
            for action in command._actions:
                if action.type is path:
                    action.complete = shtab.FILE
        sys.stdout.write(shtab.complete(parser, shell=shell))
        parser.exit()


def whole(least: int, most: int, last: str = "") -> Callable[[str], int]:
    """Return a reader of whole numbers in a range.

    Parameters
    ----------
    least, most : int
        Ends of the range.
    last : str, optional
        Its end in words.

    Returns
    -------
    callable
        Takes a text and raises ``argparse.ArgumentTypeError`` where it is no such number.
    """

    def read(text: str) -> int:
        # int() would also take full-width digits and 3_0
        plain = text.isascii() and text.removeprefix("+").isdigit() and len(text) < 30
        found = int(text) if plain else least - 1
        if not least <= found <= most:
            raise argparse.ArgumentTypeError(
                f"must be a whole number from {least} to {last or most}; received {text}"
            )
        return found

    return read


def number(text: str) -> float:
    """Read a plain number.

    Parameters
    ----------
    text : str
        What was written.

    Returns
    -------
    float
        The number.

    Raises
    ------
    argparse.ArgumentTypeError
        If it is none.
    """
    from sim.physics.units import plain_number

    found = plain_number(text)
    if found is None:
        raise argparse.ArgumentTypeError(f"must be a number; received {text}")
    return found


def path(text: str) -> str:
    """Give back a path; an empty one would be taken for the folder in which the user stands."""
    if not text:
        raise argparse.ArgumentTypeError("must name a file or folder; received an empty text")
    return text
