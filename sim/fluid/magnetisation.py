"""How a fluid of many sizes is magnetised: alone, with interactions, and in an alternating field.

Every function takes many fluids at once. The law of sizes is that of films: log-normal, cut at
`sim.physics.sizes.LARGEST_DEVIATION` standard deviations.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.arrays import Floats
from analysis.common.constants import BOLTZMANN, MU0
from analysis.common.laws import langevin
from sim.physics import material
from sim.physics.sizes import LARGEST_DEVIATION

NODES = 16
"""Sizes that stand for the law: of its moments up to the sixth the error is below 1e-12."""
SPECTRUM_NODES = 48
"""The same for spectra, as Neel's time grows with the exponential of the volume: up to a spread of
0.5 their error is below 3e-4 of chi', where 16 leave 2e-2."""


@lru_cache(maxsize=2)
def size_nodes(count: int = NODES) -> tuple[Floats, Floats]:
    """Give deviations of ln(diameter) in units of the spread, and their shares by number.

    Returns
    -------
    deviations, shares : float64 (count,)
        Nodes of Gauss and Legendre with the weight of the cut normal law; shares add up to 1.
    """
    nodes, weights = np.polynomial.legendre.leggauss(count)
    deviations = LARGEST_DEVIATION * nodes
    shares = weights * np.exp(-0.5 * deviations**2)
    return deviations, shares / shares.sum()


@dataclass(frozen=True)
class Cores:
    """The cores of many fluids.

    Attributes
    ----------
    diameters : float64 (fluids, nodes)
        Core diameters in m.
    moments : float64 (fluids, nodes)
        Their moments in A m^2.
    shares : float64 (nodes,)
        Shares by number.
    number : float64 (fluids,)
        Cores in a m^3 of fluid.
    """

    diameters: Floats
    moments: Floats
    shares: Floats
    number: Floats

    @classmethod
    def of(
        cls,
        fraction: Floats,
        median: Floats,
        spread: Floats,
        dead: Floats,
        magnetisation: Floats,
        nodes: int = NODES,
    ) -> Cores:
        """Make the cores of fluids.

        Parameters
        ----------
        fraction : float64 (fluids,)
            Volume fraction of what is magnetic: cores without their dead layers.
        median, spread : float64 (fluids,)
            Number median of the core diameter in m, and standard deviation of its logarithm.
        dead : float64 (fluids,)
            Dead layer in m.
        magnetisation : float64 (fluids,)
            Saturation magnetisation of the cores in A/m.
        nodes : int
            Sizes that stand for the law of each.
        """
        deviations, shares = size_nodes(nodes)
        diameters = median[:, None] * np.exp(spread[:, None] * deviations)
        inner = np.maximum(diameters - 2.0 * dead[:, None], 0.0)
        magnetic = math.pi / 6.0 * inner * inner * inner  # far faster than a power
        number = fraction / np.maximum(magnetic @ shares, 1e-60)
        return cls(diameters, magnetisation[:, None] * magnetic, shares, number)

    def fraction(self, layer: Floats) -> Floats:
        """Volume fraction of the cores with a layer (fluids,) in m around each."""
        outer = np.maximum(self.diameters + 2.0 * layer[:, None], 0.0)
        found: Floats = self.number * ((math.pi / 6.0 * outer * outer * outer) @ self.shares)
        return found

    @property
    def saturation(self) -> Floats:
        """Saturation magnetisation of the fluids in A/m."""
        found: Floats = self.number * (self.moments @ self.shares)
        return found


def langevin_magnetisation(
    cores: Cores, field: Floats, temperature: float
) -> tuple[Floats, Floats]:
    """Magnetisation of cores that do not feel each other.

    Parameters
    ----------
    cores : Cores
        The fluids.
    field : float64 (fluids, fields) or (1, fields)
        Field H in A/m inside the fluid.
    temperature : float
        In K.

    Returns
    -------
    magnetisation, slope : float64 (fluids, fields)
        M_L = n sum_k f_k m_k L(xi_k), xi = mu0 m H/kT, in A/m, and dM_L/dH.

    Notes
    -----
    L' = 1 - L^2 - 2 L/xi.
    """
    strength = MU0 * cores.moments / (BOLTZMANN * temperature)
    xi = np.maximum(strength[:, None, :] * field[:, :, None], 1e-9)
    law = langevin(xi)
    weights = cores.number[:, None] * cores.shares * cores.moments
    found = np.einsum("sfk,sk->sf", law, weights)
    slope = np.einsum("sfk,sk->sf", 1.0 - law * law - 2.0 * law / xi, weights * strength)
    return found, slope


