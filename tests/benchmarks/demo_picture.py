"""A figure of a demo made small for the pages: as wide as a page needs, with a palette of colours.

Run from the top of the project:

    python -m tests.benchmarks.demo_picture sphere_map/figures/chains_map.png \\
        runs_demo/sphere_under_cell

Writes the picture under the same name, or that of --name, into the folder.
"""

import argparse
from pathlib import Path

import matplotlib as mpl
import numpy as np
from PIL import Image

from analysis.pictures import style

WIDEST = 1200
"""Pixels."""


def palette():
    """Return the 256 colours of our figures: the colour map, greys, and inks blent with white.

    A palette made from the picture would leave out what is small, such as a red arrow.
    """
    shades = list(mpl.colormaps[style.COLOUR_MAP](np.linspace(0.0, 1.0, 160))[:, :3])
    shades += [np.full(3, grey) for grey in np.linspace(0.0, 1.0, 32)]
    for colour in (style.MARK, style.FIRST, style.SECOND, style.THIRD):
        ink = np.array(mpl.colors.to_rgb(colour))
        shades += [ink + share * (1.0 - ink) for share in np.linspace(0.0, 0.9, 16)]
    found = Image.new("P", (1, 1))
    found.putpalette(np.round(255.0 * np.array(shades)).astype(np.uint8).tobytes())
    return found


def make_small(source, target, widest=WIDEST):
    """Write a smaller copy of a picture and return its size in bytes."""
    picture = Image.open(source).convert("RGB")
    if picture.width > widest:
        height = round(picture.height * widest / picture.width)
        picture = picture.resize((widest, height), Image.Resampling.LANCZOS)
    small = picture.quantize(palette=palette(), dither=Image.Dither.NONE)
    small.save(target, "png", optimize=True)
    return Path(target).stat().st_size


def main():
    """Read the command line."""
    command = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    command.add_argument("source", type=Path)
    command.add_argument("folder", type=Path)
    command.add_argument("--name", help="of the picture; left out, that of the source")
    command.add_argument("--width", type=int, default=WIDEST, help="at most, in pixels")
    args = command.parse_args()
    target = args.folder / (args.name or args.source.name)
    print(f"{target}: {make_small(args.source, target, args.width) / 1000:.0f} kB")


if __name__ == "__main__":
    main()
