"""The picture of a section through inverted ground: how conductive, and how surely."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib.collections import PolyCollection
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedLocator, FuncFormatter, LogLocator, MaxNLocator, NullLocator

from ...algorithms.deliver.palettes import Palette
from ...algorithms.ground.inversion.account import ILL_FITTED
from ...algorithms.ground.section import SectionGround
from ..outputs import FileOutput
from .figures import INK, LINE, MARK, dress, new_figure, save

SECTION = FileOutput(
    "SECTION",
    "Section picture",
    "A picture or page of the ground along the section, faint where the bounds are wide: look at "
    "it. Give the line with one of the two parameters on the section.",
    optional=True,
    filter="PNG picture (*.png);;SVG picture (*.svg);;PDF file (*.pdf);;HTML page (*.html)",
)

LOAM = Palette(((24, 24, -48), (36, -2, -34), (48, -16, -8), (60, -10, 26), (72, 8, 54)))
"""Low to high: ink blue, slate, sea green, moss, ochre. It ends well short of white, so that what
fades towards white is told from what is high."""

SURE, FAINT = 2.0, 8.0
"""Factors either way: within the first a cell is drawn full, beyond the second at its faintest."""

FAINTEST = 0.2
"""Share of its colour that the faintest cell keeps."""

SPREAD = 8.0
"""Conductivities that span more than this factor get the ticks of decades."""

SHOWN_FACTORS = (2.0, 3.0, 5.0, 8.0)
COLOURS = (LINE, MARK, "#5c7a4a", "#b8860b", "#6b3f6e", "#646b70")
CAUTION = (
    "One of many grounds that fit. Layers are horizontal to the model: what is narrow or steep "
    "comes out too wide, too shallow and too faint, with side lobes below.",
    "A high value is no proof of a feature, and a low one none of its absence.",
)
WIDTH, LEFT, RIGHT = 10.0, 0.075, 0.985
STRIP, LINES, GROUND, KEY = 0.45, 1.25, 2.5, 0.62
HEAD, FOOT, GAP = 0.62, 0.5, 0.17
"""Inches."""


def draw_section(ground: SectionGround, path: Path, title: str) -> None:
    """Draw misfit, what was read and computed, and the ground, over one distance axis.

    Raises
    ------
    ValueError
        If the file cannot be written there.
    """
    height = HEAD + STRIP + LINES + GROUND + KEY + FOOT + 2 * GAP + 0.95
    figure = new_figure(WIDTH, height)
    place = height - HEAD

    def panel(tall: float, gap: float, left: float = LEFT, width: float = RIGHT - LEFT):
        nonlocal place
        place -= tall
        axes = figure.add_axes([left, place / height, width, tall / height])
        place -= gap
        return axes

    strip, lines = panel(STRIP, GAP), panel(LINES, GAP)
    below = panel(GROUND, 0.72)
    key = panel(KEY, 0.2, LEFT + 0.06, 0.44)
    draw_ground(below, ground)
    _misfit(strip, ground)
    _channels(lines, ground)
    for axes in (strip, lines):
        axes.set_xlim(below.get_xlim())
        axes.tick_params(labelbottom=False)
    draw_key(key, ground.range)
    figure.legend(
        handles=[
            Line2D([], [], color=INK, lw=1.3, ls=(0, (4, 2)), label="depth of investigation"),
            Line2D([], [], color=INK, marker="o", ls="", ms=4, mew=0, alpha=0.4, label="read"),
            Line2D([], [], color=INK, lw=1.3, label="computed from the layers"),
        ],
        loc="upper left", bbox_to_anchor=(0.6, (place + 0.2 + KEY + 0.1) / height), frameon=False,
        fontsize=8,
    )  # fmt: skip
    figure.text(LEFT, 1 - 0.27 / height, title, fontsize=11, color=INK)
    figure.text(LEFT, 0.1 / height, "\n".join(CAUTION), fontsize=7, color=INK, va="bottom")
    save(figure, path, title, CAUTION)


def draw_ground(axes, ground: SectionGround) -> None:
    """Draw the layers, faint where their bounds are wide, and the depth of investigation."""
    section = ground.section
    known = np.isfinite(ground.conductivity)
    m, layers = known.shape
    left, right = (np.broadcast_to(x[:, np.newaxis], (m, layers))[known]
                   for x in (section.left, section.right))  # fmt: skip
    top, bottom = ground.tops[known], ground.bottoms[known]
    corners = np.stack([left, top, right, top, right, bottom, left, bottom], axis=-1)
    colours = faded(ground.conductivity[known], ground.factor[known], ground.range)
    cells = PolyCollection(
        corners.reshape(-1, 4, 2), facecolors=colours, linewidths=0, antialiaseds=False,
        rasterized=True, zorder=1,
    )  # fmt: skip
    axes.add_collection(cells)
    dress(axes)
    axes.grid(False)
    axes.set_facecolor("#e7e5da")
    axes.set_xlim(float(section.left.min()), float(section.right.max()))
    axes.set_ylim(ground.floor, 0.0)
    x, depth = _broken(ground, ground.depth)
    axes.plot(x, depth, color=INK, lw=1.3, ls=(0, (4, 2)), zorder=3)
    axes.set_ylabel("Depth below the ground [m]", fontsize=8, color=INK)
    axes.set_xlabel(
        f"Distance along the section [m]; depths {_exaggeration(axes):.2g} times exaggerated",
        fontsize=8, color=INK,
    )  # fmt: skip
    for at, wind, side in ((0.0, section.ends[0], "left"), (1.0, section.ends[1], "right")):
        axes.annotate(
            wind, (at, 0.0), xycoords="axes fraction", xytext=(0, -16),
            textcoords="offset points", ha=side, va="top", fontsize=9, color=INK, weight="bold",
        )  # fmt: skip


def _exaggeration(axes) -> float:
    """How many times larger depths are drawn than distances."""
    wide, tall = axes.figure.get_size_inches() * np.array(axes.get_position().size)
    return float(tall / np.ptp(axes.get_ylim()) / (wide / np.ptp(axes.get_xlim())))


def faded(conductivity: np.ndarray, factor: np.ndarray, span: tuple[float, float]) -> np.ndarray:
    """Colours from 0 to 1, shape ``(..., 3)``: of the conductivity, faded by the factor."""
    low, high = np.log(span)
    position = (np.log(conductivity) - low) / max(high - low, 1e-9)
    unsure = np.clip(np.log(factor / SURE) / np.log(FAINT / SURE), 0, 1)[..., np.newaxis]
    share = 1 - (1 - FAINTEST) * unsure
    found: np.ndarray = share * LOAM.rgb(position) / 255.0 + (1 - share)
    return found


def draw_key(axes, span: tuple[float, float]) -> None:
    """The colours: conductivity to the right, certainty upwards."""
    at = np.geomspace(*span, 200)
    factors = np.array(SHOWN_FACTORS)
    cells = faded(np.tile(at, (len(factors), 1)), np.tile(factors[:, np.newaxis], at.size), span)
    axes.imshow(cells, aspect="auto", extent=(*np.log(span), len(factors), 0), rasterized=True,
                interpolation="nearest")  # fmt: skip
    axes.set_yticks(np.arange(len(factors)) + 0.5)
    words = [f"{factor:g}" for factor in factors]
    axes.set_yticklabels([f"{words[0]} or less", *words[1:-1], f"{words[-1]} or more"])
    axes.set_ylabel("bounds within\na factor of", fontsize=7, color=INK, rotation=0, ha="right",
                    va="center", labelpad=2)  # fmt: skip
    ticks = _ticks(*span)
    axes.xaxis.set_major_locator(FixedLocator(np.log(ticks)))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{np.exp(value):.3g}"))
    axes.set_xlabel("Conductivity of the layers [mS/m]", fontsize=8, color=INK, labelpad=2)
    axes.tick_params(colors=INK, labelsize=7, length=2)
    for spine in axes.spines.values():
        spine.set_visible(False)


def _ticks(low: float, high: float) -> np.ndarray:
    """Round figures of a span of a logarithmic axis, some six of them."""
    steps = [1, 2, 5, 10] if high > SPREAD * low else None
    found = LogLocator(10, steps[:-1]) if steps else MaxNLocator(7, steps=[1, 2, 2.5, 5, 10])
    ticks = np.asarray(found.tick_values(low, high))
    return ticks[(ticks >= low) & (ticks <= high)]


def _broken(ground: SectionGround, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Values at the middles of the columns, broken at the gaps of the section."""
    section = ground.section
    gap = np.flatnonzero(section.left[1:] > section.right[:-1] + 1e-9) + 1
    return np.insert(section.middle, gap, np.nan), np.insert(values.astype(float), gap, np.nan)


