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


def bead_film():
    """Return the text of a parameter file of multicore beads, a fifth of them small cores."""
    beads = """core_diameter = "10 nm"
moment = "multicore"
bead_diameter = "100 nm"
magnetic_share = 0.2
"""
    text = small_film().replace('core_diameter = "16 nm"\n', beads)
    return text.replace('"0.12 um"', '"0.6 um"').replace("count = 60", "count = 300")
