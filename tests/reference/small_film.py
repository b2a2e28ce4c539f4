"""A film that is simulated in about a second: for tests of commands, not of physics."""

FIELD = """\
[field]
strength = "20 mT"
direction = [1, 0, 0]
"""
SMALL_FILM = (
    """\
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
"""
    + FIELD
    + """\
[dipoles]
sum = "cutoff"
cutoff_diameters = 4.0
[run]
duration = "{duration}"
seed = 7
[output]
frames = {frames}
"""
)

SMALLEST_FILM = """
[particles]
core_diameter = "20 nm"
volume_fraction = 0.03
[film]
thickness = "0.4 um"
width = "1 um"
[run]
duration = "0.2 ms"
"""
"""What a parameter file cannot be without."""


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


def over_magnets(magnets, text=None):
    """Return the text of a film whose field is made by magnets instead of typed in."""
    text = small_film() if text is None else text
    assert FIELD in text
    return text.replace(FIELD, "") + magnets
