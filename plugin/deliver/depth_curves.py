"""The picture of a depth table: what each depth of the ground adds to what the coil pairs read."""

from __future__ import annotations

from pathlib import Path

from matplotlib.lines import Line2D

from ...algorithms.ground.depthtable import DepthTable
from .figures import INK, LINE, MARK, dress, new_figure, save

COLOURS = (LINE, MARK, "#5c7a4a", "#b8860b", "#6b3f6e", "#646b70")
"""Of the coil pairs; a seventh begins anew."""

TITLE = "Depth sensitivity of the coil pairs"
DASHES = (0, (4, 2.2))
COLUMNS = 4
"""Of the legend."""


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
    above.set_xlim(min(0.0, above.get_xlim()[0]), max(105.0, above.get_xlim()[1]))
    in_phase.axvline(0.0, color=INK, linewidth=0.8)
    relative.set_ylim(deepest, 0.0)
    relative.set_ylabel("Depth below the ground [m]", fontsize=9, color=INK)
    _legend(figure, found)
    rows = -(-(len(found.pairs) + 2) // COLUMNS)
    figure.subplots_adjust(left=0.07, right=0.985, top=0.9 - 0.035 * rows, bottom=0.1, wspace=0.09)
    save(figure, path, TITLE, (*found.messages, *found.warnings))


def _mark_depths(axes, marks: list[tuple[float, str]], share: float, deepest: float) -> None:
    """Write the exact depths beside their dots, those that would touch further down."""
    line, last = deepest / 26, -deepest
    for depth, colour in sorted(marks):
        last = max(depth, last + line)
        axes.annotate(
            f"{depth:.2f} m", (share, last), xytext=(7, 5), textcoords="offset points",
            ha="left", va="center", fontsize=8, color=colour,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.8},
        )  # fmt: skip


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
