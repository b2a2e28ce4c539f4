"""What both packages count by: rest, a patch that is wide enough, what chains do at a place."""

from __future__ import annotations

SETTLING_LIVES = 10.0
"""Bond lives of the largest tenth that a film needs to forget how it began."""
SPACINGS_WANTED, LENGTHS_WANTED = 20.0, 5.0
"""Chain spacings that a patch should hold across the field, and mean lengths along it."""
NO_CHAINS, IN_PLANE, STANDING = 0, 1, 2
"""What chains do at a place of a cell; values of the column ``state``."""
