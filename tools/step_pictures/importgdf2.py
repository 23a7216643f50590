"""A definition, the records it defines, and the readings they become."""

from __future__ import annotations

import tempfile
from pathlib import Path

WIDE = 104
"""Characters from side to side."""

DEFINITION = (
    "DEFN   ST=RECD,RT=COMM;RT:A4;COMMENTS:A76",
    "DEFN 1 ST=RECD,RT=;LINE:I6;GRID:A4;FIDUCIAL:I6",
    "DEFN 2 ST=RECD,RT=;EASTING:F12.2:UNIT=m",
    "DEFN 3 ST=RECD,RT=;NORTHING:F12.2:UNIT=m",
    "DEFN 4 ST=RECD,RT=;EC:2F9.2:UNIT=mS/m,NULL=-999.99",
    "DEFN 5 ST=RECD,RT=;NOTE:A8;END DEFN",
)
RECORDS = (
    "     1  G1     1   430000.25  5899999.98    21.89    23.06",
    "     1  G1     2   430000.29  5900000.10    21.96  -999.99 stone",
    "COMM walked back after rain",
    "     2  G1     1   430005.84  5900019.12    20.37    22.71",
)


def draw(demo: Path, out: Path) -> None:
    """Write `importgdf2.png`."""
    from lynchet.algorithms.intake.gdf2.definition import parse_definition
    from lynchet.algorithms.intake.importgdf2 import read_line_data
    from lynchet.plugin.deliver.figures import INK, LINE, new_figure
    from step_pictures._fixed_width import coloured, line, paper, ruler, shade

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "quillmere.dat"
        path.write_text("\n".join(RECORDS) + "\n", encoding="utf-8")
        path.with_suffix(".dfn").write_text("\n".join(DEFINITION) + "\n", encoding="utf-8")
        data = read_line_data([path])
    places = parse_definition("\n".join(DEFINITION), "quillmere.dfn").places
    colours = coloured(places)
    figure = new_figure(12.4, 6.6)
    heads = (("quillmere.dfn, the definition", 0.975), ("quillmere.dat, the data", 0.64),
             ("the readings layer", 0.32))  # fmt: skip
    for text, y in heads:
        figure.text(0.012, y, text, va="top", fontsize=11, color=LINE)

    axes = paper(figure, [0.01, 0.645, 0.98, 0.3], WIDE, 6.2)
    for row, text in enumerate(DEFINITION):
        line(axes, row, text, INK, 12.5)
        for name, colour in colours.items():
            start = text.find(f";{name}:") + 1
            if start:
                end = text.find(";", start)
                shade(axes, start, len(text) if end < 0 else end, row - 0.42, row + 0.42, colour)

    axes = paper(figure, [0.01, 0.345, 0.98, 0.23], WIDE, 4.2)
    ruler(axes, 80, -0.95, INK)
    for row, text in enumerate(RECORDS):
        line(axes, row, text, "#8b8777" if text.startswith("COMM") else INK, 12.5)
        if not text.startswith("COMM"):
            for place in places:
                shade(axes, place.start + 0.06, place.end - 0.06, row - 0.42, row + 0.42,
                      colours[place.field.name])  # fmt: skip
    axes.text(31, 2, "a remark: counted, not read", fontsize=9, color="#8b8777", va="center")

    _draw_layer(figure, data, colours, INK)
    figure.savefig(out / "importgdf2.png", dpi=100)


def _draw_layer(figure, data, colours, ink) -> None:
    """The table of what came in."""
    table = data.table
    columns = [
        ("grid", "GRID", [table.grid_names[code] for code in table.grid]),
        ("line", "LINE", table.line.tolist()),
        ("seq", "FIDUCIAL", [int(number) for number in table.sequence]),
        ("point x", "EASTING", [f"{x:.2f}" for x in table.x]),
        ("point y", "NORTHING", [f"{y:.2f}" for y in table.y]),
        *(
            (f"{name} [{unit}]", "EC", ["NULL" if v != v else f"{v:.2f}" for v in values])
            for name, unit, values in zip(table.channels, table.units, table.values.T)
        ),
        ("NOTE", "NOTE", [word or "NULL" for word in table.kept["NOTE"]]),
    ]
    axes = figure.add_axes([0.01, 0.01, 0.98, 0.27])
    axes.set(xlim=(0, 100), ylim=(4.1, 0))
    axes.axis("off")
    left = 0.6
    for (head, name, cells), width in zip(columns, (7, 7, 7, 14, 14, 15, 15, 12)):
        axes.fill_between([left, left + width - 0.8], 0.05, 4.0, color=colours[name], linewidth=0)
        axes.text(left + width / 2 - 0.4, 0.55, head, fontsize=9.5, color=ink, weight="bold",
                  ha="center", va="center")  # fmt: skip
        for row, cell in enumerate(cells):
            axes.text(left + width / 2 - 0.4, 1.5 + row, str(cell), fontsize=9.5, ha="center",
                      va="center", color="#a03c14" if cell == "NULL" else ink)  # fmt: skip
        left += width
