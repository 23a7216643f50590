"""Minimum curvature: the least bent surface through the readings, with tension if wanted."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from ...progress import Progress, advance, keep_going, portion
from ...readings import BoolArray, FloatArray, IntArray
from ..curvature.anchors import Anchors, Offsets, anchors_at, nearest_nodes
from ..curvature.energy import Energy, Links
from ..curvature.levels import Held, Pyramid
from ..curvature.lookup import lookup
from ..curvature.parts import Part, Planes, fields_of, parts_of, planes_through
from ..curvature.sides import carried_on
from ..curvature.sight import Sight
from ..curvature.solve import Solved, solve
from ..curvature.tilt import stepped, tilt
from ..hull import cells_in_hull
from ..method import BATCH, Method, Option, Surface, Task

LEAST_TENSION = 1e-9
"""Keeps a surface through readings on one line from hanging loose about it; not noticeable."""
SETTING_UP = 0.2
"""Share of the progress that everything takes before the first channel is solved."""


def prepare(task: Task, progress: Progress = keep_going) -> Surface:
    """Solve for all cells: the grid of least energy that passes through the readings.

    The energy is the sum over the grid of ``(1 - tension)`` times the squared second differences
    (twice the mixed one) and ``tension`` times the squared first differences, in cells, so that
    in the open ``(1 - tension) L L u = tension L u`` with `L` the Laplacian of differences. Edges
    are free, and so are the flanks of barriers. A plane through the readings is taken off first
    and added again, one for each field that barriers part. A reading off the cell centre holds
    the cell at its own value less the surface's rise from there; where several hold one cell,
    their median place and value serves.

    References
    ----------
    I. C. Briggs (1974), *Machine contouring using minimum curvature*, Geophysics 39(1), 39-48.

    W. H. F. Smith and P. Wessel (1990), *Gridding with continuous curvature splines in tension*,
    Geophysics 55(3), 293-305.

    D. Terzopoulos (1983), *Multilevel computational processes for visual surface
    reconstruction*, Computer Vision, Graphics, and Image Processing 24(1), 52-96.
    """
    frame = task.frame
    sight = None
    if task.barriers is not None:
        width, height = frame.cell_width, frame.cell_height
        sight = Sight(task.barriers, 0.5 * width, -0.5 * height, width, height)
    nodes, offset, seen = nearest_nodes(frame, task.xy, sight)
    if sight is not None:
        ground = task.wanted & cells_in_hull(frame, task.xy)
        sight = carried_on(sight, ground, nodes[seen])
        del ground
    found = _Found(task)
    parts = parts_of(task.wanted, nodes[seen])
    sheets = [
        _sheet(task, part, (nodes[rows], offset[rows], task.values[rows]), sight)
        for part in parts
        for rows in [_rows(part, nodes, seen)]
        if rows is not None
    ]
    del nodes, offset
    # room for a channel is taken when it is filled
    cells: FloatArray = np.empty((len(task.channels), frame.rows, frame.columns))
    size = np.cumsum([0.0] + [sheet.part.own.size for sheet in sheets])
    for number, sheet in enumerate(sheets):
        of_part = portion(progress, size[number] / size[-1], size[number + 1] / size[-1])
        _fill(cells, task, sheet, found, of_part, fresh=number == 0)
    if not sheets:
        cells.fill(np.nan)

    def evaluate(places: FloatArray) -> FloatArray:
        row = -places[:, 1] / frame.cell_height - 0.5
        return lookup(cells, row, places[:, 0] / frame.cell_width - 0.5, sight)

    found.check(evaluate, seen)
    return found.surface(evaluate, cells, int(len(seen) - seen.sum()))


def _rows(part: Part, nodes: IntArray, seen: BoolArray) -> BoolArray | slice | None:
    """Which readings are a part's own; None for none, and no copy is made of all."""
    own = part.holds(nodes)
    own &= seen
    if own.all():
        return slice(None)
    return own if own.any() else None