def _misfit(axes, ground: SectionGround) -> None:
    dress(axes)
    x, misfit = _broken(ground, ground.misfit)
    axes.fill_between(x, 0, misfit, color=LINE, alpha=0.35, linewidth=0, step="mid")
    axes.axhline(ILL_FITTED, color=MARK, lw=0.9, ls=(0, (4, 3)))
    axes.set_ylim(0, 1.1 * max(ILL_FITTED, float(np.nanmax(misfit))))
    axes.yaxis.set_major_locator(MaxNLocator(2))
    axes.set_title(
        f"Misfit, standard deviations (dashes: {ILL_FITTED:g}, above it the layers mean little)",
        loc="left", fontsize=8, color=INK, pad=3,
    )  # fmt: skip


def _channels(axes, ground: SectionGround) -> None:
    """What was read, as dots, and what the layers would read, as lines; in-phase to the right."""
    dress(axes)
    units = list(dict.fromkeys(channel.unit for channel in ground.channels))
    sides = {units[0]: axes}
    for unit in units[1:]:
        sides[unit] = axes.twinx()
        sides[unit].tick_params(colors=INK, labelsize=8)
        sides[unit].spines["top"].set_visible(False)
    for unit, side in sides.items():
        side.set_ylabel(unit, fontsize=8, color=INK)
    for k, channel in enumerate(ground.channels):
        colour, side = COLOURS[k % len(COLOURS)], sides[channel.unit]
        x, read = _broken(ground, ground.observed[:, k])
        side.plot(x, read, "o", color=colour, ms=4, mew=0, alpha=0.4)
        side.plot(*_broken(ground, ground.computed[:, k]), color=colour, lw=1.0)
        axes.plot([], [], color=colour, lw=2, label=channel.field)
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 0.97), ncol=6, frameon=False, fontsize=8,
                handlelength=1.4, borderpad=0)  # fmt: skip
