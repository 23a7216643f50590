"""Corners of data grids: where the walk starts, where a file's cells start."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from ...options import check_words
from ..sitegrid import Origin, SiteGrid

CORNERS = ("lower_left", "upper_left", "upper_right", "lower_right")
AS_LAID_OUT = "as_laid_out"
START_CORNERS = (AS_LAID_OUT, *CORNERS)
START_DIRECTIONS = ("along", "across")


def ends_of(corner: str, side: str) -> tuple[bool, bool]:
    """Whether a corner lies ahead of the layout's own corner, and whether across from it.

    Corners are seen with the layout's bearing pointing up; the data grid lies on the `side` of the
    line from its own corner along the bearing.

    Examples
    --------
    >>> ends_of("upper_left", "right"), ends_of("lower_left", "left")
    ((True, False), (False, True))
    """
    if corner == AS_LAID_OUT:
        return False, False
    return corner.startswith("upper"), corner.endswith("right") == (side == "right")


def walked_from(
    site: SiteGrid, widths: Mapping[str, float], corner: str, direction: str
) -> tuple[SiteGrid, dict[str, float]]:
    """Data grids seen from where their walk started, and their widths.

    Parameters
    ----------
    site
        The data grids as the layout has them.
    widths
        Width of each data grid across its bearing, map units, where known.
    corner
        Corner in which the first traverse begins, one of `START_CORNERS`.
    direction
        Whether the traverses run ``"along"`` the layout's bearing or ``"across"`` it.

    Raises
    ------
    ValueError
        If a word is unknown, or a width is needed that is not known.

    Examples
    --------
    >>> site = SiteGrid({"G": Origin(0.0, 0.0, 0.0, 20.0)})
    >>> turned, widths = walked_from(site, {"G": 10.0}, "upper_right", "across")
    >>> origin = turned.origins["G"]
    >>> origin.x, origin.y, origin.bearing, origin.length, turned.side, widths["G"]
    (10.0, 20.0, 270.0, 10.0, 'left', 20.0)
    """
    check_words(
        ("Start corner", corner, START_CORNERS),
        ("Start direction", direction, START_DIRECTIONS),
    )
    ahead, beyond = ends_of(corner, site.side)
    across = direction == "across"
    if not (ahead or beyond or across):
        return site, dict(widths)
    right = 1.0 if site.side == "right" else -1.0
    origins, turned = {}, {}
    for name, origin in site.origins.items():
        length = site.length if origin.length is None else origin.length
        width = widths.get(name)
        if width is None and (beyond or across):
            called = f"data grid '{name}'" if name else "the data grid"
            raise ValueError(
                f"The width of {called} is needed to start there. Add the field width to the "
                "layout, or give the width."
            )
        angle = np.radians(origin.bearing)
        up = length if ahead else 0.0
        over = right * width if beyond and width is not None else 0.0
        bearing = origin.bearing + 180.0 * ahead
        if across:
            bearing = origin.bearing + 90.0 * right * (-1 if beyond else 1)
        origins[name] = Origin(
            float(origin.x + up * np.sin(angle) + over * np.cos(angle)),
            float(origin.y + up * np.cos(angle) - over * np.sin(angle)),
            bearing % 360.0,
            width if across else length,
        )
        if across:
            turned[name] = length
        elif width is not None:
            turned[name] = width
    # Each mirroring of the walk puts the further traverses on the other hand.
    mirrored = ahead ^ beyond ^ across
    side = {"right": "left", "left": "right"}[site.side] if mirrored else site.side
    return replace(site, origins=origins, side=side), turned
