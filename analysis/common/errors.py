"""The one kind of error that a user can cause and mend."""

from __future__ import annotations


class InputError(ValueError):
    """Bad input: a file, value or folder that cannot be used; the text is one sentence."""
