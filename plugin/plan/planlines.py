"""The step "Plan traverses"."""

from __future__ import annotations

from collections.abc import Iterator

from qgis.core import QgsFeature, QgsFields, QgsGeometry, QgsPointXY, QgsUnitTypes, QgsWkbTypes

from ...algorithms.intake.sitegrid import WALKING, SiteGrid
from ...algorithms.plan.effort import EffortOptions
from ...algorithms.plan.fewest_turns import Area, frame_outline
from ...algorithms.plan.planlines import Logging, TraversePlan, planlines
from ...algorithms.plan.resolution import Sought
from .. import compat
from ..inputs import Areas, Layer
from ..outputs import LayerOutput
from ..parameters import Choice, Number
from ..readings_layer import read_layout
from ..step import Step
from ..styles import style_traverses
from .cutting import Cutter, avoided, outline_in, rectangle, vertices, whole_geometry
from .effort import EFFORT
from .resolution import SOUGHT

DATA_GRID = ("grid", "x", "y", "bearing", "length", "width")
SHOWN = 10
"""Outlines whose frame is told in the messages."""


class PlanLines(Step):
    """Data grids or outlines to traverses."""

    identifier = "planlines"
    title = "Plan traverses"
    stage = "plan"
    summary = (
        "Lays traverses over data grids or any outline, round what is to be avoided, and tells "
        "how long they take, how many readings they give and what they can be expected to show."
    )
    advice = (
        "A layer with the fields grid, x, y, bearing, length and width is taken as data grids, "
        "each with a bearing of its own; any other as outlines, whose traverses run by the "
        "bearing given or, left empty, so that there are the fewest turns. Readings brought in "
        "later with the same separation, interval and walking fall on the planned lines.",
        "Walk across, not along, known ditches, banks and walls, if need be with more turns.",
        "The plan knows nothing of what is under or on the ground. Before going out: permission "
        "of landowner and occupier, consent where the law asks for it, and a look at the ground "
        "with its stock, crops, slopes, water and overhead lines. Where there may be unexploded "
        "ordnance, specialists come first. Before a peg or stake is driven, make sure that no "
        "service lies beneath. Local law and licensed practice come before anything said here.",
    )
    words = (
        "survey design", "transects", "lines", "walking", "bearing", "time", "effort", "battery",
        "memory", "sampling", "resolution", "obstacles", "zigzag",
    )  # fmt: skip
    parameters = (
        Areas(
            "INPUT",
            "Data grids or outlines",
            "Polygons in a projected coordinate reference system; walked in the layer's order.",
            projected=True,
        ),
        Number(
            "BEARING",
            "Bearing of the first traverse",
            "For outlines. Empty: that of the fewest turns, for each outline.",
            optional=True,
            minimum=-360,
            maximum=360,
            unit="degrees clockwise from grid north",
        ),
        Number(
            "SEPARATION",
            "Traverse separation",
            "Two traverses should cross the smallest feature: at most half its size.",
            default=1.0,
            minimum=1e-6,
            distance_of="INPUT",
        ),
        Number(
            "INTERVAL",
            "Reading interval",
            "At most half the traverse separation, and a third of the smallest feature.",
            default=0.25,
            minimum=1e-6,
            distance_of="INPUT",
        ),
        Choice(
            "WALKING",
            "Walking",
            "'zigzag': every second traverse is walked back, which is quicker but asks for lag to "
            "be corrected; 'one_way': all in one direction.",
            default="zigzag",
            options=WALKING,
        ),
        Layer(
            "AVOID",
            "Areas to avoid",
            "Trees, fences, buildings, ground without consent: polygons, lines or points in the "
            "same coordinate reference system. Traverses are cut at them.",
            optional=True,
            projected=True,
        ),
        Number(
            "CLEARANCE",
            "Clearance",
            "Distance kept from what is to be avoided. Metal fences and vehicles spoil readings "
            "several coil spacings away.",
            default=1.0,
            minimum=0,
            distance_of="INPUT",
        ),
        *SOUGHT,
        *EFFORT,
        Number(
            "SHORTEST",
            "Shortest piece",
            "Shorter pieces between obstacles are left out. Empty: three reading intervals.",
            optional=True,
            minimum=0,
            distance_of="INPUT",
            advanced=True,
        ),
        Choice(
            "SIDE",
            "Further traverses lie to the",
            "Seen along the first traverse.",
            default="right",
            options=("right", "left"),
            advanced=True,
        ),
        Number(
            "FIRST_LINE",
            "Number of the first traverse",
            "The one nearest to the corner, in every area.",
            default=1,
            whole=True,
            advanced=True,
        ),
        Number(
            "FIRST_OFFSET",
            "First traverse from the side",
            "Empty: half the traverse separation.",
            optional=True,
            minimum=0,
            distance_of="INPUT",
            advanced=True,
        ),
        Number(
            "FIRST_POSITION",
            "First reading from the start",
            "Empty: half the reading interval, as always with a logging rate.",
            optional=True,
            minimum=0,
            distance_of="INPUT",
            advanced=True,
        ),
        LayerOutput(
            "OUTPUT",
            "Traverses",
            "A line a traverse, or one a piece, drawn the way it is walked.",
            kind="Line",
            style=style_traverses,
        ),
        LayerOutput(
            "FRAMES",
            "Frames of the areas",
            "Rectangles with the fields of data grids: the layout by which readings of the plan "
            "are brought in.",
            kind="Polygon",
            optional=True,
        ),
    )

    def problem(self, task):
        for name in ("INPUT", "AVOID"):
            layer = task[name]
            if layer is not None and layer.source.featureCount() == 0:
                return f"Layer '{layer.name}' for '{self.parameter(name).label}' is empty."
        layer, avoid = task["INPUT"], task["AVOID"]
        if avoid is not None and avoid.crs != layer.crs:
            return (
                f"Layer '{avoid.name}' is in {avoid.crs.authid()} and layer '{layer.name}' in "
                f"{layer.crs.authid()}. Run 'Reproject layer' (native:reprojectlayer) first."
            )
        if task["BEARING"] is not None and _are_data_grids(layer):
            return (
                f"Layer '{layer.name}' holds data grids, which have bearings of their own. Leave "
                f"'{self.parameter('BEARING').label}' empty, or plan over an outline."
            )
        return None

    def work(self, task):
        layer = task["INPUT"]
        unit = QgsUnitTypes.toAbbreviatedString(layer.crs.mapUnits()) or "map units"
        areas, outlines, site = self.areas(task)
        obstacles = []
        if task["AVOID"] is not None:
            obstacles = avoided(task["AVOID"], task["CLEARANCE"], task.part(0.05, 0.15))
        found = planlines(
            areas, site, task.options(EffortOptions), task.options(Logging), task.options(Sought),
            unit, Cutter(outlines, obstacles), task.part(0.15, 0.8),
        )  # fmt: skip
        history = [*layer.lines, self.entry(task, found.figures, {})]
        fields = _fields(unit)
        target = self.write_layer(
            task, "OUTPUT", fields, QgsWkbTypes.Type.LineString, layer.crs,
            _features(found, fields, task["RATE"] is None), history,
        )  # fmt: skip
        outputs = {"OUTPUT": target}
        if self.parameter("FRAMES").given(task):
            outputs["FRAMES"] = self.write_layer(
                task, "FRAMES", _frame_fields(), QgsWkbTypes.Type.Polygon, layer.crs,
                _frames(areas, site.side), history,
            )  # fmt: skip
        task.progress(1.0)
        if not _are_data_grids(layer):
            for area in areas[:SHOWN]:
                task.say(_told(area, unit))
        return {**outputs, "FIGURES": self.report(task, found)}

    def areas(self, task) -> tuple[list[Area], list[QgsGeometry | None], SiteGrid]:
        """The areas, the outlines to cut their traverses at, and the site grid."""
        layer, side = task["INPUT"], task["SIDE"]
        geometries = [
            whole_geometry(feature, number, layer)
            for number, feature in enumerate(layer.features(), start=1)
        ]
        if _are_data_grids(layer):
            areas = _data_grids(layer)
            site = task.options(SiteGrid, origins={area.name: area.origin for area in areas})
            outlines = [outline_in(area, one, side) for area, one in zip(areas, geometries)]
            return areas, outlines, site
        names = _names(layer)
        # The origins come of the frames, and the frames of the spacing.
        site = task.options(SiteGrid, origins={"": Area("", 0, 0, 0, 1, 1).origin})
        areas = []
        for number, (name, geometry) in enumerate(zip(names, geometries), start=1):
            try:
                areas.append(frame_outline(name, vertices(geometry), task["BEARING"], site))
            except ValueError as wrong:
                raise ValueError(f"Feature {number} of layer '{layer.name}': {wrong}") from wrong
        site = task.options(SiteGrid, origins={area.name: area.origin for area in areas})
        return areas, geometries, site


