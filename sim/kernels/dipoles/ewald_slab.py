"""Exact sum of point dipoles that repeat in x and y and stand open in z.

Array kernels without checks, by design; `sim.interactions.ewald_plan` plans.

The Ewald splitting with parameter a writes the 1/r of two charges as erfc(a r)/r, summed over
images within a cutoff, plus a smooth rest, summed over in-plane wave vectors k. The smooth rest
of one k depends on z as a Gaussian-blurred exp(-k|z|). That function is expanded exactly by
Poisson's formula: its sum over copies a distance `period_z` apart is a Fourier series, so that
particles factorise (cost N K instead of N^2 K), and the copies, which lie beyond the blur and are
pure exponentials there, are taken off again in closed form, which factorises as well. For k = 0
the copies are taken off by the uniform field -4 pi M_z/V. Nothing is approximated but the ends of
converging series, whose terms fall as exp(-x^2).

Sources: D. E. Parry, Surf. Sci. 49, 433 (1975) for the two-dimensional splitting;
I.-C. Yeh and M. L. Berkowitz, J. Chem. Phys. 111, 3155 (1999) for the k = 0 term; both from
memory. The dipole forms are derivatives of them, checked in tests/unit/test_slab_sum.py against
the pairwise erfc form and against direct sums.
"""

import math

import numpy as np
from numba import njit

from sim.kernels.vectors.calls import address_of, kernel, on_blocks

# Sums may be reordered by the compiler (always in the same way), but NaN must stay NaN.
REORDER = {"reassoc", "contract"}
# Particles that share one pass over the wave vectors; a constant, as it decides the bits.
LANES = 16


@njit(cache=True, error_model="numpy", fastmath=REORDER, forceinline=True)
def pair_coefficients(r2, plan):
    """Radial factors (B, C, D) of the short-range dipole interaction; C = -B'/r, D = -C'/r.

    The bare factors 1/r^3, 3/r^5, 15/r^7 less their smooth parts, which are Boys functions F_1,
    F_2, F_3 of (a r)^2, here by Taylor series about the nearest point of a table
    (F_n' = -F_{n+1}); the left-out term is below 1e-14. Faster than erfc and exp.
    """
    t = r2 * plan.boys_scale
    place = int(t + 0.5)
    d1 = (place - t) * plan.boys_step
    d2 = d1 * d1 * 0.5
    d3 = d2 * d1 * (1.0 / 3.0)
    d4 = d2 * d2 * (1.0 / 6.0)
    d5 = d4 * d1 * 0.2
    d6 = d3 * d3 * 0.05
    row = plan.boys[place]
    f1 = row[0] + row[1] * d1 + row[2] * d2 + row[3] * d3 + row[4] * d4 + row[5] * d5 + row[6] * d6
    f2 = row[1] + row[2] * d1 + row[3] * d2 + row[4] * d3 + row[5] * d4 + row[6] * d5 + row[7] * d6
    f3 = row[2] + row[3] * d1 + row[4] * d2 + row[5] * d3 + row[6] * d4 + row[7] * d5 + row[8] * d6
    inverse2 = 1.0 / r2
    bare = inverse2 * math.sqrt(inverse2)
    b = bare - plan.smooth_b * f1
    bare = bare * inverse2 * 3.0
    c = bare - plan.smooth_c * f2
    d = bare * inverse2 * 5.0 - plan.smooth_d * f3
    return b, c, d


@njit(cache=True, error_model="numpy", inline="always")
def add_phases(j, position, step, real, imaginary):
    """Write exp(i n step position) for n = 0, 1, ... into column j of two tables."""
    c1 = math.cos(step * position)
    s1 = math.sin(step * position)
    c = 1.0
    s = 0.0
    for n in range(real.shape[0]):
        real[n, j] = c
        imaginary[n, j] = s
        c, s = c * c1 - s * s1, c * s1 + s * c1


@njit(cache=True, error_model="numpy", inline="always")
def phases_of_row(j, x, y, z, plan, work):
    """Fill the phase tables of one particle."""
    add_phases(j, x[j], 2.0 * math.pi / plan.width_x, work.x_real, work.x_imaginary)
    add_phases(j, y[j], 2.0 * math.pi / plan.width_y, work.y_real, work.y_imaginary)
    add_phases(j, z[j], 2.0 * math.pi / plan.period_z, work.z_real, work.z_imaginary)


