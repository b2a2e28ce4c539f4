"""Numbers of light: those of one wavelength, and the response to switching the field."""

from __future__ import annotations

import math

from analysis.quantities.quantity import Quantity


def _light(
    key: str,
    unit: str,
    name: str,
    meaning: str,
    exact: str = "",
    *,
    point: bool = False,
    computed: bool = False,
) -> Quantity:
    ends = (-math.inf, math.inf) if unit != "%" else (0.0, 1.0)
    path = f"light.{key}"
    return Quantity(
        path, unit, name, meaning, exact, ends=ends, page="", point=point, computed=computed
    )


LIGHT = (
    _light(
        "n_along", "", "Index along the chains",
        "refractive index of the film for light polarised along the chains.",
        "effective refractive index for light polarised along chain_direction (Maxwell Garnett, "
        "depolarisation factors of chains of the measured lengths and order); error: order, "
        "lengths, mixing in beads, what point dipoles leave out where particles touch, and the "
        "distance to the coupled dipoles of frames",
    ),
    _light(
        "n_across", "", "Index across the chains",
        "the same for light polarised across them.",
        "effective refractive index for light polarised across chain_direction",
    ),
    _light(
        "birefringence", "", "Birefringence",
        "index along the chains less that across them.",
        "n_along - n_across by the law for straight chains of point dipoles, which is too little "
        "where particles touch and too much where chains bend: the error holds what all "
        "multipoles of uniform spheres would add, and the distance to the coupled dipoles of "
        "frames",
        point=True,
    ),
    _light(
        "retardance_m", "m", "Retardance",
        "by which the film delays light polarised along the chains behind that polarised across "
        "them, looking through the film.",
        "(n_seen - n_across) thickness at normal incidence, with 1/n_seen^2 = cos^2/n_across^2 + "
        "sin^2/n_along^2 of the angle between chain_direction and z; with the error of the "
        "birefringence",
        point=True,
    ),
    _light(
        "retardance_deg", "°", "Retardance as a phase",
        "the same as an angle: 360° are one wavelength.",
        "360 retardance_m/wavelength",
    ),
    _light(
        "k_along", "", "Absorption index along the chains",
        "absorption index of the film for light polarised along the chains.",
        "absorption index that belongs to n_along",
    ),
    _light(
        "k_across", "", "Absorption index across the chains",
        "the same for light polarised across them.",
        "absorption index that belongs to n_across",
    ),
    _light(
        "dichroism", "", "Dichroism",
        "absorption index along the chains less that across them.",
        "k_along - k_across, with the like error",
        point=True,
    ),
    _light(
        "transmittance_along", "%", "Passed, polarised along",
        "share of light polarised along the chains that absorption leaves, looking through the "
        "film.",
        "exp(-4 pi k_seen thickness/wavelength) at normal incidence, polarised along "
        "chain_direction as seen along z; no reflections, no scattering",
    ),
    _light(
        "transmittance_across", "%", "Passed, polarised across",
        "the same of light polarised across the chains.",
        "exp(-4 pi k_across thickness/wavelength); no reflections, no scattering",
    ),
    _light(
        "direct_share", "%", "Light in the direct beam",
        "share of the incident light that goes straight on.",
        "share of the incident light in the direct beam behind the film; error: scatter between "
        "frames and, of beads, the distance to the law of Bruggeman",
        point=True,
    ),
    _light(
        "scattered_share", "%", "Light scattered into the aperture",
        "share that leaves the direct beam and still reaches what looks at the film.",
        "share of the incident light that the film scatters into the aperture, direct beam left "
        "out; error: speckle (an order and the opposite one carry the same light) and, of beads, "
        "the distance to the law of Bruggeman",
        point=True,
    ),
    _light(
        "wide_share", "%", "Light scattered past the aperture",
        "share that leaves the film forwards at larger angles.",
        "share of the incident light in orders outside the aperture that travel in the outer "
        "medium; error as of scattered_share",
    ),
    _light(
        "trapped_share", "%", "Light that cannot leave",
        "share scattered at angles that total reflection keeps between the windows.",
        "share of the incident light in orders that travel in the liquid and not in the outer "
        "medium; error as of scattered_share",
    ),
    _light(
        "absorbed_share", "%", "Light absorbed",
        "share that turns into heat in the particles.",
        "1 less direct_share, scattered_share, wide_share and trapped_share: what the screen "
        "absorbs; error: scatter between frames and, of beads, the distance to the law of "
        "Bruggeman; the index of the cores counts as exact",
        point=True,
    ),
    _light(
        "scatter_angle_deg", "°", "Angular spread of the scattered light",
        "root mean square angle from the film normal, of what the aperture takes in.",
        "arcsin of the root mean square of sin(polar angle) over the scattered light in the "
        "aperture; error: speckle",
        point=True,
    ),
    _light(
        "scatter_across_deg", "°", "Angular spread across the chains",
        "the same in the plane across the chains alone.",
        "arcsin of the root mean square of the sine of the angle in the plane across "
        "chain_direction; none where the chains stand along z",
    ),
    _light(
        "first_order_angle_deg", "°", "Angle of the first order",
        "at which the film diffracts as a grating; none where no spacing stands out or it is "
        "below the wavelength.",
        "angle of the first order from the film normal in the outer medium at normal incidence, "
        "outer_index period sin(angle) = wavelength",
        point=True,
    ),
    _light(
        "first_order_spread_deg", "°", "Half width of the first order",
        "its half width at half height.",
        "half width of that order, from structure_factor_spread_m",
        computed=True,
    ),
    _light(
        "transmittance_without_structure", "%", "Passed without chains",
        "share of light that the same particles would pass, none in chains.",
        "share of light through the film without chains, absorption alone: "
        "exp(-4 pi k_without_structure thickness/wavelength); no reflections, no scattering",
        computed=True,
    ),
    _light(
        "n_without_structure", "", "Index without chains",
        "refractive index of the same particles, none in chains.",
        "effective refractive index of the same particles, none in chains",
        computed=True,
    ),
    _light(
        "k_without_structure", "", "Absorption index without chains",
        "absorption index of the same particles, none in chains.",
        "absorption index that belongs to n_without_structure",
        computed=True,
    ),
)  # fmt: skip
"""What light of one wavelength meets, in the order of page and table."""


def _response(step: str, what: str) -> Quantity:
    meaning = f"from 10 to 90 % of its change after the field goes {step}."
    return Quantity(
        f"response.{step}_{what}_s", "s", f"Response of the {what}, field {step}", meaning,
        page="", point=what == "birefringence",
    )  # fmt: skip


RESPONSE = tuple(
    _response(step, what)
    for step in ("on", "off")
    for what in ("magnetisation", "alignment", "birefringence")
)
"""Response times; a birefringence is that of the first wavelength."""

OF_LIGHT = {one.key: one for one in (*LIGHT, *RESPONSE)}
"""All of them by key."""
