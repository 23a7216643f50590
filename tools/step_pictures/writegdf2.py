"""Readings of the sample survey, and the data file, definition and codes chosen for them."""

from __future__ import annotations

from pathlib import Path

WIDE = 104
"""Characters from side to side."""

FIRST, COUNT = 1278, 5
NOTES = {
    "line": "whole numbers",
    "grid": "text: blank for NULL",
    "easting": "to the millimetre",
    "ec_050": "two decimals, as recorded; the code for NULL lies below all values",
    "ip_050": "three decimals, as recorded",
}


def draw(demo: Path, out: Path) -> None:
    """Write `writegdf2.png`."""
    import numpy as np
    from lynchet.algorithms.deliver.writegdf2 import (
        Column,
        definition_of,
        plan_fields,
        record_bytes,
    )
    from lynchet.algorithms.intake.gdf2.definition import definition_text
    from lynchet.algorithms.intake.importtable import Roles, read_table
    from lynchet.algorithms.intake.sitegrid import Origin, SiteGrid, place_on_site_grid
    from lynchet.plugin.deliver.figures import INK, LINE, new_figure
    from pictures import SAMPLE
    from step_pictures._fixed_width import coloured, line, paper, ruler, shade

    roles = Roles(grid="grid", line="line", sequence="reading", time="time", keep="mark")
    table = read_table([SAMPLE / "quillmere_g1.csv"], None, roles)
    site = SiteGrid({"": Origin(430000.0, 5900000.0, 17.0)}, separation=0.5, interval=0.125)
    placed = place_on_site_grid(
        table.grid, table.grid_names, table.line, table.sequence, None, site
    )
    ec, ip = table.values[:, 0].copy(), table.values[:, 1]
    ec[FIRST + 1] = np.nan
    columns = [
        Column("line", table.line.astype(float), whole=True),
        Column("seq", table.sequence, whole=True),
        Column("grid", np.array(table.grid_names, object)[table.grid]),
        Column("easting", placed.x, "m", decimals=3),
        Column("northing", placed.y, "m", decimals=3),
        Column("ec_050", ec, "mS/m"),
        Column("ip_050", ip, "ppt"),
    ]
    planned = plan_fields(columns)
    definition = definition_of(planned.fields, "")
    rows = np.arange(FIRST, FIRST + COUNT)
    records = b"".join(record_bytes(columns, planned.fields, rows)).decode().splitlines()
    lines = [text for text in definition_text(definition).splitlines() if ",RT=;" in text]
    colours = coloured(definition.places)

    figure = new_figure(12.4, 6.2)
    for text, y in (("what the layer holds", 0.975), ("the data file (.dat)", 0.69),
                    ("its definition (.dfn)", 0.40)):  # fmt: skip
        figure.text(0.012, y, text, va="top", fontsize=11, color=LINE)

    axes = figure.add_axes([0.01, 0.71, 0.98, 0.23])
    axes.set(xlim=(0, 100), ylim=(COUNT + 1.1, 0))
    axes.axis("off")
    left = 0.6
    for column, width in zip(columns, (6, 6, 6, 20, 20, 12, 12)):
        axes.fill_between([left, left + width - 0.8], 0.05, COUNT + 1, color=colours[column.name],
                          linewidth=0)  # fmt: skip
        middle = left + width / 2 - 0.4
        axes.text(middle, 0.5, column.name, fontsize=9, weight="bold", color=INK, ha="center",
                  va="center")  # fmt: skip
        for row, value in enumerate(column.values[rows].tolist()):
            null = value != value
            cell = "NULL" if null else f"{value:.0f}" if column.whole else str(value)
            axes.text(middle, 1.45 + row * 0.98, cell, fontsize=9, ha="center", va="center",
                      color="#a03c14" if null else INK)  # fmt: skip
        left += width

    axes = paper(figure, [0.01, 0.425, 0.98, 0.215], WIDE, COUNT + 0.2)
    ruler(axes, 50, -0.95, INK)
    for row, text in enumerate(records):
        line(axes, row, text, INK, 12.5)
        for place in definition.places:
            shade(axes, place.start + 0.06, place.end - 0.06, row - 0.42, row + 0.42,
                  colours[place.name])  # fmt: skip

    axes = paper(figure, [0.01, 0.01, 0.98, 0.36], WIDE, len(lines) + 0.2)
    for row, text in enumerate(lines):
        line(axes, row, text, INK, 12.5)
        for name, colour in colours.items():
            start = text.find(f";{name}:") + 1
            if start:
                shade(axes, start, len(text), row - 0.42, row + 0.42, colour)
                axes.text(60, row, NOTES.get(name, ""), fontsize=10, color="#6d6a5c", va="center")
    figure.savefig(out / "writegdf2.png", dpi=100)
