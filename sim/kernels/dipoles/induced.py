"""Moments that saturate along the local field, and the mixing that makes them self-consistent.

Array kernels without checks, by design. Energies in kT, fields in kT over a moment. Sums over
particles are made of `BLOCKS` partial sums in fixed order, whatever the number of threads.
"""

import math

import numpy as np
from numba import njit, prange

BLOCKS = 64
"""Partial sums of one total."""
DEPTH = 3
"""Earlier iterates that the mixing remembers."""
SUMS = DEPTH * DEPTH + DEPTH
"""Products that the mixing sums: of changes with changes, and of changes with the residual."""
FEW = 1.0
"""Arguments below which series stand for differences that cancel."""
LEVELS = 10
STEPS = 6
ENDLESS = 20.0
"""Argument above which coth x is 1 in float64."""
NOTHING = 1e-6
"""Share of saturation under which moments are as good as none: they settle to this scale."""
MOST_SUMS = 100
"""Sums after which a search that has not settled is given up."""
RIDGE = 1e-12
"""Share added to the diagonal of the mixing's equations, against changes that repeat."""


@njit(cache=True, error_model="numpy")
def langevin_slope(x):
    """Return L(x)/x for x >= 0, which is 1/3 at 0.

    L(x) = coth x - 1/x = x/(3 + x^2/(5 + x^2/(7 + ...))), the continued fraction of a ratio of
    modified spherical Bessel functions (Lambert; from memory), free of cancellation.
    """
    if x >= FEW:
        return (1.0 / math.tanh(x) - 1.0 / x) / x
    tail = 2.0 * LEVELS + 3.0
    for level in range(LEVELS):
        tail = 2.0 * (LEVELS - level) + 1.0 + x * x / tail
    return 1.0 / tail


@njit(cache=True, error_model="numpy")
def inverse_langevin(share):
    """Return x with L(x) = share, for shares from 0 to 1; infinite at 1.

    Newton steps from x = s (3 - s^2)/(1 - s^2), which is good to 5 % (A. Cohen, Rheologica Acta
    vol 30, p 270 (1991), from memory); beyond 1 - 1/20 the inverse is 1/(1 - s) to the last digit
    and finite, up to 9e15, for every number below 1.
    """
    if share >= 1.0 - 1.0 / ENDLESS:
        return 1.0 / (1.0 - share)
    x = share * (3.0 - share * share) / (1.0 - share * share)
    for _ in range(STEPS):
        slope = langevin_slope(x)
        value = x * slope
        if x < FEW:
            derivative = 1.0 - value * value - 2.0 * slope
        else:
            derivative = 1.0 / (x * x) - 1.0 / math.sinh(x) ** 2
        x -= (value - share) / derivative
    return x


@njit(cache=True, error_model="numpy")
def holding_energy(moment, saturation, core_langevin):
    """Return w(m), the energy in kT at which a bead holds a moment of this size.

    w' is the field that holds it: w = (m_s/m_core) [s x - ln(sinh x/x)] with s = m/m_s = L(x);
    infinite at saturation.
    """
    if saturation == 0.0:
        return 0.0
    share = moment / saturation
    if share >= 1.0:
        return math.inf
    x = inverse_langevin(share)
    if x >= FEW:  # s x and x cancel but for (1 - s) x, which is 1 near saturation
        held = math.log(2.0 * x) - math.log1p(-math.exp(-2.0 * x)) - (1.0 - share) * x
    else:
        excess, term = 0.0, 1.0
        for k in range(1, LEVELS):
            term *= x * x / (2.0 * k * (2.0 * k + 1.0))
            excess += term
        held = share * x - math.log1p(excess)
    return saturation / core_langevin * held


@njit(cache=True, error_model="numpy")
def holding_energies(moments, saturation, core_langevin, out):
    """Set ``out`` to the energy of each bead, from its moment (N, 3)."""
    for i in range(moments.shape[0]):
        x, y, z = moments[i, 0], moments[i, 1], moments[i, 2]
        size = math.sqrt(x * x + y * y + z * z)
        out[i] = holding_energy(size, saturation[i], core_langevin)


@njit(cache=True, error_model="numpy")
def induced_moment(x, y, z, saturation, core_langevin):
    """Return the moment m_s L(core_langevin b) along the field b = (x, y, z)."""
    size = math.sqrt(x * x + y * y + z * z)
    pull = saturation * core_langevin * langevin_slope(core_langevin * size)
    return pull * x, pull * y, pull * z


@njit(cache=True, error_model="numpy")
def moment_change(changed, whole, full):
    """Return how far moments are from their response.

    Parameters
    ----------
    changed, whole, full : float
        Sums of the squares of their difference, of the response and of saturation.

    Returns
    -------
    float
        RMS of the difference over that of the response, or over 1e-6 of that of saturation where
        the moments are smaller, as after the field is switched off.
    """
    if changed == 0.0:
        return 0.0
    return math.sqrt(changed / max(whole, NOTHING * NOTHING * full))


