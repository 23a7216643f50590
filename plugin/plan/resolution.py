"""Parameters that say what a survey is to find, as far as known."""

from __future__ import annotations

from ..parameters import Number, Numbers

SOUGHT = (
    Number(
        "FEATURE_SIZE",
        "Smallest feature sought",
        "Its least extent across, for the verdict on the spacing. Empty: not known.",
        optional=True,
        minimum=1e-6,
        distance_of="INPUT",
    ),
    Number(
        "FEATURE_DEPTH",
        "Depth of its top",
        "Below the surface, for the verdict on the coil spacings. Empty: not known.",
        optional=True,
        minimum=0,
        distance_of="INPUT",
    ),
    Number(
        "FEATURE_BEARING",
        "Bearing of known long features",
        "A warning tells when traverses run within 30 degrees of it. Empty: not known.",
        optional=True,
        minimum=-360,
        maximum=360,
        unit="degrees clockwise from grid north",
    ),
    Numbers(
        "COILS",
        "Coil spacings",
        "Of the instrument, separated by semicolons: how deep each looks is told. Empty: "
        "nothing is told.",
        default="",
        each="pair of coils",
        optional=True,
        unit="map units",
    ),
)