def magnetisation(cores: Cores, field: Floats, temperature: float) -> Floats:
    """Magnetisation of cores that feel each other, to second order.

    Parameters
    ----------
    cores : Cores
        The fluids.
    field : float64 (fields,)
        Field H in A/m inside the fluid.
    temperature : float
        In K.

    Returns
    -------
    float64 (fluids, fields)
        M = M_L(H_e) in A/m with H_e = H + (M_L(H)/3) [1 + (1/48) dM_L/dH].

    Notes
    -----
    Modified mean field of second order: A. O. Ivanov and O. B. Kuznetsova, Physical Review E
    vol 64, 041405 (2001), from memory; its initial slope is `initial_susceptibility`. Good for
    couplings up to about 2, where chains are rare.
    """
    alone, slope = langevin_magnetisation(cores, np.atleast_2d(field), temperature)
    inside = field + alone / 3.0 * (1.0 + slope / 48.0)
    return langevin_magnetisation(cores, inside, temperature)[0]


def langevin_susceptibility(cores: Cores, temperature: float) -> Floats:
    """Give the initial susceptibility of cores that feel no other, mu0 n <m^2>/3kT."""
    squares = np.square(cores.moments) @ cores.shares
    found: Floats = MU0 * cores.number * squares / (3.0 * BOLTZMANN * temperature)
    return found


def with_interactions(alone: Any) -> Any:
    """Susceptibility with interactions to second order, from that of cores that feel none.

    Parameters
    ----------
    alone : float, complex or ndarray
        chi_L, or of an alternating field the sum of Debye laws.

    Returns
    -------
    same
        chi_L (1 + chi_L/3 + chi_L^2/144), Ivanov and Kuznetsova (2001). Of an alternating field the
        first order is A. O. Ivanov, V. S. Zverev and S. S. Kantorovich, Soft Matter vol 12, p 3507
        (2016); that the second one goes alike is taken here, so that both agree at rest.
    """
    return alone * (1.0 + alone / 3.0 + alone**2 / 144.0)


def without_interactions(found: float) -> float:
    """Susceptibility chi_L that leads to one with interactions: `with_interactions` backwards."""
    roots = np.roots([1.0 / 144.0, 1.0 / 3.0, 1.0, -found])
    return float(next(root.real for root in roots if abs(root.imag) < 1e-9 and root.real >= 0.0))


@dataclass(frozen=True)
class Turning:
    """What moments turn by in an alternating field.

    Attributes
    ----------
    viscosity : float64 (fluids,)
        Of the carrier, in Pa s.
    anisotropy, attempt_time : float
        Of the cores, in J/m^3 and s.
    """

    viscosity: Floats
    anisotropy: float
    attempt_time: float


def spectrum(
    cores: Cores,
    shell: Floats,
    magnetisation: Floats,
    turning: Turning,
    frequency: Floats,
    temperature: float,
) -> NDArray[np.complex128]:
    """Susceptibility of a weak alternating field, chi' - i chi''.

    Parameters
    ----------
    cores : Cores
        The fluids, with `SPECTRUM_NODES` sizes.
    shell : float64 (fluids,)
        Thickness in m of the shell that turns with a core.
    magnetisation : float64 (fluids,)
        Saturation magnetisation of the cores in A/m.
    turning : Turning
        What their moments turn by.
    frequency : float64 (frequencies,)
        In Hz.
    temperature : float
        In K.

    Returns
    -------
    complex128 (fluids, frequencies)
        Debye laws of all sizes, P. Debye, Polar Molecules (1929), each with 1/tau = 1/tau_B +
        1/tau_N of its whole particle and its magnetic core; then `with_interactions`.
    """
    whole = cores.diameters + 2.0 * shell[:, None]
    thermal = BOLTZMANN * temperature
    brown = 0.5 * math.pi * turning.viscosity[:, None] * whole**3 / thermal
    volume = cores.moments / magnetisation[:, None]
    neel = material.neel_time(volume, turning.anisotropy, turning.attempt_time, temperature)
    times = 1.0 / (1.0 / brown + 1.0 / neel)
    weights = MU0 * cores.number[:, None] * cores.shares * cores.moments**2 / (3.0 * thermal)
    phase = 2.0 * math.pi * times[:, None, :] * frequency[:, None]
    alone = np.einsum("sk,sfk->sf", weights, 1.0 / (1.0 + 1j * phase))
    found: NDArray[np.complex128] = with_interactions(alone)
    return found
