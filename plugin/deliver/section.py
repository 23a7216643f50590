"""The picture of a section through inverted ground: how conductive, and how surely."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib.collections import PolyCollection
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FixedLocator, FuncFormatter, LogLocator, MaxNLocator, NullLocator

from ...algorithms.deliver.palettes import Palette
from ...algorithms.ground.inversion.account import ILL_FITTED
from ...algorithms.ground.section_ground import SectionGround, shown_range
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
NONE = "#8f8f8f"
"""Where there is no layer: grey, and darker than anything faded."""

HATCH = "//////"
"""Over layers that fit badly."""

MISFITS = 4 * ILL_FITTED
"""Where the misfit's axis ends at most."""

ILL = {"facecolor": "none", "edgecolor": INK, "hatch": HATCH, "linewidth": 0.0}
DEPTH = {"color": INK, "lw": 1.3, "ls": (0, (4, 2))}
BOUND = {"color": INK, "lw": 1.0, "ls": (0, (1, 1.5))}
ARROWS = 12
"""Arrows to a bound below the floor, at most some so many."""

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
    off = _misfit(strip, ground) | _channels(lines, ground)
    for axes in (strip, lines):
        axes.set_xlim(below.get_xlim())
        axes.tick_params(labelbottom=False)
    draw_key(key, ground.range)
    figure.legend(
        handles=[
            Line2D([], [], color=INK, marker="o", ls="", ms=4, mew=0, alpha=0.4, label="read"),
            Line2D([], [], color=INK, lw=1.3, label="computed from the layers"),
            *([_arrow("^", "off the axis")] if off else []),
            *legend_of(ground),
        ],
        loc="upper left", bbox_to_anchor=(0.585, (place + 0.2 + KEY + 0.12) / height),
        frameon=False, fontsize=8, ncol=2, columnspacing=1.2,
    )  # fmt: skip
    figure.text(LEFT, 1 - 0.27 / height, title, fontsize=11, color=INK)
    figure.text(LEFT, 0.1 / height, "\n".join(CAUTION), fontsize=7, color=INK, va="bottom")
    save(figure, path, title, CAUTION)


def legend_of(ground: SectionGround) -> list:
    """What tells the marks of the ground: those alone that it has."""
    handles: list = [Line2D([], [], **DEPTH, label="depth of investigation")]
    if ground.free:
        handles.append(Line2D([], [], **BOUND, label="bounds of an interface"))
    if (ground.base_high > ground.floor).any():
        handles.append(_arrow("v", "a bound lies deeper"))
    if (ground.misfit > ILL_FITTED).any():
        handles.append(Patch(**ILL, label=f"misfit above {ILL_FITTED:g}: means little"))
    if _has_gaps(ground):
        handles.append(Patch(facecolor=NONE, label="no layers here"))
    return handles


def draw_ground(axes, ground: SectionGround) -> None:
    """Draw the layers, faint where their bounds are wide, and the depth of investigation.

    What fits badly is drawn at its faintest, and hatched.
    """
    section = ground.section
    column, top, bottom, conductivity, factor = ground.cells()
    left, right = section.left[column], section.right[column]
    corners = np.stack([left, top, right, top, right, bottom, left, bottom], axis=-1)
    ill = ground.misfit > ILL_FITTED
    colours = faded(conductivity, np.where(ill[column], np.inf, factor), ground.range)
    cells = PolyCollection(
        corners.reshape(-1, 4, 2), facecolors=colours, linewidths=0, antialiaseds=False,
        rasterized=True, zorder=1,
    )  # fmt: skip
    axes.add_collection(cells)
    dress(axes)
    axes.grid(False)
    axes.set_facecolor(NONE)
    axes.set_xlim(float(section.left.min()), float(section.right.max()))
    axes.set_ylim(ground.floor, 0.0)
    for start, end in _runs(ground, ill):
        axes.fill_between([start, end], 0.0, ground.floor, **ILL, zorder=2)
    if ground.free:
        _bounds(axes, ground)
    depth = np.where(ill, np.nan, np.minimum(ground.depth, 0.995 * ground.floor))
    axes.plot(*_broken(ground, depth), **DEPTH, zorder=3)
    axes.set_ylabel("Depth below the ground [m]", fontsize=8, color=INK)
    axes.set_xlabel(
        f"Distance along the section [m]; {scale_words(_exaggeration(axes))}",
        fontsize=8, color=INK,
    )  # fmt: skip
    for at, wind, side in ((0.0, section.ends[0], "left"), (1.0, section.ends[1], "right")):
        axes.annotate(
            wind, (at, 0.0), xycoords="axes fraction", xytext=(0, -16),
            textcoords="offset points", ha=side, va="top", fontsize=9, color=INK, weight="bold",
        )  # fmt: skip