@dataclass(frozen=True, eq=False)
class _Sheet:
    """One part of the ground, and what its surface is to pass through.

    Parameters
    ----------
    part
        Where it lies in the frame.
    sight, links
        For its barriers; None without any.
    fields, planes
        Its fields that no way leads between, and a plane for each.
    anchors, values
        Its readings, less the planes; the values by channel, let go of one by one.
    """

    part: Part
    sight: Sight | None
    links: Links | None
    fields: IntArray
    planes: Planes
    anchors: Anchors
    values: list[FloatArray]


def _sheet(
    task: Task,
    part: Part,
    readings: tuple[IntArray, Offsets, FloatArray],
    sight: Sight | None,
) -> _Sheet:
    """A part of the ground with its readings: nodes, offsets from there, values."""
    nodes, offset, values = readings
    nodes = nodes - np.array((part.top, part.left), dtype=nodes.dtype)
    if sight is not None:
        sight = sight.moved(part.top, part.left)
    links = sight.links(part.shape) if sight is not None else None
    fields = fields_of(links, part.shape)
    field = np.broadcast_to(fields, part.shape)[tuple(nodes.T)]
    place = nodes + offset
    planes = planes_through(field, place, values, int(fields.max()) + 1)
    if sight is not None and links is not None:
        for number in np.flatnonzero(stepped(fields, links)):
            on = field == number
            if on.any():
                planes.slope[number] = tilt(place[on], values[on], sight)
    del place

    def rest() -> Iterator[FloatArray]:
        for channel, column in enumerate(values.T):
            column = column.copy()
            for start in range(0, len(column), BATCH):
                on = slice(start, start + BATCH)
                column[on] -= planes.at(field[on], nodes[on] + offset[on], channel)
            yield column

    anchors, columns = anchors_at(nodes, offset, rest())
    sight = sight if links is not None else None
    return _Sheet(part, sight, links, fields, planes, anchors, columns)


def _fill(
    cells: FloatArray,
    task: Task,
    sheet: _Sheet,
    found: _Found,
    progress: Progress,
    fresh: bool,
) -> None:
    """Solve one part of the ground, channel by channel; `fresh` cells hold nothing yet."""
    part, anchors, planes, fields = sheet.part, sheet.anchors, sheet.planes, sheet.fields
    tension = max(task.number("tension"), LEAST_TENSION)
    squash = task.frame.cell_width / task.frame.cell_height
    energy = Energy(part.shape, 1.0 - tension, tension, squash, sheet.links)
    fixed: BoolArray = np.array(np.broadcast_to(np.isnan(planes.middle[fields, 0]), part.shape))
    fixed[anchors.row, anchors.column] = True
    advance(progress, 0.5 * SETTING_UP)
    pyramid = Pyramid(
        energy,
        fixed,
        Held(anchors.row, anchors.column, sheet.values),
        sheet.sight,
    )
    del fixed
    for channel in range(len(cells)):
        start, end = (
            SETTING_UP + (1 - SETTING_UP) * number / len(cells) for number in (channel, channel + 1)
        )
        solved = solve(
            pyramid,
            anchors,
            sheet.values[channel],
            channel,
            found.tolerance[channel],
            int(task.number("iterations")),
            portion(progress, start, end),
        )
        sheet.values[channel] = np.empty(0)
        found.solved(channel, solved)
        surface = solved.surface
        del solved
        surface += planes.over(fields, part.shape, channel)
        if fresh:
            cells[channel] = np.nan
        target = cells[channel, part.top :, part.left :][: part.shape[0], : part.shape[1]]
        np.copyto(target, surface, where=part.own)
        del surface  # before the next takes its room


