"""What is wrong with control points that do not fit, and what those that do cannot tell."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations, permutations

import numpy as np

from ...readings import FloatArray, IntArray
from ...words import in_unit
from .controlpoints import ComplexArray, ControlPoints
from .helmert import fit

ALL_ORDERS = 6
"""Up to so many points, all their orders are tried; of more, all exchanges of two."""

ALIKE = 0.005
"""Relative difference within which a ratio of distances is that of two units."""

UNITS = {
    0.3048: "as for feet on the site grid and metres on the map",
    1 / 0.3048: "as for metres on the site grid and feet on the map",
    0.9144: "as for yards on the site grid and metres on the map",
    1 / 0.9144: "as for metres on the site grid and yards on the map",
    0.01: "as for centimetres on the site grid and metres on the map",
    100.0: "as for metres on the site grid and centimetres on the map",
    0.001: "as for millimetres on the site grid and metres on the map",
    1000.0: "as for metres on the site grid and millimetres on the map",
}


def units_behind(scale: float) -> str:
    """Which units may lie behind a scale, as the end of a sentence; empty where none.

    Examples
    --------
    >>> units_behind(3.281)
    ', as for metres on the site grid and feet on the map'
    """
    for ratio, words in UNITS.items():
        if abs(scale / ratio - 1.0) < ALIKE:
            return f", {words}"
    return ""


def times(ratio: float) -> str:
    """A ratio in words that show what unit it may come of.

    Examples
    --------
    >>> times(3.28084), times(393_215.7)
    ('3.2808', '393,216')
    """
    return f"{ratio:.5g}" if ratio < 1000 else in_unit(ratio, "")


def _signed(length: float) -> str:
    return ("-" if length < 0 else "+") + in_unit(abs(length), "")


def fits(residual: ComplexArray, tolerance: float) -> bool:
    """Whether residuals stay within the tolerance.

    Of two points each takes half of what their distance differs by: that is compared whole.
    """
    off = np.abs(residual)
    return bool((off.sum() if len(off) == 2 else off.max()) <= tolerance)


def diagnosis(points: ControlPoints, scaled: bool, tolerance: float, unit: str) -> str:
    """What is likely wrong with control points that do not fit, in one or two sentences.

    Every simple blunder is undone in turn: if the points then fit, it is named. Blunders that leave
    every point in use come first, since a point left out explains less.
    """
    off = np.abs(fit(points.site, points.on_map, scaled)[1])
    worst = int(np.argmax(off))
    if len(points) == 2:
        return _of_two(points, tolerance, unit)
    head = (
        f"The control points do not fit: '{points.names[worst]}' lies "
        f"{in_unit(float(off[worst]), unit)} off, where {in_unit(tolerance, unit)} are allowed. "
    )
    degrees = _degrees(points)
    if degrees:
        return head + degrees
    causes = [*_wrong_scale(points, scaled, tolerance), *_mirrored(points, scaled, tolerance)]
    causes += _wrong_order(points, scaled, tolerance)
    causes = causes or [*_one_wrong(points, scaled, tolerance, unit)]
    if causes:
        return f"{head}Likely {', or '.join(causes)}."
    listed = ", ".join(
        f"'{points.names[k]}' {in_unit(float(off[k]), unit)}" for k in np.argsort(-off)[:3]
    )
    return (
        f"{head}No one wrong point, exchange of points, change of axes or scale explains it. "
        f"Check all coordinates; most are off: {listed}."
    )


def cautions(points: ControlPoints, scaled: bool, tolerance: float) -> Iterator[str]:
    """What control points that fit cannot tell, in sentences."""
    if len(points) == 2:
        yield (
            "Two control points: "
            + ("nothing is checked. " if scaled else "only their distance is checked. ")
            + "Were they exchanged, or the site grid's axes left-handed, they would fit as well, "
            "and no error is known. Measure a third."
        )
        return
    if fits(fit(points.site, points.on_map, scaled, mirrored=True)[1], tolerance):
        yield (
            "The control points lie nearly on one line: left-handed axes would not show. Measure a "
            "point aside of it."
        )
    others = [_exchange(points, order) for order in _orders_that_fit(points, scaled, tolerance)]
    if others:
        yield (
            f"The control points lie so evenly that they would fit as well if {others[0]}: their "
            "names alone tell which way the site grid lies. Look at the result on the map."
        )


def _of_two(points: ControlPoints, tolerance: float, unit: str) -> str:
    site, on_map = (abs(complex(np.diff(part)[0])) for part in (points.site, points.on_map))
    first, second = points.names
    ratio = on_map / site
    behind = units_behind(ratio)
    advice = _degrees(points) or (
        "Bring both to one unit, or let the scale be fitted."
        if behind
        else "Check both points, or measure a third, which would tell which is wrong."
    )
    return (
        f"The distance from '{first}' to '{second}' is {site:,.3f} on the site grid and "
        f"{on_map:,.3f} on the map, {times(ratio)} times as much{behind}, where a difference of "
        f"{in_unit(tolerance, unit)} is allowed. {advice}"
    )


def _degrees(points: ControlPoints) -> str:
    """A sentence where the map coordinates look like longitude and latitude."""
    on_map = points.on_map
    far = np.ptp(points.site.real) + np.ptp(points.site.imag)
    near = np.ptp(on_map.real) + np.ptp(on_map.imag)
    if np.abs(on_map.real).max() <= 180 and np.abs(on_map.imag).max() <= 180 and far > 1e4 * near:
        return (
            "The map coordinates look like degrees: give them in a projected coordinate reference "
            "system."
        )
    return ""


def _wrong_scale(points: ControlPoints, scaled: bool, tolerance: float) -> Iterator[str]:
    if scaled:
        return
    for mirrored, more in (
        (False, ""),
        (True, " and the axes of the one are left-handed or x and y were taken for each other"),
    ):
        found, residual = fit(points.site, points.on_map, True, mirrored)
        # In a map of smaller units the same error is more of them.
        if fits(residual, tolerance * max(found.scale, 1.0)):
            if mirrored and fits(fit(points.site, points.on_map, False, True)[1], tolerance):
                return  # mirrored alone explains it
            yield (
                f"distances on the map are {times(found.scale)} times those on the site grid"
                f"{units_behind(found.scale)}{more}: bring both to one unit, or let the scale be "
                "fitted"
            )
            return


def _mirrored(points: ControlPoints, scaled: bool, tolerance: float) -> Iterator[str]:
    if fits(fit(points.site, points.on_map, scaled, mirrored=True)[1], tolerance):
        yield (
            "x and y were taken for each other, on the site grid or on the map, or the site grid's "
            "axes are left-handed: y must lie a quarter turn anticlockwise from x"
        )


def _wrong_order(points: ControlPoints, scaled: bool, tolerance: float) -> Iterator[str]:
    for order in _orders_that_fit(points, scaled, tolerance):
        yield _exchange(points, order)


def _exchange(points: ControlPoints, order: IntArray) -> str:
    """An order of points in words."""
    moved = np.flatnonzero(order != np.arange(len(order)))
    names = [f"'{points.names[k]}'" for k in moved]
    if len(moved) == 2:
        return f"{names[0]} and {names[1]} were exchanged"
    taken = [f"'{points.names[k]}'" for k in order[moved]]
    return f"{', '.join(names)} were taken for {', '.join(taken)}"


def _orders_that_fit(points: ControlPoints, scaled: bool, tolerance: float) -> list[IntArray]:
    """Orders of the map places that fit, other than as given; only those that move the fewest."""
    k = len(points)
    own = np.arange(k)
    if k <= ALL_ORDERS:
        orders = np.array(list(permutations(range(k))))[1:]
    else:
        orders = np.array([_swapped(own, i, j) for i, j in combinations(range(k), 2)])
    off = _largest_residuals(points.site, points.on_map[orders], scaled)
    fitting = orders[off <= tolerance]
    moved = (fitting != own).sum(axis=1)
    return list(fitting[moved == moved.min(initial=k + 1)])


def _swapped(order: IntArray, i: int, j: int) -> IntArray:
    swapped = order.copy()
    swapped[[i, j]] = order[[j, i]]
    return swapped


def _largest_residuals(site: ComplexArray, maps: ComplexArray, scaled: bool) -> FloatArray:
    """Largest residual of `helmert.fit` for each row of map places, ``(p, k)``."""
    centred = site - site.mean()
    there = maps - maps.mean(axis=1, keepdims=True)
    shared = there @ np.conj(centred)
    size = np.sum(np.abs(centred) ** 2) if scaled else np.maximum(np.abs(shared), 1e-300)
    largest: FloatArray = np.abs(there - (shared / size)[:, np.newaxis] * centred).max(axis=1)
    return largest


def _one_wrong(points: ControlPoints, scaled: bool, tolerance: float, unit: str) -> Iterator[str]:
    """Points without which the others fit, the likeliest first."""
    found = []
    for k, name in enumerate(points.names):
        rest = np.arange(len(points)) != k
        if scaled and len(points) == 3:
            return  # any two points fit
        how, residual = fit(points.site[rest], points.on_map[rest], scaled)
        if fits(residual, tolerance):
            off = complex(points.on_map[k] - how.apply(points.site[k]))
            words = (
                f"'{name}' is wrong, which lies {in_unit(abs(off), unit)} from where the others "
                f"put it ({_signed(off.real)} east, {_signed(off.imag)} north)"
            )
            found.append((float(np.abs(residual).max()), words))
    yield from (words for _, words in sorted(found))
