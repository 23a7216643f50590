"""One small file, read in three ways: where its cells lie on the map."""

from __future__ import annotations

import tempfile
from pathlib import Path

TEXT = "11\t12\t13\t14\n21\t22\t-9999\t24\n31\t32\t33\t34\n41\t42\t\t\n"
WAYS = (
    ("ORDER = walked", {"order": "walked"}),
    ("ORDER = lower_left", {"order": "lower_left"}),
    (
        "ORDER = upper_left\nTRAVERSES_IN = columns",
        {"order": "upper_left", "traverses_in": "columns"},
    ),
)
SIDE = 4.0
BEARING = 17.0


def draw(demo: Path, out: Path) -> None:
    """Write `importdatagrids.png`."""
    from lynchet.algorithms.deliver.palettes import HEDGE
    from lynchet.plugin.deliver.figures import INK, LINE, new_figure

    figure = new_figure(13.0, 4.1)
    axes = figure.add_axes([0.005, 0.0, 0.205, 0.9])
    _draw_file(axes, HEDGE, INK)
    for number, (title, options) in enumerate(WAYS):
        axes = figure.add_axes([0.215 + 0.262 * number, 0.0, 0.26, 0.92])
        _draw_map(axes, options, HEDGE, INK, LINE)
        figure.text(0.235 + 0.262 * number, 0.985, title, va="top", fontsize=10, color=INK)
    figure.text(0.02, 0.985, "The file", va="top", fontsize=10, color=INK)
    figure.savefig(out / "importdatagrids.png", dpi=100)


def _colour(palette, value: float):
    return palette.rgb(0.12 + 0.76 * (value - 11) / 33) / 255


def _draw_file(axes, palette, ink) -> None:
    axes.set(xlim=(-0.6, 4.6), ylim=(4.75, -0.6), aspect="equal")
    axes.axis("off")
    for row, line in enumerate(TEXT.splitlines()):
        for column, word in enumerate(line.split("\t")):
            known = word not in ("", "-9999")
            face = _colour(palette, float(word)) if known else "white"
            axes.add_patch(
                _box(column, row, face, "-" if word else ":", ink if word else "#b5b1a0")
            )
            axes.text(
                column + 0.5, row + 0.5, word, ha="center", va="center",
                fontsize=10 if known else 7.5, color=ink,
            )  # fmt: skip
    axes.text(
        0.0, 4.25, "-9999: a reading without a value\nblank at the end: not walked",
        fontsize=8, color=ink, va="top",
    )  # fmt: skip


def _box(x, y, face, style, edge):
    from matplotlib.patches import Rectangle

    return Rectangle((x, y), 1, 1, facecolor=face, edgecolor=edge, linewidth=0.8, linestyle=style)


def _draw_map(axes, options, palette, ink, line_colour) -> None:
    import numpy as np
    from lynchet.algorithms.intake.sitegrid import place_on_site_grid

    found = _read(options)
    table = found.table
    placed = place_on_site_grid(
        table.grid, table.grid_names, table.line, table.sequence, table.along, found.site
    )
    up = SIDE * np.array([np.sin(np.radians(BEARING)), np.cos(np.radians(BEARING))])
    over = np.array([up[1], -up[0]])
    ring = np.array([0 * up, up, up + over, over, 0 * up])
    axes.plot(*ring.T, color=ink, linewidth=1.2)
    axes.set(xlim=(-0.85, 5.45), ylim=(-1.75, 4.35), aspect="equal")
    axes.axis("off")
    for line in np.unique(table.line):
        rows = np.flatnonzero(table.line == line)
        ends = np.column_stack([placed.x[rows], placed.y[rows]])[[0, -1]]
        step = (ends[1] - ends[0]) / max(len(rows) - 1, 1)
        axes.annotate(
            "", ends[1] + 0.47 * step, ends[0] - 0.47 * step,
            arrowprops={"arrowstyle": "-|>", "color": line_colour, "linewidth": 1.4},
            zorder=1,
        )  # fmt: skip
    for x, y, value in zip(placed.x, placed.y, table.values[:, 0]):
        known = np.isfinite(value)
        axes.plot(
            x, y, "o", markersize=19, markeredgecolor=ink, markeredgewidth=0.7,
            markerfacecolor=_colour(palette, value) if known else "white",
        )  # fmt: skip
        axes.text(
            x, y - 0.02, f"{value:.0f}" if known else "NULL", ha="center", va="center",
            fontsize=9 if known else 5.5, color=ink,
        )  # fmt: skip
    axes.plot(0, 0, "s", color=ink, markersize=6)
    axes.text(-0.2, -0.2, "layout's\ncorner", fontsize=8, color=ink, ha="center", va="top")
    axes.annotate(
        "", 1.02 * up - [0.22, 0], 0.62 * up - [0.22, 0],
        arrowprops={"arrowstyle": "->", "color": ink, "linewidth": 1},
    )  # fmt: skip
    axes.text(*(0.78 * up - [0.42, 0]), "bearing", fontsize=8, color=ink, rotation=90 - BEARING,
              ha="center", va="center")  # fmt: skip


def _read(options):
    from lynchet.algorithms.intake.importdatagrids import GridFileOptions, read_data_grids
    from lynchet.algorithms.intake.sitegrid import Origin, SiteGrid
    from lynchet.algorithms.intake.text.delimited import TableFormat

    site = SiteGrid(
        {"G1": Origin(0.0, 0.0, BEARING, SIDE)}, separation=1.0, interval=1.0, length=SIDE
    )
    form = TableFormat(header=False, delimiter="tab", null_values=("-9999",))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "G1.txt"
        path.write_text(TEXT, "utf-8")
        asked = GridFileOptions(channels="ec_050 [mS/m]", **options)
        return read_data_grids([path], site, {"G1": SIDE}, asked, form)
