"""Light against textbooks: grating angles, mixtures, depolarisation, thin gratings, absorption."""

import math

import numpy as np
import pytest
from scipy.special import jv, zeta

from analysis.optics.far_field import diffracted
from analysis.optics.mixture import (
    Mixture,
    bruggeman,
    chain_depolarisation,
    coated_sphere,
    filled_index,
    grating_angle,
    maxwell_garnett,
    transmittance,
)
from analysis.optics.projection import resolved
from analysis.optics.touching_spheres import depolarisation_beyond_dipoles


@pytest.mark.parametrize(
    ("period", "green", "red"),
    # Grating equation at normal incidence, first order, 532 and 633 nm: own evaluation.
    [(1, 32.141, 39.272), (2, 15.426, 18.451), (3, 10.214, 12.181), (5, 6.108, 7.273)],
)
def test_first_order_angles(period, green, red):
    for wavelength, angle in ((532e-9, green), (633e-9, red)):
        found = math.degrees(grating_angle(period * 1e-6, wavelength))
        assert found == pytest.approx(angle, abs=6e-4)


def test_no_order_below_the_wavelength():
    assert math.isnan(grating_angle(100e-9, 532e-9))
    # In a denser medium the wavelength is shorter: n D sin = lambda.
    assert math.sin(grating_angle(450e-9, 532e-9, 1.5)) == pytest.approx(532 / 675)


def test_depolarisation_of_chains():
    # A chain of dipoles: own algebra; the endless sum is 2 zeta(3), as in its energy.
    assert chain_depolarisation(1) == (1 / 3, pytest.approx(1 / 3))
    assert chain_depolarisation(2)[0] == pytest.approx(1 / 3 - 1 / 12)
    along, across = chain_depolarisation(20_000)
    ends = zeta(2) / (6 * 20_000)
    assert along == pytest.approx((1 - zeta(3) / 2) / 3 + ends, abs=1e-9)
    assert along + 2 * across == pytest.approx(1)
    assert chain_depolarisation(50, 0.0)[0] == pytest.approx(1 / 3)


def test_maxwell_garnett_limits():
    host, particle = 2.04, complex(5.5, 0.43)
    beta = (particle - host) / (particle + 2 * host)
    for fraction in (0.0, 1e-6, 0.05, 0.3, 1.0):
        # Spheres: Bohren and Huffman (1983), Eq. 8.50.
        known = host * (1 + 3 * fraction * beta / (1 - fraction * beta))
        assert maxwell_garnett(host, particle, fraction) == pytest.approx([known] * 3, rel=1e-12)
    # Dilute limit: e = e_h (1 + 3 f beta).
    rise = (maxwell_garnett(host, particle, 1e-7)[0] - host) / 1e-7
    assert rise == pytest.approx(3 * host * beta, rel=1e-6)
    # All particle: the particle itself, for any shape.
    assert maxwell_garnett(host, particle, 1.0, [(0.2, 0.4, 0.4)])[0] == pytest.approx(particle)
    # Needles along x (L = 0, 1/2) add up along x like a volume average; Sihvola 1999, section 4.
    needle = maxwell_garnett(host, particle, 0.2, [(0.0, 0.5, 0.5)])
    assert needle[0] == pytest.approx(0.8 * host + 0.2 * particle)
    # Ellipsoids in all directions: Sihvola 1999, section 4.
    shape = np.array([0.1, 0.45, 0.45])
    answers = (particle - host) / (host + shape * (particle - host))
    known = host * (1 + 0.2 * answers.mean() / (1 - 0.2 * (shape * answers).mean()))
    anywhere = maxwell_garnett(host, particle, 0.2, [shape], [(1 / 3, 1 / 3, 1 / 3)])
    assert anywhere == pytest.approx([known] * 3)


def test_coated_spheres():
    # Bohren and Huffman (1983), Eq. 5.36: polarisability of a coated sphere.
    core, shell, host, share = complex(5.5, 0.4), 2.1, 1.77, 0.58
    top = (shell - host) * (core + 2 * shell) + share * (core - shell) * (host + 2 * shell)
    bottom = (shell + 2 * host) * (core + 2 * shell) + 2 * share * (shell - host) * (core - shell)
    whole = coated_sphere(core, shell, share)
    assert (whole - host) / (whole + 2 * host) == pytest.approx(top / bottom, rel=1e-12)


def test_beads_of_small_cores():
    core, matrix = complex(2.35, 0.09), 1.59
    for share in (1e-6, 0.02, 0.3, 0.74):
        # Clausius and Mossotti, Lorentz and Lorenz: polarisabilities of cores add up.
        bead = filled_index(core, matrix, share) ** 2
        answer = (core**2 - matrix**2) / (core**2 + 2 * matrix**2)
        assert (bead - matrix**2) / (bead + 2 * matrix**2) == pytest.approx(share * answer)
    assert filled_index(core, matrix, 1.0) == core
    # Real indices: between the bounds of Hashin and Shtrikman, J. Appl. Phys. 33, 3125 (1962),
    # which are the two Maxwell Garnett mixtures; Bruggeman lies between them, above the lower.
    low = filled_index(2.35, matrix, 0.3).real
    middle = filled_index(2.35, matrix, 0.3, grains=True).real
    high = filled_index(matrix, 2.35, 0.7).real
    assert matrix < low < middle < high < 2.35