@njit(cache=True, error_model="numpy")
def respond_block(block, field, saturation, core_langevin, moments, response, partials):
    """Do one block of `respond`."""
    count = moments.shape[0]
    changed = whole = full = 0.0
    for i in range(block * count // BLOCKS, (block + 1) * count // BLOCKS):
        found = induced_moment(field[i, 0], field[i, 1], field[i, 2], saturation[i], core_langevin)
        for axis in range(3):
            new = found[axis]
            change = new - moments[i, axis]
            response[i, axis] = new
            changed += change * change
            whole += new * new
        full += saturation[i] * saturation[i]
    partials[block, 0] = changed
    partials[block, 1] = whole
    partials[block, 2] = full


@njit(cache=True, error_model="numpy", parallel=True)
def respond(field, saturation, core_langevin, moments, response, partials):
    """Find the moments that a field induces, and how far they are from the present ones.

    Parameters
    ----------
    field : float64 (N, 3)
        Applied field and that of all dipoles, made by ``moments``.
    saturation : float64 (N,)
        Saturation moments m_s; 0 for rows without a moment.
    core_langevin : float
        Moment of one core, so that a field b has the Langevin parameter core_langevin b.
    moments : float64 (N, 3)
        Present moments.
    response : float64 (N, 3)
        Result: m_s L(core_langevin b) along b.
    partials : float64 (BLOCKS, SUMS)
        Scratch.

    Returns
    -------
    float
        Of `moment_change`.
    """
    for block in prange(BLOCKS):
        respond_block(block, field, saturation, core_langevin, moments, response, partials)
    changed = whole = full = 0.0
    for block in range(BLOCKS):
        changed += partials[block, 0]
        whole += partials[block, 1]
        full += partials[block, 2]
    return moment_change(changed, whole, full)


@njit(cache=True, error_model="numpy")
def remember_block(block, kept, place, moments, response, work):
    """Store the last change in one block, and sum the products of all ``kept`` changes."""
    count = moments.shape[0]
    partials = work.partials
    partials[block] = 0.0
    for i in range(block * count // BLOCKS, (block + 1) * count // BLOCKS):
        for axis in range(3):
            now = moments[i, axis]
            residual = response[i, axis] - now
            if kept > 0:
                work.moment_changes[place, i, axis] = now - work.last_moments[i, axis]
                work.residual_changes[place, i, axis] = residual - work.last_residual[i, axis]
            work.last_moments[i, axis] = now
            work.last_residual[i, axis] = residual
            for a in range(kept):
                first = work.residual_changes[a, i, axis]
                partials[block, DEPTH * DEPTH + a] += first * residual
                for b in range(a + 1):
                    partials[block, DEPTH * a + b] += first * work.residual_changes[b, i, axis]


@njit(cache=True, error_model="numpy")
def mix_block(block, kept, weights, moments, response, work):
    """Set the next moments of one block."""
    count = moments.shape[0]
    for i in range(block * count // BLOCKS, (block + 1) * count // BLOCKS):
        for axis in range(3):
            new = response[i, axis]
            for a in range(kept):
                change = work.moment_changes[a, i, axis] + work.residual_changes[a, i, axis]
                new -= weights[a] * change
            moments[i, axis] = new


@njit(cache=True, error_model="numpy")
def solve_weights(kept, partials, weights):
    """Solve the least-squares equations of the mixing from partial sums."""
    matrix = np.zeros((DEPTH, DEPTH))
    for a in range(kept):
        weights[a] = 0.0
        for block in range(BLOCKS):
            weights[a] += partials[block, DEPTH * DEPTH + a]
            for b in range(a + 1):
                matrix[a, b] += partials[block, DEPTH * a + b]
    eliminate(kept, matrix, weights)


@njit(cache=True, error_model="numpy")
def eliminate(kept, matrix, weights):
    """Solve the least-squares equations of the mixing, by elimination in fixed order.

    Parameters
    ----------
    kept : int
        Changes that are remembered.
    matrix : float64 (DEPTH, DEPTH)
        Lower half of the products of changes with changes; overwritten.
    weights : float64 (DEPTH,)
        Products of changes with the residual; overwritten by the weights of the changes.
    """
    for a in range(kept):
        for b in range(a):
            matrix[b, a] = matrix[a, b]
        matrix[a, a] *= 1.0 + RIDGE
    for a in range(kept):
        if matrix[a, a] <= 0.0:  # a change of nothing has no say
            matrix[a, a] = 1.0
            weights[a] = 0.0
        for b in range(a + 1, kept):
            factor = matrix[b, a] / matrix[a, a]
            weights[b] -= factor * weights[a]
            for c in range(a, kept):
                matrix[b, c] -= factor * matrix[a, c]
    for k in range(kept):
        a = kept - 1 - k
        for b in range(a + 1, kept):
            weights[a] -= matrix[a, b] * weights[b]
        weights[a] /= matrix[a, a]


@njit(cache=True, error_model="numpy", parallel=True)
def mix(step, moments, response, work):
    """Set ``moments`` to the next iterate of the fixed point moments = response.

    Parameters
    ----------
    step : int
        Iterates mixed before since the moments were last given: 0 at first.
    moments : float64 (N, 3)
        Present iterate; overwritten by the next one.
    response : float64 (N, 3)
        What `respond` makes of it.
    work : sim.engines.cpu_induced.MixingWork
        Earlier iterates, and scratch; needs no preparation for step 0.

    Notes
    -----
    D. G. Anderson, Journal of the ACM vol 12, p 547 (1965): the combination of the last iterates
    whose residual, response - moments, would be least if it were linear.
    """
    kept = min(step, DEPTH)
    place = (step - 1) % DEPTH
    for block in prange(BLOCKS):
        remember_block(block, kept, place, moments, response, work)
    weights = np.zeros(DEPTH)
    solve_weights(kept, work.partials, weights)
    for block in prange(BLOCKS):
        mix_block(block, kept, weights, moments, response, work)