@njit(cache=True, error_model="numpy", inline="always")
def in_plane_phase(j, nx, ny, work):
    """Real and imaginary part of exp(i k . r) in the plane; ny may be negative."""
    xr = work.x_real[nx, j]
    xi = work.x_imaginary[nx, j]
    yr = work.y_real[abs(ny), j]
    yi = work.y_imaginary[abs(ny), j]
    if ny < 0:
        yi = -yi
    return xr * yr - xi * yi, xr * yi + xi * yr


@njit(cache=True, error_model="numpy", fastmath=REORDER, forceinline=True)
def dots(e1, e2, e3, e4, cosine, sine):
    """Eight sums over the particles of a column's weights times cos and sin of h z."""
    c1 = c2 = c3 = c4 = s1 = s2 = s3 = s4 = 0.0
    for j in range(e1.shape[0]):
        c = cosine[j]
        s = sine[j]
        c1 += e1[j] * c
        c2 += e2[j] * c
        c3 += e3[j] * c
        c4 += e4[j] * c
        s1 += e1[j] * s
        s2 += e2[j] * s
        s3 += e3[j] * s
        s4 += e4[j] * s
    return c1, c2, c3, c4, s1, s2, s3, s4


@njit(cache=True, error_model="numpy", inline="always")
def structure_of_column(column, z, mx, my, mz, count, plan, work):
    """Structure factors of one in-plane wave vector for all h, and its layer sums."""
    kx = plan.wave_x[column]
    ky = plan.wave_y[column]
    k = math.sqrt(kx * kx + ky * ky)
    e = np.empty((4, count))
    with_layer = plan.layer_weight[column] != 0.0
    up_r = up_i = down_r = down_i = 0.0
    for j in range(count):
        er, ei = in_plane_phase(j, plan.index_x[column], plan.index_y[column], work)
        mu = kx * mx[j] + ky * my[j]
        e[0, j] = er * mu
        e[1, j] = ei * mu
        e[2, j] = er * mz[j]
        e[3, j] = ei * mz[j]
        if with_layer:
            # exp(+k z) carries exp(-k period_z) of the weight along, so that it never overflows.
            rise = math.exp(k * (z[j] - plan.period_z))
            fall = math.exp(-k * z[j])
            up_r += rise * (k * e[2, j] - e[1, j])
            up_i += rise * (k * e[3, j] + e[0, j])
            down_r += fall * (-k * e[2, j] - e[1, j])
            down_i += fall * (-k * e[3, j] + e[0, j])
    work.layer[column, 0] = up_r
    work.layer[column, 1] = up_i
    work.layer[column, 2] = down_r
    work.layer[column, 3] = down_i
    for n in range(plan.first[column + 1] - plan.first[column]):
        h = plan.wave_z[n]
        c1, c2, c3, c4, s1, s2, s3, s4 = dots(
            e[0], e[1], e[2], e[3], work.z_real[n, :count], work.z_imaginary[n, :count]
        )
        place = plan.first[column] + n
        weight = plan.weight[place]
        # S(+h) = A + B and S(-h) = A - B; kept are weight conj(A) and weight i conj(B).
        work.even_real[place] = weight * (c1 - h * s4)
        work.even_imaginary[place] = -weight * (c2 + h * s3)
        work.odd_real[place] = weight * (h * c4 + s1)
        work.odd_imaginary[place] = weight * (h * c3 - s2)


@njit(cache=True, error_model="numpy", fastmath=REORDER, forceinline=True)
def sums_over_h(column, plan, work, table, sums):
    """Moments of order 0, 1 and 2 in h of S* exp(i h z), real and imaginary, for LANES particles.

    `table` holds cos(h z), sin(h z) of the particles by rows of LANES, `sums` the six results:
    flat arrays with constant strides, which the compiler turns into vector code.
    """
    for lane in range(6 * LANES):
        sums[lane] = 0.0
    begin = plan.first[column]
    for n in range(plan.first[column + 1] - begin):
        h = plan.wave_z[n]
        er = work.even_real[begin + n]
        ei = work.even_imaginary[begin + n]
        odd_r = work.odd_real[begin + n]
        odd_i = work.odd_imaginary[begin + n]
        at = 2 * n * LANES
        for lane in range(LANES):
            c = table[at + lane]
            s = table[at + LANES + lane]
            ur = er * c + odd_r * s
            ui = ei * c + odd_i * s
            sums[lane] += ur
            sums[LANES + lane] += ui
            sums[2 * LANES + lane] += h * (odd_i * c - ei * s)
            sums[3 * LANES + lane] += h * (er * s - odd_r * c)
            sums[4 * LANES + lane] += h * h * ur
            sums[5 * LANES + lane] += h * h * ui