def test_bruggeman():
    first, second = complex(5.5, 0.43), complex(2.53)
    for share in (0.0, 1e-4, 0.2, 0.5, 0.9, 1.0):
        e = bruggeman(first, second, share)
        # Its defining equation: Bohren and Huffman (1983), Eq. 8.51.
        parts = share * (first - e) / (first + 2 * e), (1 - share) * (second - e) / (second + 2 * e)
        assert sum(parts) == pytest.approx(0, abs=1e-14)
        assert e.imag >= 0
        # Neither is the host: names may be exchanged.
        assert e == pytest.approx(bruggeman(second, first, 1 - share))
    # Dilute, it is Maxwell Garnett to first order.
    rise = [(f - second) / 1e-6 for f in (
        bruggeman(first, second, 1e-6), coated_sphere(first, second, 1e-6))]  # fmt: skip
    assert rise[0] == pytest.approx(rise[1], rel=1e-5)


def test_multipoles_of_touching_spheres():
    # A pair of conducting spheres that touch, field across the line: (3/4) zeta(3) a^3 a sphere,
    # and 2 zeta(3) a^3 along it, where multipoles converge slowly (Jeffrey and Onishi, 1980; from
    # memory).
    along, across = depolarisation_beyond_dipoles(2, 1.0, 1e9 + 0j, 60)
    assert 1 / (3 * across.real) == pytest.approx(0.75 * zeta(3), rel=1e-6)
    few = depolarisation_beyond_dipoles(2, 1.0, 1e9 + 0j, 20)[0]
    assert 1 / (3 * few.real) < 1 / (3 * along.real) < 2 * zeta(3)
    # With one multipole a pair is two point dipoles; far apart spheres are alone.
    pair = chain_depolarisation(2)
    assert depolarisation_beyond_dipoles(2, 1.0, 2.7 + 0.2j, 1) == pytest.approx(pair)
    assert depolarisation_beyond_dipoles(5, 1e-9, 2.7 + 0j) == pytest.approx([1 / 3] * 2, abs=1e-8)
    assert depolarisation_beyond_dipoles(1, 1.0, 2.7 + 0j) == (1 / 3, 1 / 3)
    # Weakly answering spheres: point dipoles again, to first order in the answer.
    weak = depolarisation_beyond_dipoles(8, 1.0, 1.0001 + 0j)
    assert weak == pytest.approx(chain_depolarisation(8), abs=2e-5)


def test_chains_make_the_film_birefringent():
    film = Mixture.of(1.43, 1.45, complex(2.35, 0.09), 0.58, 0.05)
    along, across, normal = film.chained_index([20], [1.0], 1.0, [1, 0, 0])
    assert along.real > film.plain_index().real > across.real
    assert across == normal
    # Without order, or in chains of one, the film is isotropic.
    assert film.chained_index([1], [1.0], 1.0, [1, 0, 0]) == pytest.approx(
        [film.plain_index()] * 3, rel=1e-12
    )


def test_absorption_of_a_layer():
    # Beer and Lambert: alpha = 4 pi k/lambda.
    assert transmittance(1.44 + 0.001j, 10e-6, 500e-9) == pytest.approx(math.exp(-0.08 * math.pi))


def test_orders_of_a_thin_phase_grating():
    # Raman and Nath 1935; Goodman, section 4.4: J_m(a)^2.
    place = np.arange(256) / 256
    for depth in (0.1, 1.0, 2.405, 5.0):
        phase = np.broadcast_to(depth * np.sin(2 * np.pi * 3 * place), (16, 256)).astype(complex)
        orders = diffracted(phase)
        for m in range(-5, 6):
            assert orders[0, 3 * m] == pytest.approx(jv(m, depth) ** 2, abs=1e-12)
        assert orders.sum() == pytest.approx(1)


def test_orders_of_a_thin_absorption_grating():
    # Amplitude exp(-b (1 + cos)) has orders exp(-2 b) I_m(b)^2: generating function of I_m.
    from scipy.special import iv

    b = 0.7
    phase = 1j * b * (1 + np.cos(2 * np.pi * np.arange(128) / 128))
    orders = diffracted(np.broadcast_to(phase, (16, 128)))
    for m in range(4):
        assert orders[0, m] == pytest.approx(math.exp(-2 * b) * iv(m, b) ** 2, rel=1e-10)


def test_transfer_of_a_round_pupil():
    # Goodman, section 6.3: nothing finer than lambda/(2 NA); at half that limit
    # (2/pi)(pi/3 - sqrt(3)/4) = 0.391.
    sides, place = np.array([10e-6, 10e-6]), np.arange(200) / 200
    wave = np.broadcast_to(np.cos(2 * np.pi * 10 * place), (200, 200))  # period 1 um
    kept = resolved(1 + wave, sides, 500e-9, 0.5)[0]
    assert np.ptp(kept) / 2 == pytest.approx(2 / np.pi * (np.pi / 3 - np.sqrt(3) / 4), rel=1e-6)
    assert np.ptp(resolved(1 + wave, sides, 500e-9, 0.249)) < 1e-12