def _bounds(axes, ground: SectionGround) -> None:
    """Draw the bounds of every interface; arrows at the floor where one lies below it."""
    floor = ground.floor
    for bound in (*ground.base_low.T, *ground.base_high.T):
        axes.plot(*_broken(ground, np.where(bound < floor, bound, np.nan)), **BOUND, zorder=4)
    below = np.flatnonzero((ground.base_high > floor).any(axis=1))
    shown = below[:: max(len(below) // ARROWS, 1)]
    axes.plot(ground.section.middle[shown], np.full(len(shown), 0.97 * floor), ls="", marker="v",
              ms=4, mew=0, color=INK, zorder=4)  # fmt: skip


def _runs(ground: SectionGround, chosen: np.ndarray) -> list[tuple[float, float]]:
    """Where columns that are chosen begin and end, those that touch as one."""
    left, right = ground.section.left[chosen], ground.section.right[chosen]
    if not len(left):
        return []
    parted = np.flatnonzero(left[1:] > right[:-1] + 1e-9)
    return list(zip(left[[0, *(parted + 1)]].tolist(), right[[*parted, len(right) - 1]].tolist()))


def _has_gaps(ground: SectionGround) -> bool:
    """Whether there is a place along the section without layers."""
    known = np.isfinite(ground.misfit)
    return not known.all() or len(_runs(ground, known)) > 1


def scale_words(exaggeration: float) -> str:
    """How depths are drawn beside distances."""
    if 0.95 < exaggeration < 1.05:
        return "depths to scale"
    if exaggeration > 1:
        return f"depths {exaggeration:.2g} times exaggerated"
    return f"depths flattened {1 / exaggeration:.2g} times"


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
    axes.set_xlabel(
        f"Conductivity of the layers, colours from {span[0]:.3g} to {span[1]:.3g} mS/m",
        fontsize=8, color=INK, labelpad=2,
    )  # fmt: skip
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


def _misfit(axes, ground: SectionGround) -> bool:
    """How well each column fits. Tells whether one lies off the axis."""
    dress(axes)
    section, known = ground.section, np.isfinite(ground.misfit)
    left, right, tall = section.left[known], section.right[known], ground.misfit[known]
    nought = np.zeros_like(tall)
    corners = np.stack([left, nought, right, nought, right, tall, left, tall], axis=-1)
    axes.add_collection(
        PolyCollection(corners.reshape(-1, 4, 2), facecolors=LINE, alpha=0.35, linewidths=0)
    )
    axes.axhline(ILL_FITTED, color=MARK, lw=0.9, ls=(0, (4, 3)))
    top = min(1.1 * max(ILL_FITTED, float(tall.max())), MISFITS)
    axes.set_ylim(0, top)
    _mark_off(axes, section.middle[known][tall > top], np.array([]), INK)
    axes.yaxis.set_major_locator(MaxNLocator(2))
    axes.set_title(
        f"Misfit, standard deviations (dashes: {ILL_FITTED:g}, above it the layers mean little)",
        loc="left", fontsize=8, color=INK, pad=3,
    )  # fmt: skip
    return bool((tall > top).any())


def _channels(axes, ground: SectionGround) -> bool:
    """What was read, as dots, and what the layers would read, as lines; in-phase to the right.

    Tells whether something read lies off its axis.
    """
    dress(axes)
    units = list(dict.fromkeys(channel.unit for channel in ground.channels))
    sides = {units[0]: axes}
    for unit in units[1:]:
        sides[unit] = axes.twinx()
        sides[unit].tick_params(colors=INK, labelsize=8)
        sides[unit].spines["top"].set_visible(False)
    for unit, side in sides.items():
        side.set_ylabel(unit, fontsize=8, color=INK)
        own = [channel.unit == unit for channel in ground.channels]
        low, high = shown_range(ground.observed[:, own])
        margin = 0.08 * (high - low) or 0.05 * abs(high) or 1.0
        side.set_ylim(low - margin, high + margin)
    off = False
    for k, channel in enumerate(ground.channels):
        colour, side = COLOURS[k % len(COLOURS)], sides[channel.unit]
        x, read = _broken(ground, ground.observed[:, k])
        side.plot(x, read, "o", color=colour, ms=4, mew=0, alpha=0.4)
        side.plot(*_broken(ground, ground.computed[:, k]), color=colour, lw=1.0)
        axes.plot([], [], color=colour, lw=2, label=channel.field)
        low, high = side.get_ylim()
        _mark_off(side, x[read > high], x[read < low], colour)
        off |= bool(((read > high) | (read < low)).any())
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 0.97), ncol=6, frameon=False, fontsize=8,
                handlelength=1.4, borderpad=0)  # fmt: skip
    return off


def _arrow(marker: str, label: str) -> Line2D:
    return Line2D([], [], color=INK, marker=marker, ls="", ms=5, mew=0, label=label)


def _mark_off(axes, above: np.ndarray, below: np.ndarray, colour: str) -> None:
    """Mark places whose values lie off the axis, at its edge."""
    for x, at, marker in ((above, 0.96, "^"), (below, 0.04, "v")):
        axes.plot(x, np.full(len(x), at), ls="", marker=marker, ms=5, mew=0, color=colour,
                  transform=axes.get_xaxis_transform(), zorder=5)  # fmt: skip