class _Found:
    """What solving and checking tell of each channel."""

    def __init__(self, task: Task) -> None:
        self.task = task
        self.range = np.ptp(task.values, axis=0)
        self.tolerance = task.number("tolerance") / 100 * self.range
        self.iterations = [0] * len(task.channels)
        self.change = [0.0] * len(task.channels)
        self.worst: FloatArray = np.zeros(len(task.channels))
        self.rms: FloatArray = np.zeros(len(task.channels))

    def solved(self, channel: int, solved: Solved) -> None:
        """Take down how one part of the ground went; the slowest and the worst stand."""
        self.iterations[channel] = max(self.iterations[channel], solved.iterations)
        self.change[channel] = max(self.change[channel], solved.change)

    def check(self, evaluate: Callable[[FloatArray], FloatArray], seen: BoolArray) -> None:
        """Compare the surface with the readings."""
        squares: FloatArray = np.zeros(len(self.rms))
        for start in range(0, len(seen), BATCH):
            rows = slice(start, start + BATCH)
            miss = (evaluate(self.task.xy[rows]) - self.task.values[rows])[seen[rows]]
            np.maximum(self.worst, np.abs(miss).max(axis=0, initial=0.0), out=self.worst)
            squares += np.sum(miss**2, axis=0)
        self.rms = np.sqrt(squares / max(int(seen.sum()), 1))

    def surface(
        self, evaluate: Callable[[FloatArray], FloatArray], cells: FloatArray, unseen: int
    ) -> Surface:
        """The surface, with what there is to say of it."""
        figures: dict[str, float | int | str] = {}
        messages, warnings = [], []
        for channel, (name, unit) in enumerate(zip(self.task.channels, self.task.units)):
            unit = f" {unit}" if unit else ""
            iterations, change = self.iterations[channel], self.change[channel]
            figures[f"iterations {name}"] = iterations
            figures[f"change {name}"] = float(f"{change:.3g}")
            figures[f"worst_misfit {name}"] = float(f"{self.worst[channel]:.3g}")
            figures[f"rms_misfit {name}"] = float(f"{self.rms[channel]:.3g}")
            messages.append(
                f"{name}: {iterations} iterations, after which no cell would still change by more "
                f"than {change:.2g}{unit}. The surface misses the readings by "
                f"{self.rms[channel]:.2g}{unit} (RMS), {self.worst[channel]:.2g}{unit} at worst."
            )
            if change > self.tolerance[channel]:
                warnings.append(
                    f"{name}: not settled after {iterations} iterations; cells may still change "
                    f"by {change:.2g}{unit}, more than the {self.tolerance[channel]:.2g}{unit} "
                    "asked for. Allow more iterations or a larger change."
                )
        if unseen:
            warnings.append(
                f"{unseen:,} reading(s) of {', '.join(self.task.channels)} stand between barriers "
                "with no cell centre beside them, and do not count."
            )
        return Surface(
            evaluate,
            cells=cells,
            figures=figures,
            messages=tuple(messages),
            warnings=tuple(warnings),
        )


METHOD = Method(
    id="minimum_curvature",
    title="Minimum curvature",
    help=(
        "Bends a thin sheet through all readings, as little as can be, with tension to hold it "
        "down. Gives smooth, natural shapes from smooth data and carries slopes across gaps; "
        "solves all cells together. With little tension it overshoots beside steep flanks and "
        "swings between traverses that lie far apart: lows and highs that nobody measured. Noise "
        "and steps between traverses are drawn as they are, so level and despike first. More "
        "tension flattens the swings but pinches the surface at the readings."
    ),
    options=(
        Option(
            "tension",
            "Tension",
            0.25,
            help="0: least curvature, the smoothest and the most prone to overshoot. 1: a "
            "membrane, with highs and lows only at readings. It works on the scale of a cell, so "
            "that smaller cells want less of it.",
            minimum=0.0,
            maximum=1.0,
        ),
        Option(
            "tolerance",
            "Largest change left",
            0.01,
            unit="% of the range",
            help="Iteration stops when no cell would change by more than this part of the range "
            "of the channel's readings.",
            minimum=1e-6,
            maximum=10.0,
        ),
        Option(
            "iterations",
            "Most iterations",
            200,
            help="Iteration stops after so many, with a warning of what is left to change.",
            minimum=1,
            maximum=100000,
            whole=True,
        ),
    ),
    prepare=prepare,
    together=True,
)
