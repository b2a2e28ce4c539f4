"""The words that pair laws are written in: one text for arrays, scalars, vectors (and CUDA later).

Called from plain Python they work on numpy arrays; inside compiled code numba
replaces them by a select, a reciprocal root and a polynomial for scalars here,
and for vectors in ``sim.kernels.vectors.types``.
"""

import math

import numpy as np
from numba import types
from numba.extending import overload


def where(condition, x, y):
    """Return ``x`` where the condition holds and ``y`` elsewhere; both are evaluated."""
    return np.where(condition, x, y)


def rsqrt(x):
    """Return 1/sqrt(x)."""
    return 1.0 / np.sqrt(x)


def fma(x, y, z):
    """Return x y + z, in one operation where the processor has it."""
    return x * y + z


def log(x):
    """Return the natural logarithm; energies use it, so that it has no vector form."""
    return np.log(x)


@overload(where, jit_options={"forceinline": True})
def _where_scalar(condition, x, y):
    if isinstance(condition, types.Boolean):

        def choose(condition, x, y):
            return x if condition else y

        return choose
    return None


@overload(rsqrt, jit_options={"forceinline": True})
def _rsqrt_scalar(x):
    if isinstance(x, types.Float):

        def invert(x):
            return 1.0 / math.sqrt(x)

        return invert
    return None


@overload(fma, jit_options={"forceinline": True})
def _fma_scalar(x, y, z):
    if isinstance(z, types.Float):

        def multiply_add(x, y, z):
            return x * y + z

        return multiply_add
    return None


@overload(log, jit_options={"forceinline": True})
def _log_scalar(x):
    if isinstance(x, types.Float):

        def logarithm(x):
            return math.log(x)

        return logarithm
    return None
