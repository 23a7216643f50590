"""Along and across: a curve along each traverse, then a curve across from one to the next."""

from __future__ import annotations

import numpy as np

from ...progress import Progress, advance, keep_going, portion
from ...readings import FloatArray, IntArray
from ..method import Method, Option, Surface, Task
from ..traverses.families import Walks, families, mean_axis, walks
from ..traverses.family import Family
from ..traverses.gaps import filled
from ..traverses.joining import strands
from ..traverses.oblique import follow
from ..traverses.strands import Sight
from ..traverses.turning import along_and_across, along_back

CHUNK = 8192
"""Cells worked on at a time: what is made of them fits the processor's own memory."""
FOLLOW, IGNORE = "follow", "ignore"
CROSSING = 0.5
"""A traverse crosses others where they surround this share of its readings."""


def prepare(task: Task, progress: Progress = keep_going) -> Surface:
    """Make curves of the traverses, and find how what is buried runs across them.

    Each traverse becomes a curve along it; each cell the curve across through the nearest two
    traverses on either side, at the cell's place along or, where something buried is seen to run
    obliquely, at the places along where that meets them. Both curves keep their shape
    (`lynchet.algorithms.gridding.traverses.hermite`): the curve takes each reading, a plane is
    reproduced, and a cell between two straight traverses keeps within the range of the four
    readings that its curve runs between. Ground beyond the outermost traverse and beyond the
    ends takes the nearest value.

    Raises
    ------
    ValueError
        If most readings lie on no traverse that runs in one direction.
    """
    walked = _walks(task)
    used = np.flatnonzero(walked.usable)
    given = task.options["bearing"]
    member = families(
        walked.axis[used], walked.length[used], None if given is None else float(given)
    )
    made: list[Family] = []
    repeats = 0
    count = int(member.max()) + 1
    for number in range(count):
        traverses = used[member == number]
        if not len(traverses):  # of a bearing the user gave that no traverse has
            continue
        bearing = mean_axis(walked.axis[traverses], walked.length[traverses])
        if given is not None and number == 0:
            bearing = float(given) % 180.0
        part = portion(progress, number / count, (number + 1) / count)
        family, again = _family(task, walked, traverses, bearing, part)
        made.append(family)
        repeats += again
    first = made[0]
    rest = made if given is None else made[1:]
    order = sorted(rest, key=lambda family: family.strands.separation)
    ranked = order if given is None else [first, *order]
    figures: dict[str, float | int | str] = {
        "traverses": len(used),
        "directions": len(made),
        "bearing": round(first.bearing, 2) % 180.0,
    }
    if task.options["oblique"] == FOLLOW:
        figures["followed_obliquely"] = round(_share_followed(made), 3)
    widest = 2.0 * _reach(task)
    highest = task.values.max(axis=0)

    def evaluate(cells: FloatArray) -> FloatArray:
        values = np.empty((len(cells), task.values.shape[1]))
        for start in range(0, len(cells), CHUNK):
            part = slice(start, start + CHUNK)
            values[part] = _evaluate(ranked, cells[part], widest).T
        return np.clip(values, 0.0, highest, out=values)  # the lowest is 0: see `Method`

    messages = _messages(ranked, repeats, widest)
    return Surface(evaluate, figures=figures, messages=messages, warnings=_left_out(task, walked))


def _walks(task: Task) -> Walks:
    """The traverses of a task and their directions."""
    channels = ", ".join(task.channels)
    if not (task.line >= 0).any():
        raise ValueError(
            f"None of the readings of {channels} belongs to a traverse, which the method 'Along "
            "and across' needs: choose the traverse number field, split the track with 'Split a "
            "track into traverses' (lynchet:splitlines) or choose the method 'Inverse distance'."
        )
    walked = walks(task.xy, task.line)
    used = int(np.diff(walked.first)[walked.usable].sum())
    if 2 * used < len(task.xy):
        raise ValueError(
            f"{len(task.xy) - used:,} of the {len(task.xy):,} readings of {channels} lie on no "
            "traverse or on lines that turn back or wander without a direction, where the method "
            "'Along and across' needs traverses: split the track with 'Split a track into "
            "traverses' (lynchet:splitlines) or choose the method 'Inverse distance'."
        )
    return walked


def _reach(task: Task) -> float:
    """How far beyond its ends a traverse may be wanted."""
    return task.blanking_distance + float(np.hypot(task.frame.cell_width, task.frame.cell_height))


def _family(
    task: Task, walked: Walks, traverses: IntArray, bearing: float, progress: Progress
) -> tuple[Family, int]:
    """The traverses of one direction, and how many of them repeat others."""
    advance(progress, 0.0)
    rows = np.concatenate(
        [np.arange(walked.first[number], walked.first[number + 1]) for number in traverses]
    )
    s, a = along_and_across(task.xy[rows], bearing)
    sight = None if task.barriers is None else Sight(task.barriers, bearing)
    reach, smoothing = _reach(task), task.number("smoothing")
    values = np.ascontiguousarray(task.values[rows].T)
    made, repeats = strands(s, a, values, task.line[rows], reach, sight, smoothing)
    advance(progress, 0.2)
    made = filled(made, reach, sight)
    oblique = None
    if task.options["oblique"] == FOLLOW:
        oblique = follow(made, portion(progress, 0.3, 1.0))
    return Family(bearing, made, sight, oblique), repeats


