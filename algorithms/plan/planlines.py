"""Plan traverses: where they run, in what order, what they cost and what they can show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..intake.sitegrid import SiteGrid
from ..progress import Progress, advance, keep_going, portion
from ..readings import IntArray
from ..words import in_unit, plural, share_text
from .effort import BASE, DOWNLOAD, Effort, EffortOptions, Legs, effort_messages, estimate
from .fewest_turns import Area
from .pieces import NEAR, Cut, Kept, Pieces, Traverses, called, lay, put_together, uncut
from .resolution import READINGS, Sought, judge

TOLD = 1e-3
"""A share of the length lost that is worth telling."""


@dataclass(frozen=True)
class Logging:
    """How readings are taken.

    Parameters
    ----------
    rate
        Readings a second, where a clock releases them; None where distance or hand does.
    shortest
        Pieces shorter than this are not worth walking, map units; None for three intervals.
    """

    rate: float | None = None
    shortest: float | None = None


@dataclass(frozen=True, eq=False)
class TraversePlan:
    """What planning gives back; figures, messages and warnings as in `readings.Correction`."""

    traverses: Traverses
    pieces: Pieces
    effort: Effort
    figures: dict[str, object]
    messages: tuple[str, ...]
    warnings: tuple[str, ...]


def planlines(
    areas: Sequence[Area],
    site: SiteGrid,
    options: EffortOptions = EffortOptions(),  # noqa: B008  (frozen)
    logging: Logging = Logging(),
    sought: Sought = Sought(),  # noqa: B008
    unit: str = "map units",
    cut: Cut = uncut,
    progress: Progress = keep_going,
) -> TraversePlan:
    """Plan the traverses of a survey.

    Parameters
    ----------
    areas
        In the order of walking.
    site
        Separation, interval and ways of walking, as readings will be placed by; `origins` those of
        the areas.
    unit
        What the map unit is called.
    cut
        What cuts the traverses.

    Raises
    ------
    ValueError
        If a figure is out of its range, an area holds no traverse, nothing is left to walk, or a
        traverse is too long for logger or battery.

    Examples
    --------
    >>> square = Area("G1", 0.0, 0.0, 0.0, 20.0, 20.0)
    >>> plan = planlines([square], SiteGrid({"G1": square.origin}, separation=1.0, interval=0.25))
    >>> len(plan.pieces.number), int(plan.pieces.readings.sum()), plan.figures["length"]
    (20, 1600, 400.0)
    >>> plan.pieces.ends[:2].round(6).tolist()
    [[[0.5, 0.0], [0.5, 20.0]], [[1.5, 20.0], [1.5, 0.0]]]
    """
    if logging.rate is not None and not logging.rate > 0:
        raise ValueError(f"The logging rate is {logging.rate:g}: give a figure above 0.")
    by_clock = logging.rate is not None
    interval = options.speed / logging.rate if logging.rate is not None else site.interval
    walked = replace(site, interval=interval, first_position=None) if by_clock else site
    traverses = lay(areas, site)
    advance(progress, 0.05)
    kept = cut(traverses, portion(progress, 0.05, 0.7))
    shortest = READINGS * interval if logging.shortest is None else logging.shortest
    pieces = put_together(traverses, kept, walked, shortest)
    rows = pieces.traverse
    legs = Legs(
        traverses.area[rows], rows, pieces.ends, pieces.readings,
        tuple(traverses.named(row) for row in rows.tolist()),
    )  # fmt: skip
    effort = estimate(legs, options, portion(progress, 0.7, 0.95))
    verdict = judge(site.separation, interval, [area.bearing for area in areas], sought, unit)
    length = float(np.sum(pieces.end - pieces.start))
    inside = float(kept.inside.sum())
    lost = max(0.0, 1 - length / inside)
    lost = 0.0 if lost < NEAR else lost
    beyond = 0.0 if kept.beyond is None else float(kept.beyond.sum())
    outside = beyond / (beyond + inside)
    outside = 0.0 if outside < NEAR else outside
    told = [_counted(traverses, pieces, length, unit)]
    if outside > 0:
        told.append(
            f"{share_text(round(outside * 1e6), 1_000_000)} of the traverses' length lies outside "
            "the ground to walk within, and is left out."
        )
    if lost > TOLD:
        told.append(
            f"{share_text(round(lost * 1e6), 1_000_000)} of the traverses' length, and so about "
            "that share of the ground, is lost to areas to avoid and to pieces too short to walk."
        )
    begun = int(np.count_nonzero(pieces.first_reading > 1))
    if begun and not by_clock:
        told.append(
            f"{plural(begun, 'piece begins', 'pieces begin')} part of the way along the traverse: "
            "number the readings there from the field first_no."
        )
    if by_clock:
        told.append(
            f"At {in_unit(options.speed, unit)} a second and {logging.rate:g} readings a second, "
            f"readings lie {in_unit(interval, unit)} apart."
        )
    warnings = [
        *_strips(areas, site, unit),
        *_single(areas, traverses, site, unit),
        *_passed_by(areas, traverses, kept),
        *_lost(traverses, kept, rows),
        *_too_fast(site, options, logging, unit),
        *_checks_too_rare(effort, options),
    ]
    figures: dict[str, object] = {
        "areas": len(np.unique(traverses.area[rows])),
        "traverses": len(np.unique(rows)),
        "pieces": len(rows),
        "length": length,
        "readings": int(pieces.readings.sum()),
        "lost_share": lost,
        **({} if kept.beyond is None else {"outside_share": outside}),
        "hours": effort.hours,
        "hours_of": dict(effort.shares),
        "base_checks": effort.count(BASE) + 1,
        "downloads": effort.count(DOWNLOAD),
        "batteries": effort.batteries,
        **verdict.figures,
    }
    return TraversePlan(
        traverses, pieces, effort, figures,
        (*told, *effort_messages(effort, legs, options), *verdict.messages),
        (*warnings, *verdict.warnings),
    )  # fmt: skip


def _counted(traverses: Traverses, pieces: Pieces, length: float, unit: str) -> str:
    rows = pieces.traverse
    count, areas = len(np.unique(rows)), len(np.unique(traverses.area[rows]))
    split = f" in {plural(len(rows), 'piece')}" if len(rows) > count else ""
    return (
        f"{plural(count, 'traverse')}{split} on {plural(areas, 'area')}, "
        f"{in_unit(length, unit)} to walk, {plural(int(pieces.readings.sum()), 'reading')} "
        "expected."
    )


def _strips(areas: Sequence[Area], site: SiteGrid, unit: str) -> list[str]:
    """Warn where the last traverse lies too far from its side, or too near to the next area's."""
    offset = site.separation / 2 if site.first_offset is None else site.first_offset
    strips = [(area.width - offset + NEAR) % site.separation - NEAR for area in areas]
    wide = [k for k, strip in enumerate(strips) if strip > site.separation / 2 * 1.01]
    # With the first traverse on the side itself, that of the next area is this one's last.
    near = [
        k
        for k, (strip, area) in enumerate(zip(strips, areas))
        if strip + offset < site.separation * 0.99
        if 0 < offset <= area.width - site.separation
    ]
    told = []
    if wide:
        told.append(
            f"Beyond the last traverse of {called(areas[wide[0]])} a strip of "
            f"{in_unit(strips[wide[0]], unit)} is left, more than half a separation{_more(wide)}. "
            "Choose a separation that divides the width."
        )
    if near and len(areas) > 1:
        told.append(
            f"The last traverse of {called(areas[near[0]])} and the first of an area beside it "
            f"are {in_unit(strips[near[0]] + offset, unit)} apart{_more(near)}. Choose a "
            "separation that divides the width."
        )
    return told


