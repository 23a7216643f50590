"""What a spacing can be expected to show: a plain verdict, with its limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from ..ground.low_induction import EXPLORED, cumulative_response
from ..words import in_unit

CROSSINGS = 2
"""Traverses that should cross the smallest feature: common practice, no source."""

READINGS = 3
"""Readings that should fall on it along a traverse: common practice, no source."""

FAINT = 0.1
"""A share of the reading below which a feature hardly stands out: a rule of thumb, no source."""

LONGEST_COILS = 10.0
"""Metres between coils that nobody carries along traverses: common practice, no source."""

TOO_DEEP = 5.0
"""Depths of so many coil spacings are looked at again: out of reach, or in another unit."""

NEARLY_ALONG = 30.0
"""Traverses this many degrees or less off a feature's axis run along it."""

CARRIED = ("vertical", "horizontal")
"""How the dipoles of an instrument of one pair a spacing are carried."""

CAUTION = (
    "No anomaly is no proof that nothing is there: what lies between the traverses, deeper than "
    "the coils look, or is of the same conductivity as the soil on the day, does not show."
)


@dataclass(frozen=True)
class Sought:
    """What the survey is to find, as far as known. Lengths in map units.

    Parameters
    ----------
    feature_size
        Smallest feature: its least extent across.
    feature_depth
        Depth of its top below the surface.
    feature_bearing
        Direction of known long features, degrees.
    coils
        Coil spacings.
    metre
        One metre in map units.
    """

    feature_size: float | None = None
    feature_depth: float | None = None
    feature_bearing: float | None = None
    coils: tuple[float, ...] = ()
    metre: float = 1.0


@dataclass(frozen=True)
class Smallest:
    """The smallest features that a spacing can be expected to show, map units.

    Parameters
    ----------
    compact
        Least extent, in every direction, of a pit or hearth.
    across
        Least width of a long feature that runs across the traverses.
    along
        Least width of one that runs along them.
    """

    compact: float
    across: float
    along: float


def smallest_shown(separation: float, interval: float) -> Smallest:
    """The smallest features crossed and sampled often enough wherever they lie.

    An extent of `w` across lines `d` apart is crossed by ``floor(w / d)`` of them at least. Common
    practice, no source, asks for two traverses and three readings.

    Examples
    --------
    >>> smallest_shown(0.5, 0.125)
    Smallest(compact=1.0, across=0.375, along=1.0)
    """
    along, across = CROSSINGS * separation, READINGS * interval
    return Smallest(max(along, across), across, along)


def layer_share(top: float, thickness: float, spacing: float, orientation: str) -> float:
    """Share of the reading that an endless layer at a depth gives, coils on the surface.

    No feature of that thickness and depth that ends to the sides gives more. Lengths in one unit.

    References
    ----------
    J. D. McNeill (1980), Technical Note TN-6.

    Examples
    --------
    >>> round(layer_share(0.0, 1.5, 1.0, "vertical"), 3)
    0.684
    """
    upper, lower = cumulative_response(
        [top / spacing, (top + thickness) / spacing], orientation
    ).tolist()
    return float(upper - lower)


def axis_angle(one: float, other: float) -> float:
    """Angle between two axes, 0 to 90 degrees.

    Examples
    --------
    >>> axis_angle(10.0, 175.0)
    15.0
    """
    return abs((one - other + 90.0) % 180.0 - 90.0)


@dataclass(frozen=True)
class Verdict:
    """What a spacing is good for: sentences, warnings and figures."""

    messages: tuple[str, ...]
    warnings: tuple[str, ...]
    figures: dict[str, object] = field(default_factory=dict)


