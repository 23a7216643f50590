"""The picture of how gridding methods predict traverses left out: how far off, and where."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib.colors import ListedColormap
from matplotlib.ticker import MaxNLocator

from ...algorithms.deliver.palettes import HEDGE, PEAT, Palette
from ...algorithms.gridding.errors import MAE, WORSE
from ...algorithms.gridding.standings import GriddingComparison, Standing
from ...algorithms.gridding.verdicts import NAMES
from ...algorithms.readings import Readings
from ...algorithms.words import sentence_start
from .figures import INK, LINE, MARK, dress, new_figure, save

MOST_DOTS = 40_000
"""Readings drawn; more make the picture slow and no clearer."""

MARKERS = "os^Dv<>P"
BAR, HEAD, MAPS, FOOT = 0.34, 0.45, 4.3, 0.55
"""Inches: a method's bar, what stands above the bars, the maps, what stands below the bars."""
FAR = 1000.0
"""Per cent above which bars are told by their order of size."""
WIDE = 240.0
"""Points: the breadth of a map."""


def draw_gridding_errors(found: GriddingComparison, readings: Readings, path: Path) -> None:
    """Draw the errors by method and channel, and where those of the first two lie.

    Raises
    ------
    ValueError
        If the file cannot be written there.
    """
    ranked = found.ranked
    bars = BAR * max(len(ranked), 2)
    height = HEAD + bars + FOOT + MAPS
    figure = new_figure(9.5, height)
    top = figure.add_axes((0.3, 1 - (HEAD + bars) / height, 0.66, bars / height))
    _bars(top, ranked, NAMES[found.tested.measure])
    channels = [readings.channels.index(score.channel) for score in ranked[0].scores[:-1]]
    tested = found.tested
    measure, name = tested.measure, NAMES[tested.measure]
    least = [
        min(standing.scores[place].by(measure) for standing in ranked)
        for place in range(len(channels))
    ]
    scale = np.maximum(least, tested.precision[channels])
    shown = np.flatnonzero(tested.counted.any(axis=1))
    shown = shown[:: -(-len(shown) // MOST_DOTS)]
    errors = (
        np.where(tested.counted[shown], tested.errors[:2, shown], np.nan)[..., channels] / scale
    )
    with np.errstate(invalid="ignore"):
        if measure == MAE:
            size = np.nanmean(np.abs(errors), axis=2)
        else:
            size = np.sqrt(np.nanmean(errors**2, axis=2))
    x, y = readings.x[tested.rows[shown]], readings.y[tested.rows[shown]]
    first = figure.add_axes((0.07, 0.45 / height, 0.4, (MAPS - 0.95) / height))
    reach = _reach(size[0])
    _map(figure, first, x, y, size[0], PEAT, (0.0, reach))
    first.set_title(
        f"Error of {_short(ranked[0].candidate.text)}\nin times the least {name}", loc="left",
        fontsize=9, color=INK,
    )  # fmt: skip
    if len(ranked) > 1:
        second = figure.add_axes((0.56, 0.45 / height, 0.4, (MAPS - 0.95) / height))
        excess = size[1] - size[0]
        reach = _reach(np.abs(excess))
        _map(figure, second, x, y, excess, HEDGE, (-reach, reach))
        second.set_title(
            f"Russet: the first is nearer\nBlue: {_short(ranked[1].candidate.text)} is nearer",
            loc="left", fontsize=9, color=INK,
        )  # fmt: skip
    save(figure, path, "How gridding methods predict traverses left out", found.messages)


def _reach(size: np.ndarray) -> float:
    """What the colours reach to: a few wild readings must not take them all."""
    return float(np.percentile(size, 97)) or 1.0


def _short(text: str, most: int = 44) -> str:
    return text if len(text) <= most else f"{text[: most - 1]}…"


def _bars(axes, ranked: tuple[Standing, ...], error: str) -> None:
    """A bar a method for all channels together, a mark a channel; all against the least."""
    dress(axes)
    axes.grid(False, axis="y")
    places = np.arange(len(ranked))
    scores = [standing.scores for standing in ranked]
    overall = np.array([100 * own[-1].more for own in scores])
    equal = [standing.overall.verdict != WORSE for standing in ranked]
    axes.barh(
        places, overall, height=0.5, color=[LINE if same else "#a9b0a4" for same in equal],
        zorder=2,
    )  # fmt: skip
    axes.axvline(0.0, color=INK, linewidth=0.8)
    names = [score.channel for score in scores[0][:-1]]
    if len(names) > 1:
        for place, name in enumerate(names):
            excess = [100 * own[place].more for own in scores]
            axes.plot(
                excess, places, MARKERS[place % len(MARKERS)], color=MARK, markersize=4.5,
                markerfacecolor="white", markeredgewidth=1.0, label=name, zorder=3, clip_on=False,
            )  # fmt: skip
        axes.legend(
            loc="lower right", bbox_to_anchor=(1.0, 1.0), ncol=min(len(names), 6), frameon=False,
            fontsize=7, handletextpad=0.2, columnspacing=1.0, borderaxespad=0.1,
        )  # fmt: skip
    axes.set_yticks(places)
    axes.set_yticklabels([_short(standing.candidate.text) for standing in ranked], fontsize=7.5)
    axes.set_ylim(len(ranked) - 0.5, -0.5)
    if max(100 * score.more for own in scores for score in own) > FAR:
        axes.set_xscale("symlog", linthresh=FAR / 10)  # the first errs hardly at all somewhere
    shown = f"{sentence_start(error)} above that of the first [%]"
    axes.set_xlabel(
        f"{shown}; pale bars: worse by more than chance",
        fontsize=8, color=INK,
    )  # fmt: skip


def _map(figure, axes, x, y, values: np.ndarray, palette: Palette, span) -> None:
    dress(axes)
    colours = ListedColormap(palette.rgb(np.linspace(0, 1, 65)) / 255.0)
    order = np.argsort(np.abs(values), kind="stable")  # the large ones on top
    span_x, span_y = float(np.ptp(x)) or 1.0, float(np.ptp(y)) or 1.0
    apart = WIDE / max(span_x, span_y) * np.sqrt(span_x * span_y / len(x))
    size = float(np.clip(2 * apart**2, 1.5, 40.0))
    dots = axes.scatter(
        x[order], y[order], c=values[order], s=size, cmap=colours, vmin=span[0], vmax=span[1],
        linewidths=0, rasterized=True,
    )  # fmt: skip
    axes.set_aspect("equal", adjustable="datalim")
    axes.set_facecolor("#e7e5da")
    axes.grid(False)
    axes.ticklabel_format(useOffset=False, style="plain")
    axes.xaxis.set_major_locator(MaxNLocator(3, steps=[1, 2, 5, 10]))
    axes.yaxis.set_major_locator(MaxNLocator(4, steps=[1, 2, 5, 10]))
    axes.tick_params(labelsize=6)
    bar = figure.colorbar(
        dots, ax=axes, fraction=0.05, pad=0.03, extend="max" if span[0] == 0 else "both"
    )
    bar.ax.tick_params(labelsize=6, colors=INK)
    bar.outline.set_visible(False)
