"""What is raised where a parameter file cannot be used."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["ParameterError"]


MOST_TOLD = 100
"""So many mistakes of a file are told; of the others their number is."""


class ParameterError(ValueError):
    """A parameter file that cannot be used.

    Parameters
    ----------
    name : str
        The file, as messages call it.
    problems : sequence of str
        One sentence a mistake, each naming key, value and allowed range.
    """

    def __init__(self, name: str, problems: Sequence[str]) -> None:
        super().__init__(name, list(problems))
        self.name = name
        self.problems = list(problems)

    def __str__(self) -> str:
        count = len(self.problems)
        head = f"{self.name}: {count} mistake{'' if count == 1 else 's'}"
        told = self.problems[:MOST_TOLD]
        if count > MOST_TOLD:
            told = [*told, f"and {count - MOST_TOLD} more."]
        return "\n  ".join([head, *told])