def _evaluate(ranked: list[Family], cells: FloatArray, widest: float) -> FloatArray:
    """Values at positions, ``(c, m)``.

    From the first family that surrounds a position, else from the nearest.
    """
    beside = [family.beside(cells) for family in ranked]
    if len(ranked) == 1:
        return ranked[0].values(cells, beside[0])
    stands = np.array([f.standing(cells, b, widest) for f, b in zip(ranked, beside)])
    chosen = np.argmin(stands, axis=0)  # the first of equals
    values = np.full((len(ranked[0].strands.v), len(cells)), np.nan)
    for number, family in enumerate(ranked):
        rows = np.flatnonzero(chosen == number)
        if len(rows):
            values[:, rows] = family.values(cells[rows], beside[number].of(rows))
    return values


def _share_followed(made: list[Family]) -> float:
    """Share of the places between traverses where an oblique feature is followed."""
    leans = [family.oblique.leans for family in made if family.oblique is not None]
    return float(np.mean(np.abs(np.concatenate(leans)) > 0.1)) if leans else 0.0


def _messages(ranked: list[Family], repeats: int, widest: float) -> tuple[str, ...]:
    """What the user should know of the traverses."""
    messages = []
    if repeats:
        messages.append(
            f"{repeats} traverse(s) repeat others: where they do, the mean of them counts."
        )
    if len(ranked) == 1:
        return tuple(messages)
    crossing = 0
    for number, family in enumerate(ranked):
        if number:
            crossing += _crossing(ranked[:number], family, widest)
    bearings = ", ".join(f"{family.bearing:.0f}" for family in ranked)
    messages.append(
        f"The traverses run in {len(ranked)} directions (bearings {bearings}): each cell is drawn "
        "from those that surround it, the closest spaced first."
    )
    if crossing:
        messages.append(
            f"{crossing} traverse(s) cross others, which surround them: they do not count there."
        )
    return tuple(messages)


def _crossing(others: list[Family], family: Family, widest: float) -> int:
    """How many traverses of a family lie mostly amid those of others."""
    made = family.strands
    cells = along_back(made.s, made.a, family.bearing)
    amid = np.zeros(len(cells), dtype=bool)
    for start in range(0, len(cells), CHUNK):
        part = cells[start : start + CHUNK]
        for other in others:
            stands = other.standing(part, other.beside(part), widest)
            amid[start : start + CHUNK] |= stands == -1.0
    share = np.bincount(made.of, amid) / np.diff(made.first)
    return int((share >= CROSSING).sum())


def _left_out(task: Task, walked: Walks) -> tuple[str, ...]:
    """A warning of readings that do not count."""
    loose = int((task.line < 0).sum())
    stray = int(np.diff(walked.first)[~walked.usable].sum())
    if not loose + stray:
        return ()
    return (
        f"{loose + stray:,} reading(s) do not count: {loose:,} lie on no traverse, {stray:,} on "
        f"{int((~walked.usable).sum())} line(s) that turn back, wander or have a single position. "
        "'Split a track into traverses' (lynchet:splitlines) makes traverses of such lines.",
    )


METHOD = Method(
    id="along_across",
    title="Along and across",
    help=(
        "Draws a smooth curve along each traverse and another across from traverse to traverse. "
        "The natural choice for parallel traverses, straight or a little wandering, in any "
        "direction: it takes every reading as it is, keeps each cell within the range of the "
        "readings around it, follows ditches that run obliquely from traverse to traverse "
        "without beads, and is fast. Traverses that cross the others, such as tie lines, do not "
        "count where the others surround them. Noise, and steps between traverses, stay visible: "
        "correct them first. It can flatten the top of a feature that lies between two "
        "traverses, and may join separate small features that line up obliquely."
    ),
    options=(
        Option(
            "bearing",
            "Bearing of the traverses",
            None,
            unit="degrees",
            help="Clockwise from grid north. Where traverses cross, those within 45 degrees of "
            "it count first. Empty: measured; the closest spaced count first.",
            minimum=-360.0,
            maximum=360.0,
        ),
        Option(
            "oblique",
            "Oblique features",
            FOLLOW,
            help="'follow' compares neighbouring traverses and interpolates along what runs "
            "obliquely over four of them, in all channels that are gridded together; 'ignore' "
            "always goes straight across, which beads oblique ditches.",
            choices=(FOLLOW, IGNORE),
        ),
        Option(
            "smoothing",
            "Smoothing along the traverses",
            0.0,
            unit="map units",
            help="Each reading is first replaced by a straight line through those within this "
            "distance along its traverse. Twice to four times the reading interval calms noise; "
            "more rounds off narrow features. 0: none.",
            minimum=0.0,
        ),
    ),
    prepare=prepare,
)
