"""Data grids over the outline of Quillmere, and over an invented field of a less easy shape."""

from __future__ import annotations

from pathlib import Path

from host import ROOT

PLAN = ROOT / "sample_layers" / "quillmere_plan.geojson"
FIELD = (
    "Polygon((0 0, 62 -14, 118 6, 131 58, 96 92, 71 66, 38 71, 12 52, 0 0),"
    "(70 30, 76 44, 92 38, 84 24, 70 30))"
)
GROUND, WORN = "#e4e0cf", "#c9c1a6"


def draw(demo: Path, out: Path) -> None:
    """Run the step twice and draw what it wrote."""
    import processing
    from lynchet.plugin.deliver.figures import INK, new_figure

    sample = {"INPUT": str(PLAN), "WHERE": "kind = 'outline'"}
    easy = processing.run("lynchet:plangrids", {**sample, **_outputs()})
    field = {"INPUT": _invented_field(), "LEAST_SHARE": 5, "CLIP": True}
    hard = processing.run("lynchet:plangrids", {**field, **_outputs()})
    figure = new_figure(12.4, 6.0)
    left, right = (
        figure.add_axes([0.015, 0.03, 0.4, 0.87]),
        figure.add_axes([0.43, 0.03, 0.56, 0.87]),
    )
    for axes, found, title in (
        (left, easy, "Quillmere: {n} data grids of 20 m, best fit {b:.1f}°"),
        (right, hard, "A field of no easy shape, clipped: {n} data grids, best fit {b:.1f}°"),
    ):
        grids = list(found["OUTPUT"].getFeatures())
        axes.set_title(
            title.format(n=len(grids), b=grids[0]["bearing"]), loc="left", fontsize=11, color=INK
        )
        axes.set_aspect("equal")
        axes.set_axis_off()
    _sample_surroundings(left)
    _draw_plan(left, easy, stakes=True)
    _fill(right, next(field["INPUT"].getFeatures()).geometry(), GROUND)
    _draw_plan(right, hard, stakes=False)
    figure.savefig(out / "plangrids.png", dpi=100)


def _outputs() -> dict[str, str]:
    return {"OUTPUT": "memory:", "STAKES": "memory:", "CHECKS": "memory:"}


def _invented_field():
    from qgis.core import QgsFeature, QgsGeometry, QgsVectorLayer

    layer = QgsVectorLayer("Polygon?crs=EPSG:25831", "field", "memory")
    feature = QgsFeature()
    geometry = QgsGeometry.fromWkt(FIELD)
    geometry.translate(430000, 5900000)
    feature.setGeometry(geometry)
    layer.dataProvider().addFeatures([feature])
    return layer


def _sample_surroundings(axes) -> None:
    from qgis.core import QgsVectorLayer

    for feature in QgsVectorLayer(str(PLAN), "plan", "ogr").getFeatures():
        colour = {"outline": GROUND, "fence": "#6d7a5c", "track": WORN}[feature["kind"]]
        _fill(axes, feature.geometry(), colour)
        if feature["kind"] != "outline":
            place = feature.geometry().centroid().asPoint()
            shift = (4, -3.4) if feature["kind"] == "fence" else (-4.5, 9)
            axes.text(
                place.x() + shift[0], place.y() + shift[1], feature["kind"], fontsize=9,
                color="#6d6a5c", rotation=-17 if feature["kind"] == "fence" else 73,
                ha="center", va="center",
            )  # fmt: skip


def _fill(axes, geometry, colour) -> None:
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as Drawn

    parts = geometry.asMultiPolygon() if geometry.isMultipart() else [geometry.asPolygon()]
    for rings in parts:
        shapes = [Drawn([(p.x(), p.y()) for p in ring], closed=True) for ring in rings]
        axes.add_patch(
            PathPatch(Drawn.make_compound_path(*shapes), facecolor=colour, edgecolor="none")
        )


def _draw_plan(axes, found, stakes: bool) -> None:
    """Data grids with their names and first traverse, base line, and stakes with their numbers."""
    from lynchet.plugin.deliver.figures import LINE, MARK

    for feature in found["OUTPUT"].getFeatures():
        geometry = feature.geometry()
        for rings in (
            geometry.asMultiPolygon() if geometry.isMultipart() else [geometry.asPolygon()]
        ):
            for ring in rings:
                axes.plot([p.x() for p in ring], [p.y() for p in ring], color=LINE, linewidth=1.2)
        place = geometry.pointOnSurface().asPoint()
        if geometry.area() > 20:
            axes.text(
                place.x(), place.y(), feature["grid"], color=LINE, fontsize=13 if stakes else 9,
                ha="center", va="center",
            )  # fmt: skip
        if stakes:
            _draw_first_traverse(axes, feature)
    base = [f for f in found["CHECKS"].getFeatures() if f["what"] == "base line"]
    ends = base[-1].geometry().asPolyline()
    axes.plot(
        [p.x() for p in ends], [p.y() for p in ends], color=MARK, linewidth=2.2, dashes=(4, 2),
        label=f"base line, {base[-1]['expected']:g} m",
    )  # fmt: skip
    points = list(found["STAKES"].getFeatures())
    axes.plot(
        [f["x"] for f in points], [f["y"] for f in points], "o", color=MARK,
        markersize=6 if stakes else 3, label=f"{len(points)} stakes",
    )  # fmt: skip
    if stakes:
        for feature in points:
            axes.annotate(
                str(feature["stake"]), (feature["x"], feature["y"]), (6, 6), color=MARK,
                textcoords="offset points", fontsize=10, weight="bold",
            )  # fmt: skip
    if stakes:
        axes.plot([], [], color=LINE, marker="^", linewidth=1.0, label="first traverse")
    axes.legend(loc="upper right" if stakes else "upper left", fontsize=9, frameon=False)


def _draw_first_traverse(axes, feature) -> None:
    import math

    from lynchet.plugin.deliver.figures import LINE

    turn, inner = math.radians(feature["bearing"]), 1.2
    x, y = feature["x"] + inner * math.cos(turn), feature["y"] - inner * math.sin(turn)
    axes.annotate(
        "", (x + 14 * math.sin(turn), y + 14 * math.cos(turn)),
        (x + 3 * math.sin(turn), y + 3 * math.cos(turn)),
        arrowprops={"arrowstyle": "-|>", "color": LINE, "lw": 1.0},
    )  # fmt: skip