def _are_data_grids(layer) -> bool:
    return all(name in layer.field_names for name in DATA_GRID)


def _data_grids(layer) -> list[Area]:
    rows = read_layout(layer)
    sizes = [(feature["length"], feature["width"]) for feature in layer.features()]
    areas = []
    for (grid, x, y, bearing, _), (length, width) in zip(rows, sizes):
        if compat.is_null(length) or compat.is_null(width):
            raise ValueError(f"Layer '{layer.name}' lacks length or width for data grid '{grid}'.")
        areas.append(Area(grid, x, y, bearing, float(length), float(width)))
    return areas


def _names(layer) -> list[str]:
    """Names of outlines: from the field `grid`, else their numbers; none for the only one."""
    if "grid" in layer.field_names:
        named = [feature["grid"] for feature in layer.features()]
        return ["" if compat.is_null(name) else str(name) for name in named]
    count = sum(1 for _ in layer.features())
    return [str(number) for number in range(1, count + 1)] if count > 1 else [""]


def _told(area: Area, unit: str) -> str:
    name = f" of area '{area.name}'" if area.name else ""
    return (
        f"Frame{name}: corner {area.x:.2f} {area.y:.2f}, bearing {area.bearing:.2f}°, "
        f"{area.length:.2f} {unit} along the traverses, {area.width:.2f} {unit} across."
    )