@njit(cache=True, error_model="numpy", inline="always")
def add_layer(column, z, mu, mz, er, ei, plan, work):
    """Take off the copies in z: in-plane and z parts of field and force, in-plane per k vector."""
    kx = plan.wave_x[column]
    ky = plan.wave_y[column]
    k = math.sqrt(kx * kx + ky * ky)
    rise = math.exp(k * (z - plan.period_z))
    fall = math.exp(-k * z)
    up_r = work.layer[column, 0]
    up_i = work.layer[column, 1]
    down_r = work.layer[column, 2]
    down_i = work.layer[column, 3]
    ar = rise * (er * down_r + ei * down_i)
    ai = rise * (ei * down_r - er * down_i)
    dr = fall * (er * up_r + ei * up_i)
    di = fall * (er * up_i - ei * up_r)
    weight = plan.layer_weight[column]
    in_plane_force = -weight * (mu * (ar + dr) + k * mz * (ai + di))
    force_z = weight * k * (k * mz * (ar + dr) - mu * (ai + di))
    return weight * (di - ai), weight * k * (ar - dr), in_plane_force, force_z


@njit(cache=True, error_model="numpy", inline="always")
def add_waves(block, z, mx, my, mz, count, plan, work, field, force):
    """Add the smooth part of all wave vectors, and the layer terms, to LANES rows."""
    begin = block * LANES
    lanes = min(LANES, count - begin)
    table = np.zeros(2 * LANES * plan.wave_z.shape[0])
    sums = np.empty(6 * LANES)
    for n in range(plan.wave_z.shape[0]):
        for lane in range(lanes):
            table[2 * n * LANES + lane] = work.z_real[n, begin + lane]
            table[(2 * n + 1) * LANES + lane] = work.z_imaginary[n, begin + lane]
    for column in range(plan.wave_x.shape[0]):
        sums_over_h(column, plan, work, table, sums)
        kx = plan.wave_x[column]
        ky = plan.wave_y[column]
        for lane in range(lanes):
            i = begin + lane
            mu = kx * mx[i] + ky * my[i]
            er, ei = in_plane_phase(i, plan.index_x[column], plan.index_y[column], work)
            r1 = sums[2 * LANES + lane]
            i1 = sums[3 * LANES + lane]
            y1 = er * i1 + ei * r1
            b = ei * sums[LANES + lane] - er * sums[lane]
            bz = ei * i1 - er * r1
            f = mu * (er * sums[LANES + lane] + ei * sums[lane]) + mz[i] * y1
            fz = mu * y1 + mz[i] * (er * sums[5 * LANES + lane] + ei * sums[4 * LANES + lane])
            if plan.layer_weight[column] != 0.0:
                more = add_layer(column, z[i], mu, mz[i], er, ei, plan, work)
                b += more[0]
                bz += more[1]
                f += more[2]
                fz += more[3]
            field[i, 0] += kx * b
            field[i, 1] += ky * b
            field[i, 2] += bz
            force[i, 0] += kx * f
            force[i, 1] += ky * f
            force[i, 2] += fz


@njit(cache=True, error_model="numpy", inline="always")
def gather_image(i, nx, ny, x, y, z, count, plan, near):
    """Collect separations and indices of one image of every particle within the cutoff of i."""
    wx = plan.width_x
    wy = plan.width_y
    per_x = 1.0 / wx
    per_y = 1.0 / wy
    limit = plan.cutoff * plan.cutoff
    own = i if nx == 0 and ny == 0 else -1
    found = 0
    for j in range(count):
        dx = x[i] - x[j]
        dy = y[i] - y[j]
        dz = z[i] - z[j]
        dx += wx * (nx - np.rint(dx * per_x))
        dy += wy * (ny - np.rint(dy * per_y))
        # Written always, counted by a comparison: processors guess such a branch badly.
        near[found, 0] = dx
        near[found, 1] = dy
        near[found, 2] = dz
        near[found, 3] = j
        found += (dx * dx + dy * dy + dz * dz <= limit) & (j != own)
    return found


