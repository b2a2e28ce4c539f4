"""Numbers that are measured in a picture of a microscope, by their key in its JSON file."""

from __future__ import annotations

from analysis.quantities.quantity import Quantity

MICROGRAPH = (
    Quantity(
        "spacing_m", "m", "Spacing",
        "2 pi over the centre of the peak of the power spectrum across the stripes",
    ),
    Quantity(
        "spread_m", "m", "Spread of the spacing",
        "half width at half height of that peak, as a length; that of the picture's size and "
        "window is part of it",
    ),
    Quantity(
        "width_m", "m", "Width at half height",
        "full width at half height of the mean stripe, the brightness averaged at equal phases of "
        "the pattern: of the stripes or of the gaps, whichever are narrower; what blur may have "
        "added is part of the error",
    ),
    Quantity(
        "direction_deg", "°", "Direction",
        "direction of the stripes, from the picture's right upwards",
    ),
    Quantity(
        "order", "", "Order",
        "mean of cos 2a over the power near the peak, a from the direction across the stripes; 1 "
        "straight stripes, 0 no direction",
    ),
)  # fmt: skip
