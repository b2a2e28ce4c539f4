"""Short-range part of the dipole interaction beside a mesh: one formula for all lanes.

Like `sim.kernels.laws.pairs`: text without a branch on the distance, for numpy arrays, compiled
scalars and vectors.
"""

from numba import types
from numba.extending import overload, register_jitable

from sim.kernels.laws.pairs import dipole_radial
from sim.kernels.vectors.ops import rsqrt, where


@register_jitable(forceinline=True)
def screened_radial(r2, cutoff2, table):
    """Return the radial factors (B, C, D) of two point dipoles less those of their clouds.

    As `pair_laws.dipole_radial`, 1/r^3, 3/r^5 and 15/r^7, less the smooth part that the mesh
    sums; nothing is left at and beyond the cut-off. ``table`` comes from
    `sim.interactions.mesh.tables.screening_table`: a scale, and polynomials in r^2.
    """
    y = rsqrt(r2)
    inverse2 = y * y
    u = r2 * table[0] - 1.0
    b = table[1] * u + table[4]
    c = table[2] * u + table[5]
    d = table[3] * u + table[6]
    for k in range(7, table.shape[0], 3):
        b = b * u + table[k]
        c = c * u + table[k + 1]
        d = d * u + table[k + 2]
    bare = y * inverse2
    b = bare - b
    bare = 3.0 * bare * inverse2
    c = bare - c
    d = 5.0 * bare * inverse2 - d
    near = r2 < cutoff2
    return where(near, b, 0.0), where(near, c, 0.0), where(near, d, 0.0)


def dipole_factors(r2, cutoff2, screening):
    """Return the radial factors of two dipoles: bare without a table, else less their clouds.

    The choice falls when a kernel is compiled.
    """
    if screening is None:
        return dipole_radial(r2, cutoff2)
    return screened_radial(r2, cutoff2, screening)


@overload(dipole_factors, inline="always")
def _dipole_factors(r2, cutoff2, screening):
    if isinstance(screening, types.NoneType):

        def bare(r2, cutoff2, screening):
            return dipole_radial(r2, cutoff2)

        return bare

    def screened(r2, cutoff2, screening):
        return screened_radial(r2, cutoff2, screening)

    return screened
