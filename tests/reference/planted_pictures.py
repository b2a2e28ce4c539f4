"""Pictures of noise alone, blurred as by a microscope, and of stripes behind such noise."""

import numpy as np
from scipy.ndimage import gaussian_filter

SHAPE = (128, 160)


def blurred_noise(rng, blur, camera=0.0, shape=SHAPE):
    """Return noise behind a Gaussian point spread of ``blur`` pixels, of variance 1, about 5.

    ``camera`` is the standard deviation of the noise of single pixels on top.
    """
    noise = rng.standard_normal(shape)
    if blur:
        noise = gaussian_filter(noise, blur, mode="wrap")
    return 5.0 + noise / noise.std() + camera * rng.standard_normal(shape)


def striped_noise(rng, spacing, contrast, blur, shape=SHAPE, turn=0.5):
    """Return ``blurred_noise`` with a wave of an amplitude, ``spacing`` pixels long, turned."""
    y, x = np.mgrid[: shape[0], : shape[1]]
    phase = 2 * np.pi * (x * np.cos(turn) + y * np.sin(turn)) / spacing + rng.uniform(0, 6.28)
    return blurred_noise(rng, blur, shape=shape) + contrast * np.cos(phase)
