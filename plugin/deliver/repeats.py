"""The picture of how a survey repeats itself: differences against levels, and on the map."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib.colors import ListedColormap
from matplotlib.ticker import MaxNLocator

from ...algorithms.check.comparerepeats import Agreement, Comparison
from ...algorithms.deliver.palettes import HEDGE
from .figures import INK, LINE, MARK, dress, new_figure, save

MOST_DOTS = 20_000
"""Pairs drawn; more make the picture slow and no clearer."""

TALL, HEAD, FOOT = 2.7, 0.35, 0.55
"""Inches: a row of panels, and what stands above and below them all."""


def draw_repeats(found: Comparison, path: Path) -> None:
    """Draw each channel's differences against the mean of the pair, and on a map.

    Raises
    ------
    ValueError
        If the file cannot be written there.
    """
    rows = len(found.agreements)
    height = TALL * rows + HEAD + FOOT
    figure = new_figure(9.0, height)
    panels = figure.subplots(rows, 2, squeeze=False, gridspec_kw={"width_ratios": (1.5, 1)})
    step = -(-len(found.pairs) // MOST_DOTS)
    for (left, right), one in zip(panels, found.agreements):
        k = found.channels.index(one.channel)
        first, second = found.pairs.first[::step, k], found.pairs.second[::step, k]
        there = np.isfinite(first) & np.isfinite(second)
        level, difference = (first + second)[there] / 2, (second - first)[there]
        _against_level(left, one, level, difference)
        x, y = found.pairs.x[::step][there], found.pairs.y[::step][there]
        _on_the_map(figure, right, one, x, y, difference)
    figure.subplots_adjust(
        left=0.08, right=0.97, top=1 - HEAD / height, bottom=FOOT / height, hspace=0.5, wspace=0.25
    )
    sentences = (
        *found.messages,
        *found.warnings,
        "Left: second less first reading against the mean of both. Line: mean difference; dashes: "
        "95 % limits of agreement (1.96 standard deviations); shading: how far each may be off. "
        "Dots beyond the picture's edge are drawn on it. Right: where the differences lie.",
    )
    save(figure, path, "How the survey repeats itself", sentences)


def _against_level(axes, one: Agreement, level: np.ndarray, difference: np.ndarray) -> None:
    dress(axes)
    unit = f" [{one.unit}]" if one.unit else ""
    # A few wild pairs must not squeeze the rest into a line.
    half = one.upper - one.mean
    furthest = float(np.abs(difference - one.mean).max(initial=0.0))
    reach = max(1.4 * half, 1.1 * min(furthest, max(half, 6 * one.spread))) or 1.0
    shown = np.clip(difference, one.mean - reach, one.mean + reach)
    size = 14 if len(level) < 200 else 5
    axes.scatter(level, shown, s=size, color=LINE, alpha=0.5, linewidths=0, rasterized=True)
    of_mean = one.limit_error / np.sqrt(3.0)
    for value, off, dash in (
        (one.mean, of_mean, "-"),
        (one.lower, one.limit_error, (0, (4, 3))),
        (one.upper, one.limit_error, (0, (4, 3))),
    ):
        axes.axhspan(value - off, value + off, color=MARK, alpha=0.12, linewidth=0)
        axes.axhline(value, color=MARK, linewidth=1.2, linestyle=dash)
        axes.annotate(
            f"{value:.3g}", (1.0, value), xycoords=("axes fraction", "data"), xytext=(-2, 2),
            textcoords="offset points", ha="right", va="bottom", fontsize=7, color=MARK,
        )  # fmt: skip
    axes.axhline(0.0, color=INK, linewidth=0.6)
    axes.set_ylim(one.mean - reach, one.mean + reach)
    axes.set_title(f"{one.channel}: {one.count:,} pairs", loc="left", fontsize=9, color=INK)
    axes.set_xlabel(f"Mean of both readings{unit}", fontsize=8, color=INK)
    axes.set_ylabel(f"Difference{unit}", fontsize=8, color=INK)


def _on_the_map(figure, axes, one: Agreement, x, y, difference: np.ndarray) -> None:
    dress(axes)
    reach = max(abs(one.lower), abs(one.upper)) or 1.0
    colours = ListedColormap(HEDGE.rgb(np.linspace(0, 1, 65)) / 255.0)
    dots = axes.scatter(
        x, y, c=difference, s=10, cmap=colours, vmin=-reach, vmax=reach, linewidths=0,
        rasterized=True,
    )  # fmt: skip
    axes.set_aspect("equal", adjustable="datalim")
    axes.set_facecolor("#e7e5da")
    axes.ticklabel_format(useOffset=False, style="plain")
    axes.xaxis.set_major_locator(MaxNLocator(3, steps=[1, 2, 5, 10]))
    axes.yaxis.set_major_locator(MaxNLocator(4, steps=[1, 2, 5, 10]))
    axes.tick_params(labelsize=6)
    bar = figure.colorbar(dots, ax=axes, fraction=0.06, pad=0.03)
    bar.ax.tick_params(labelsize=6, colors=INK)
    bar.outline.set_visible(False)
    axes.set_title(
        f"Difference{f' [{one.unit}]' if one.unit else ''}", loc="left", fontsize=9, color=INK
    )
