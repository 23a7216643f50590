"""The picture of a depth table: what each depth of the ground adds to what the coil pairs read."""

from __future__ import annotations

from pathlib import Path
from textwrap import wrap

from matplotlib.lines import Line2D
from matplotlib.ticker import FixedLocator, MaxNLocator

from ...algorithms.ground.depthtable import DepthTable
from .figures import INK, LINE, MARK, dress, new_figure, save

COLOURS = (LINE, MARK, "#5c7a4a", "#b8860b", "#6b3f6e", "#646b70")
"""Of the coil pairs; a seventh begins anew."""

TITLE = "Depth sensitivity of the coil pairs"
DASHES = (0, (4, 2.2))
COLUMNS = 4
"""Of the legend."""

LABELS_AT = 109.0
"""%, where the depths are written: beyond all curves."""

RIGHT = 132.0
"""%, the right end of the responses from above, behind the depths."""

NOTE = 165
"""Characters of a line of notes."""

LINES = 24
"""Depths that could be written below each other."""


def draw_depth_curves(found: DepthTable, path: Path) -> None:
    """Draw relative response, response from above and the in-phase part, side by side.

    Raises
    ------
    ValueError
        If the file cannot be written there.
    """
    figure = new_figure(10.5, 5.6)
    relative, above, in_phase = figure.subplots(1, 3, sharey=True)
    for axes, title, unit in (
        (relative, "A thin layer's share", "% of the response per m"),
        (above, "Response from above", "%"),
        (in_phase, "Susceptible layer, in-phase", "ppt per m, for 0.001 SI"),
    ):
        dress(axes)
        axes.set_title(title, loc="left", fontsize=10, color=INK)
        axes.set_xlabel(unit, fontsize=8, color=INK)
        axes.xaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
        axes.ticklabel_format(axis="x", style="sci", scilimits=(-2, 4), useMathText=True)
        axes.xaxis.get_offset_text().set(size=8, color=INK)
        _layers(axes, found)
    share = found.options.share
    above.axvline(share, color=INK, linewidth=0.8, linestyle=(0, (1, 2)))
    deepest = float(found.depth[-1])
    marks = []
    for one, colour in zip(found.pairs, COLOURS * (1 + len(found.pairs) // len(COLOURS))):
        for curve, style, width in ((one.low, DASHES, 1.0), (one.exact, "-", 1.6)):
            shown = curve.depth <= deepest
            depth = curve.depth[shown]
            relative.plot(100 * curve.relative[shown], depth, color=colour, ls=style, lw=width)
            above.plot(100 * curve.above[shown], depth, color=colour, ls=style, lw=width)
        in_phase.plot(one.in_phase.change[shown], depth, color=colour, lw=1.6)
        for depth, filled in ((one.depth_low, False), (one.depth_exact, True)):
            if depth <= deepest:
                face = colour if filled else "white"
                above.plot(share, depth, "o", color=colour, ms=5, mfc=face, zorder=4)
        if one.depth_exact <= deepest:
            marks.append((one.depth_exact, colour))
    _mark_depths(above, marks, share, deepest)
    relative.set_xlim(left=min(0.0, relative.get_xlim()[0]))
    above.set_xlim(min(-5.0, above.get_xlim()[0]), RIGHT)
    above.xaxis.set_major_locator(FixedLocator(range(0, 101, 20)))
    in_phase.axvline(0.0, color=INK, linewidth=0.8)
    relative.set_ylim(deepest, 0.0)
    relative.set_ylabel("Depth below the ground [m]", fontsize=9, color=INK)
    _legend(figure, found)
    rows = -(-(len(found.pairs) + 2) // COLUMNS)
    notes = _notes(found, deepest)
    figure.text(0.07, 0.02, "\n".join(notes), va="bottom", fontsize=8, color=INK)
    figure.subplots_adjust(
        left=0.07, right=0.985, top=0.9 - 0.035 * rows, bottom=0.1 + 0.028 * len(notes),
        wspace=0.09,
    )  # fmt: skip
    save(figure, path, TITLE, (*found.messages, *found.warnings))


def _mark_depths(axes, marks: list[tuple[float, str]], share: float, deepest: float) -> None:
    """Write the exact depths at the right, each led to from its dot."""
    marks = sorted(marks)
    for (depth, colour), at in zip(marks, _spread([depth for depth, _ in marks], deepest)):
        axes.plot([share, LABELS_AT - 1], [depth, at], color=colour, lw=0.6, zorder=1.5)
        axes.text(LABELS_AT, at, f"{depth:.2f} m", ha="left", va="center", fontsize=8, color=colour)


def _spread(depths: list[float], deepest: float) -> list[float]:
    """Depths, rising, moved apart to a line of text each and kept inside the figure.

    Those that would touch make a block about the middle of their own depths.
    """
    line = deepest / LINES
    blocks: list[list[float]] = []
    for depth in depths:
        blocks.append([depth])
        while len(blocks) > 1 and _starts(blocks[-1], line) < _starts(blocks[-2], line) + line * (
            len(blocks[-2])
        ):
            last = blocks.pop()
            blocks[-1] += last
    places = [_starts(block, line) + k * line for block in blocks for k in range(len(block))]
    for k in range(len(places)):  # from the ends inwards
        places[k] = max(places[k], (k + 0.5) * line)
    for k in range(len(places)):
        places[-1 - k] = min(places[-1 - k], deepest - (k + 0.5) * line)
    return places


def _starts(block: list[float], line: float) -> float:
    """Where the first of a block of depths is written."""
    return sum(block) / len(block) - line * (len(block) - 1) / 2


def _notes(found: DepthTable, deepest: float) -> list[str]:
    """Lines that tell what is not drawn, and why."""
    said = []
    absent = [one.label for one in found.pairs if not one.exact.shared]
    if absent:
        said.append(
            f"No exact shares for {', '.join(absent)}: some layers raise the reading and others "
            "lower it."
        )
    below = []
    for one in found.pairs:
        for depth, how in ((one.depth_exact, "exact"), (one.depth_low, "low induction numbers")):
            if depth > deepest:
                below.append(f"{one.label} {depth:.2f} m ({how})")
    if below:
        share = f"{found.options.share:g} %"
        said.append(f"Below the figure, {share} from above: {', '.join(below)}.")
    return [line for sentence in said for line in wrap(sentence, NOTE)]


def _layers(axes, found: DepthTable) -> None:
    """Where the layers of the ground begin."""
    for top in found.options.ground.tops:
        axes.axhline(top, color="#8a7a55", linewidth=1.2, zorder=1)


def _legend(figure, found: DepthTable) -> None:
    handles = [
        Line2D([], [], color=colour, lw=2, label=f"{one.label}, {one.pair.height:g} m above ground")
        for one, colour in zip(found.pairs, COLOURS * (1 + len(found.pairs) // len(COLOURS)))
    ]
    handles += [
        Line2D([], [], color=INK, lw=1.6, marker="o", ms=5, label="exact"),
        Line2D(
            [], [], color=INK, lw=1, ls=DASHES, marker="o", mfc="white", ms=5,
            label="low induction numbers",
        ),
    ]  # fmt: skip
    figure.legend(
        handles=handles, loc="upper left", bbox_to_anchor=(0.06, 0.965), ncol=COLUMNS,
        frameon=False, fontsize=8, handlelength=2.6, columnspacing=1.4,
    )  # fmt: skip
    text = found.options.ground.text
    figure.text(0.07, 0.965, f"{text[0].upper()}{text[1:]}", fontsize=10, color=INK)