def _more(places: Sequence[int]) -> str:
    return f", and so with {plural(len(places) - 1, 'more area')}" if len(places) > 1 else ""


def _single(areas: Sequence[Area], traverses: Traverses, site: SiteGrid, unit: str) -> list[str]:
    """Warn of areas that hold one traverse alone."""
    alone = np.flatnonzero(np.bincount(traverses.area) == 1)
    if not len(alone):
        return []
    area = areas[int(alone[0])]
    more = f", and one each on {plural(len(alone) - 1, 'more area')}" if len(alone) > 1 else ""
    return [
        f"Only one traverse fits on {called(area)}, {in_unit(area.width, unit)} across, with a "
        f"separation of {in_unit(site.separation, unit)}{more}. Is the separation right?"
    ]


def _passed_by(areas: Sequence[Area], traverses: Traverses, kept: Kept) -> list[str]:
    """Warn of areas whose outline holds no part of a traverse."""
    gone = np.setdiff1d(np.arange(len(areas)), traverses.area[kept.inside > NEAR])
    if not len(gone):
        return []
    more = f" and of {len(gone) - 1:,} more" if len(gone) > 1 else ""
    return [
        f"No traverse crosses the ground of {called(areas[int(gone[0])])}{more}: it lies between "
        f"traverses or beside them{'' if kept.beyond is None else ', or not where to walk'}."
    ]


def _lost(traverses: Traverses, kept: Kept, rows: IntArray) -> list[str]:
    """Warn of traverses inside an outline of which nothing is left."""
    gone = np.setdiff1d(np.flatnonzero(kept.inside > NEAR), rows)
    if not len(gone):
        return []
    more = f" and {len(gone) - 1:,} more" if len(gone) > 1 else ""
    return [
        f"Nothing is left to walk of {traverses.named(int(gone[0]))}{more}: avoided, or too short."
    ]


def _too_fast(site: SiteGrid, options: EffortOptions, logging: Logging, unit: str) -> list[str]:
    if logging.rate is None or options.speed / logging.rate <= site.interval * (1 + 1e-9):
        return []
    return [
        f"Readings come every {in_unit(options.speed / logging.rate, unit)}, further apart than "
        f"the {in_unit(site.interval, unit)} asked for. Walk at most "
        f"{in_unit(site.interval * logging.rate, unit)} a second, or log faster."
    ]


def _checks_too_rare(effort: Effort, options: EffortOptions) -> list[str]:
    if options.base_every is None or effort.longest <= options.base_every:
        return []
    return [
        f"One traverse takes {in_unit(effort.longest, 'minutes')}, longer than the "
        f"{in_unit(options.base_every, 'minutes')} between base checks. Plan shorter traverses."
    ]
