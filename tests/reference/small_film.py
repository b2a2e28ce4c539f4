"""A film that is simulated in about a second: for tests of commands, not of physics."""

SMALL_FILM = """\
title = "small film"
[particles]
core_diameter = "16 nm"
shell_thickness = "2 nm"
volume_fraction = 0.03
[film]
thickness = "0.12 um"
count = 60
[repulsion]
kind = "soft_core"
[field]
strength = "20 mT"
direction = [1, 0, 0]
[dipoles]
sum = "cutoff"
cutoff_diameters = 4.0
[run]
duration = "{duration}"
seed = 7
[output]
frames = {frames}
"""


def small_film(duration="4 us", frames=20):
    """Return the text of a parameter file."""
    return SMALL_FILM.format(duration=duration, frames=frames)