@njit(cache=True, error_model="numpy", fastmath=REORDER, forceinline=True)
def add_near(i, found, near, mx, my, mz, plan, field, force):
    """Add the short-range part of the collected neighbours to row i."""
    ax = mx[i]
    ay = my[i]
    az = mz[i]
    bx = by = bz = fx = fy = fz = 0.0
    for n in range(found):
        rx = near[n, 0]
        ry = near[n, 1]
        rz = near[n, 2]
        j = int(near[n, 3])
        cx = mx[j]
        cy = my[j]
        cz = mz[j]
        b, c, d = pair_coefficients(rx * rx + ry * ry + rz * rz, plan)
        mi = ax * rx + ay * ry + az * rz
        mj = cx * rx + cy * ry + cz * rz
        bx += c * mj * rx - b * cx
        by += c * mj * ry - b * cy
        bz += c * mj * rz - b * cz
        radial = c * (ax * cx + ay * cy + az * cz) - d * mi * mj
        fx += radial * rx + c * (mj * ax + mi * cx)
        fy += radial * ry + c * (mj * ay + mi * cy)
        fz += radial * rz + c * (mj * az + mi * cz)
    field[i, 0] += bx
    field[i, 1] += by
    field[i, 2] += bz
    force[i, 0] += fx
    force[i, 1] += fy
    force[i, 2] += fz


@njit(cache=True, error_model="numpy", inline="always")
def real_part(i, x, y, z, mx, my, mz, count, plan, field, force):
    """Set row i to the short-range part: every image of every particle within the cutoff."""
    near = np.empty((count, 4))
    for axis in range(3):
        field[i, axis] = 0.0
        force[i, axis] = 0.0
    for nx in range(-plan.images_x, plan.images_x + 1):
        for ny in range(-plan.images_y, plan.images_y + 1):
            found = gather_image(i, nx, ny, x, y, z, count, plan, near)
            add_near(i, found, near, mx, my, mz, plan, field, force)


@kernel
def phases_part(i, film):
    """Fill the phase tables of one dipole."""
    phases_of_row(i, film.x, film.y, film.z, film.plan, film.work)


@kernel
def structure_part(column, film):
    """Sum the structure factors of one in-plane wave vector."""
    structure_of_column(column, film.z, film.mx, film.my, film.mz, film.count, film.plan, film.work)


@kernel
def near_part(i, film):
    """Set one row to the short-range part.

    A dipole does not feel its own smooth part; for k = 0, h = 0 see the module's text.
    """
    plan, field = film.plan, film.field
    mx, my, mz = film.mx, film.my, film.mz
    real_part(i, film.x, film.y, film.z, mx, my, mz, film.count, plan, field, film.force)
    field[i, 0] += plan.self_term * mx[i]
    field[i, 1] += plan.self_term * my[i]
    field[i, 2] += plan.self_term * mz[i] - plan.uniform_term * film.total[0]


@kernel
def waves_part(block, film):
    """Add the smooth part to some rows."""
    add_waves(
        block, film.z, film.mx, film.my, film.mz, film.count, film.plan, film.work, film.field,
        film.force,
    )  # fmt: skip


@kernel
def ewald_field_force(number, film):
    """Set field at, and force on, each of the dipoles, from all others and all images.

    Each thread writes its own rows and sums in a fixed order, so the bits do not depend on the
    number of threads.
    """
    total_z = 0.0
    for j in range(film.count):
        total_z += film.mz[j]
    film.total[0] = total_z
    calls, here = film.calls, address_of(film)
    on_blocks(calls[0:1], film.count, here)
    on_blocks(calls[1:2], film.plan.wave_x.shape[0], here)
    on_blocks(calls[2:3], film.count, here)
    on_blocks(calls[3:4], (film.count + LANES - 1) // LANES, here)


PARTS = (phases_part, structure_part, near_part, waves_part)
"""In the order of ``calls``."""
