"""Between the transforms: each wave vector's forces through its modes, with their noise.

A mode's amplitude is pace times its share of the forces, plus a normal complex number: sums of
such modes have the mobility as covariance. The numbers hang on seed, step, wave vector and mode
alone. No checks by design.
"""

import math

import numpy as np
from numba import njit

from sim.kernels.steps.noise import normal_pair, philox
from sim.kernels.vectors.calls import kernel

u64 = np.uint64
STREAM = 16  # those of `normals` are 0 and 1
HALF_ROOT = math.sqrt(0.5)


@njit(cache=True, error_model="numpy", inline="always")
def mode_noise(a, b, points_x, waves_y, mode, step, seed):
    """Return real and imaginary part of a mode's normal number, of mean square 1.

    That of -k is the conjugate of that of k; of k = 0, where modes are imaginary, it is too.
    """
    mirrored = b == 0 and 2 * a > points_x
    from_a = points_x - a if mirrored else a
    low = u64(0xFFFFFFFF)
    first, second, _, _ = philox(
        u64(from_a * waves_y + b), step & low, step >> u64(32), u64(STREAM + mode), seed
    )
    x, y = normal_pair(first, second)
    if from_a == 0 and b == 0:
        return 0.0, float(x)
    return HALF_ROOT * x, -HALF_ROOT * y if mirrored else HALF_ROOT * y


@njit(cache=True, error_model="numpy", inline="always")
def direction(wave_x, wave_y):
    """Return the direction of a wave vector, that of x for none."""
    wave = math.hypot(wave_x, wave_y)
    if wave > 0.0:
        return np.float32(wave_x / wave), np.float32(wave_y / wave)
    return np.float32(1.0), np.float32(0.0)


@njit(cache=True, error_model="numpy", inline="always")
def read_forces(source, x, y, scale, forces):
    """Turn the forces of a wave vector into those along it, beside it and across the film."""
    for k in range(forces.shape[2]):
        for part in range(2):
            fx, fy = source[0, k, part] * scale, source[1, k, part] * scale
            forces[0, part, k] = x * fx + y * fy
            forces[1, part, k] = x * fy - y * fx
            forces[2, part, k] = source[2, k, part] * scale


@njit(cache=True, error_model="numpy", inline="always")
def write_flow(flow, x, y, scale, target):
    """Turn the flow of a wave vector back into its components."""
    for k in range(flow.shape[2]):
        for part in range(2):
            along, beside = flow[0, part, k] * scale, flow[1, part, k] * scale
            target[0, k, part] = x * along - y * beside
            target[1, k, part] = y * along + x * beside
            target[2, k, part] = flow[2, part, k] * scale


@njit(cache=True, error_model="numpy", inline="always")
def share(row, of_real, of_imaginary):
    """Return -i times a row's share of forces."""
    real = np.float32(0.0)
    imaginary = np.float32(0.0)
    for k in range(u64(row.size)):
        real += row[k] * of_imaginary[k]
        imaginary -= row[k] * of_real[k]
    return real, imaginary


@njit(cache=True, error_model="numpy", inline="always")
def add_mode(row, real, imaginary, flow_real, flow_imaginary):
    """Add i times an amplitude times a row to a flow."""
    for k in range(u64(row.size)):
        flow_real[k] -= imaginary * row[k]
        flow_imaginary[k] += real * row[k]


@njit(cache=True, error_model="numpy", inline="always")
def answer_wave(a, b, mirrored, waves, film, step, seed, forces, flow):
    """Find the flow of a wave vector (a, b) from its forces, by all its modes, with their noise.

    ``mirrored`` is the row of its modes in the tables, ``waves`` the shape of the spectrum.
    """
    half = forces.shape[2] // 2
    pace = np.float32(film.pace)
    at = film.begin[mirrored, b]
    mode = 0
    for kind in range(4):
        axis, parity = kind // 2, kind % 2
        low = (1 - parity if axis == 0 else parity) * half
        high = low + half
        for _ in range(film.counts[mirrored, b, kind]):
            row = film.table[at : at + half]
            real, imaginary = share(row, forces[axis, 0, low:high], forces[axis, 1, low:high])
            at += half
            if axis == 0:
                other = film.table[at : at + half]
                first = parity * half
                more, less = share(
                    other, forces[2, 0, first : first + half], forces[2, 1, first : first + half]
                )
                real -= less
                imaginary += more
                at += half
            real *= pace
            imaginary *= pace
            if film.amplitude != 0.0:
                u, v = mode_noise(a, b, waves[0], waves[1], mode, step, seed)
                real += np.float32(film.amplitude * u)
                imaginary += np.float32(film.amplitude * v)
            mode += 1
            add_mode(row, real, imaginary, flow[axis, 0, low:high], flow[axis, 1, low:high])
            if axis == 0:  # the part across the film is without the factor i
                add_mode(
                    other, imaginary, -real, flow[2, 0, first : first + half],
                    flow[2, 1, first : first + half],
                )  # fmt: skip


@kernel(fastmath=True)
def modes_part(a, film):
    """Turn forces into velocities, for a plane of wave vectors along the windows."""
    points_x, waves_y = film.spectrum.shape[0], film.spectrum.shape[1]
    half = film.spectrum.shape[3] // 2
    forces = np.empty((3, 2, 2 * half), np.float32)
    flow = np.empty((3, 2, 2 * half), np.float32)
    mirrored = min(a, points_x - a)
    step, seed = u64(film.step), u64(film.seed)
    for b in range(waves_y):
        if film.begin[mirrored, b] < 0:
            film.spectrum[a, b] = np.float32(0.0)
            continue
        x, y = direction(film.wave_x[a], film.wave_y[b])
        scale = np.float32(film.scale_x[a] * film.scale_y[b])
        read_forces(film.spectrum[a, b], x, y, scale, forces)
        flow[:] = np.float32(0.0)
        answer_wave(a, b, mirrored, (points_x, waves_y), film, step, seed, forces, flow)
        write_flow(flow, x, y, scale, film.spectrum[a, b])
