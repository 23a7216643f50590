"""Control points: places known both on the site grid and on the map."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..text.number import to_number

ComplexArray = npt.NDArray[np.complex128]


@dataclass(frozen=True, eq=False)
class ControlPoints:
    """Places known twice, ``k`` of them.

    Parameters
    ----------
    names
        What each is called.
    site, on_map
        Their places on the site grid and on the map, x + iy, shape ``(k,)``.

    Raises
    ------
    ValueError
        If there are fewer than two, one has no name, place or two, or all lie at one spot.
    """

    names: tuple[str, ...]
    site: ComplexArray
    on_map: ComplexArray

    def __post_init__(self) -> None:
        if len(self.names) < 2:
            raise ValueError(
                f"A site grid is fitted to two or more control points; there "
                f"{'is only one' if self.names else 'are none'}. Give another."
            )
        for k, name in enumerate(self.names):
            if not name:
                raise ValueError(f"Control point {k + 1} has no name. Give it one.")
            if name in self.names[:k]:
                raise ValueError(f"There are two control points '{name}'. Give each its own name.")
            for what, place in (("site-grid", self.site[k]), ("map", self.on_map[k])):
                if not np.isfinite(place):
                    raise ValueError(
                        f"Control point '{name}' lacks a {what} coordinate. Fill it in, or leave "
                        "the point out."
                    )
        for what, places in (("on the site grid", self.site), ("on the map", self.on_map)):
            if np.ptp(places.real) == 0 and np.ptp(places.imag) == 0:
                raise ValueError(
                    f"All control points lie at one spot {what}. Give points that lie apart."
                )

    def __len__(self) -> int:
        return len(self.names)

    @classmethod
    def build(
        cls,
        names: Sequence[str],
        site_x: npt.ArrayLike,
        site_y: npt.ArrayLike,
        map_x: npt.ArrayLike,
        map_y: npt.ArrayLike,
    ) -> ControlPoints:
        """Control points from columns of coordinates."""
        columns = [np.asarray(part, np.float64) for part in (site_x, site_y, map_x, map_y)]
        return cls(tuple(names), columns[0] + 1j * columns[1], columns[2] + 1j * columns[3])


def parse_control_points(text: str) -> ControlPoints:
    """Control points from lines such as ``A: 0 0 -> 430000 5900000``.

    Parameters
    ----------
    text
        One control point a line, or separated by semicolons: a name and a colon, x and y on the
        site grid, an arrow, easting and northing on the map, separated by blanks or a comma;
        decimal commas are read where blanks separate. What follows a # is passed over.

    Raises
    ------
    ValueError
        If a line cannot be read so, or the points cannot serve (see `ControlPoints`).

    Examples
    --------
    >>> points = parse_control_points("A: 0 0 -> 430000 5900000; B: 20 0 -> 430020 5900000")
    >>> points.names, points.site.tolist()
    (('A', 'B'), [0j, (20+0j)])
    """
    names: list[str] = []
    numbers: list[list[float]] = []
    for line in (re.sub(r"#.*", "", part).strip() for part in re.split(r"[;\n]", text)):
        if not line:
            continue
        name, _, places = line.partition(":")
        try:
            sides = [[to_number(word) for word in _words(side)] for side in places.split("->")]
        except ValueError:
            sides = []
        if [len(side) for side in sides] != [2, 2]:
            raise ValueError(
                f"The control point '{line}' cannot be read. Write a name, x and y on the site "
                "grid, easting and northing on the map, such as 'A: 0 0 -> 430000 5900000'."
            )
        names.append(name.strip())
        numbers.append(sides[0] + sides[1])
    return ControlPoints.build(names, *np.array(numbers, np.float64).reshape(-1, 4).T)


def _words(side: str) -> list[str]:
    """The two numbers of a side: a comma parts them only where no blank does."""
    words = [word.strip(",") for word in re.sub(r"\s+,", ",", side).split()]
    return words if len(words) > 1 else side.split(",")