def judge(
    separation: float, interval: float, bearings: Sequence[float], sought: Sought, unit: str
) -> Verdict:
    """Say what a spacing can be expected to show.

    Parameters
    ----------
    separation, interval
        Traverse separation and reading interval as walked, map units.
    bearings
        Of the first traverse of each area, degrees.
    unit
        What the map unit is called.

    Raises
    ------
    ValueError
        If a length sought is below 0 or a coil spacing is not above 0.
    """
    _check(sought)
    small = smallest_shown(separation, interval)
    messages = [
        f"This spacing should show a compact feature (pit, hearth) from "
        f"{in_unit(small.compact, unit)} across ({CROSSINGS} traverses, {READINGS} readings), a "
        f"long one that runs across the traverses from {in_unit(small.across, unit)} wide, one "
        f"that runs along them from {in_unit(small.along, unit)} wide.",
    ]
    warnings = []
    if interval > separation / 2 * (1 + 1e-9):
        warnings.append(
            f"The readings, {in_unit(interval, unit)} apart, are less than twice as dense as the "
            f"traverses, {in_unit(separation, unit)} apart. Common practice is at least twice."
        )
    size = sought.feature_size
    if size is not None and size < small.compact * (1 - 1e-9):
        warnings.append(
            f"A feature {in_unit(size, unit)} across may be missed. To expect it to show, "
            f"walk at most {in_unit(size / CROSSINGS, unit)} apart and read at least every "
            f"{in_unit(size / READINGS, unit)}."
        )
    axis = sought.feature_bearing
    near = [b for b in bearings if axis is not None and axis_angle(b, axis) <= NEARLY_ALONG]
    if axis is not None and near:
        warnings.append(
            f"Traverses of bearing {near[0]:.0f}° run along known features of bearing {axis:.0f}°: "
            "these may fall between traverses, and levelling would weaken them. Walk across them: "
            f"bearing {(axis + 90.0) % 180.0:.0f}°."
        )
    told, faint, shares = _depths(sought, size or small.compact, unit)
    figures: dict[str, object] = {
        "smallest_compact": small.compact,
        "smallest_across": small.across,
        "smallest_along": small.along,
        **({"layer_shares": shares} if shares else {}),
    }
    return Verdict((*messages, *told, CAUTION), (*warnings, *faint), figures)


def _depths(
    sought: Sought, size: float, unit: str
) -> tuple[list[str], list[str], dict[str, list[float]]]:
    """How deep each coil spacing looks, a warning if the feature is faint to all, and shares."""
    told, shares = [], {}
    for coil in sought.coils:
        vertical, horizontal = (in_unit(EXPLORED[kind] * coil, unit) for kind in CARRIED)
        sentence = (
            f"Coils {in_unit(coil, unit)} apart: some 70 % of the reading comes from above "
            f"{vertical} (vertical dipoles) or {horizontal} (horizontal)."
        )
        if sought.feature_depth is not None:
            share = [layer_share(sought.feature_depth, size, coil, kind) for kind in CARRIED]
            shares[f"{coil:g}"] = share
            sentence += (
                f" A layer {in_unit(size, unit)} thick from {in_unit(sought.feature_depth, unit)} "
                f"down gives {100 * share[0]:.0f} % or {100 * share[1]:.0f} %."
            )
        told.append(sentence)
    if told:
        told.append("Coils blur what is narrower than about their spacing.")
    if shares:
        told.append("A feature ends to the sides and gives less than such a layer.")
    faint = []
    if shares and max(max(share) for share in shares.values()) < FAINT:
        faint.append(
            f"A feature of {in_unit(size, unit)} at {in_unit(sought.feature_depth or 0.0, unit)} "
            "may not show although traverses cross it: even a layer would give less than "
            f"{100 * FAINT:.0f} % of the reading. Use wider coils, or another method."
        )
    return told, [*faint, *_unlikely(sought, unit)], shares


def _unlikely(sought: Sought, unit: str) -> list[str]:
    """Warn of lengths that look as if they were in another unit."""
    if not sought.coils:
        return []
    widest, depth = max(sought.coils), sought.feature_depth
    told = []
    if widest > LONGEST_COILS * sought.metre:
        told.append(
            f"Nobody carries coils {in_unit(widest, unit)} apart along traverses. Lengths are in "
            f"{unit}: correct them if another unit was meant."
        )
    if depth is not None and depth > TOO_DEEP * widest:
        told.append(
            f"The depth of {in_unit(depth, unit)} is more than {TOO_DEEP:g} times the widest coil "
            f"spacing, {in_unit(widest, unit)}. Lengths are in {unit}: correct them if another "
            "unit was meant."
        )
    return told


def _check(sought: Sought) -> None:
    for what, length, least in (
        ("smallest feature", sought.feature_size, 1e-9),
        ("depth of the feature", sought.feature_depth, 0.0),
        *(("coil spacing", coil, 1e-9) for coil in sought.coils),
    ):
        if length is not None and not length >= least:
            asked = "0 or more" if least == 0 else "a length above 0"
            raise ValueError(f"The {what} is {length:g}: give {asked}.")