def _fields(unit: str) -> QgsFields:
    fields = QgsFields()
    for name, kind, alias in (
        ("grid", "text", ""),
        ("line", "integer", ""),
        ("piece", "integer", ""),
        ("walk_order", "integer", "order of walking"),
        ("bearing", "real", "bearing [degrees]"),
        ("length", "real", f"length [{unit}]"),
        ("along", "real", f"start of the piece along the traverse [{unit}]"),
        ("start_x", "real", ""),
        ("start_y", "real", ""),
        ("end_x", "real", ""),
        ("end_y", "real", ""),
        ("readings", "integer", "readings expected"),
        ("first_no", "integer", "number of the first reading"),
        ("minutes", "real", "begins after [min]"),
        ("stop_for", "text", "before it, stop for"),
    ):
        fields.append(compat.field(name, kind, alias))
    return fields


def _features(found: TraversePlan, fields: QgsFields, numbered: bool) -> Iterator[QgsFeature]:
    lines, pieces, effort = found.traverses, found.pieces, found.effort
    rows = pieces.traverse
    length = pieces.end - pieces.start
    columns = zip(
        lines.area[rows].tolist(), lines.line[rows].tolist(), pieces.number.tolist(),
        lines.bearing[rows].tolist(), length.tolist(), pieces.start.tolist(),
        pieces.ends.tolist(), pieces.readings.tolist(), pieces.first_reading.tolist(),
        effort.minutes.tolist(), effort.stops,
    )  # fmt: skip
    for order, row in enumerate(columns, start=1):
        area, line, piece, bearing, size, along, (start, end), count, first, minutes, stops = row
        feature = QgsFeature(fields)
        feature.setGeometry(QgsGeometry.fromPolylineXY([QgsPointXY(*start), QgsPointXY(*end)]))
        feature.setAttributes(
            [
                lines.names[area], line, piece, order, bearing, size, along, *start, *end, count,
                first if numbered else None, minutes, stops,
            ]
        )  # fmt: skip
        yield feature


def _frame_fields() -> QgsFields:
    fields = QgsFields()
    for name in DATA_GRID:
        fields.append(compat.field(name, "text" if name == "grid" else "real"))
    return fields


def _frames(areas: list[Area], side: str) -> Iterator[QgsFeature]:
    fields = _frame_fields()
    for area in areas:
        feature = QgsFeature(fields)
        feature.setGeometry(rectangle(area, side))
        feature.setAttributes([getattr(area, "name" if n == "grid" else n) for n in DATA_GRID])
        yield feature
