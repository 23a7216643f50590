"""The step "Plan traverses"."""

from __future__ import annotations

from dataclasses import replace

from qgis.core import QgsGeometry, QgsWkbTypes

from ...algorithms.intake.sitegrid import SiteGrid
from ...algorithms.plan.fewest_turns import Area, frame_outline
from ...algorithms.plan.planlines import Logging, planlines
from ...algorithms.plan.resolution import Sought
from .. import compat
from ..areas import condition
from ..inputs import Areas, Condition, Layers
from ..intake.sitegrid import site_grid_record
from ..outputs import LayerOutput
from ..parameters import Number
from ..readings_layer import read_layout
from ..step import Step
from ..styles import style_data_grids, style_traverses
from ..units import map_unit, metre
from .cutting import Cutter, avoided, outline_in, vertices, whole_geometry
from .defaults import metric_defaults
from .effort import EFFORT, effort
from .outline import read_outline
from .resolution import SOUGHT
from .traverses import DATA_GRID, frame_fields, frames, traverse_features, traverse_fields

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
        "bearing given or, left empty, so that there are the fewest turns. Data grids that were "
        "clipped to the outline, or whole ones walked within it, keep the numbers of whole ones. "
        "Readings brought in later with the same separation, interval and walking fall on the "
        "planned lines.",
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
        Condition(
            "WHERE",
            "Data grids or outlines where",
            "Expression that is true for the features to walk, such as \"grid\" in ('A1', 'A2'). "
            "Empty: all.",
            optional=True,
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
            "In map units. Two traverses should cross the smallest feature: at most half its size.",
            default=1.0,
            minimum=1e-6,
            distance_of="INPUT",
        ),
        Number(
            "INTERVAL",
            "Reading interval",
            "In map units. At most half the traverse separation, and a third of the smallest "
            "feature.",
            default=0.25,
            minimum=1e-6,
            distance_of="INPUT",
        ),
        site_grid_record(
            "WALKING",
            help="'zigzag': every second traverse is walked back, which is quicker but asks for "
            "lag to be corrected; 'one_way': all in one direction.",
        ),
        Areas(
            "WITHIN",
            "Walk only within",
            "The outline of the site, say, in the same coordinate reference system: traverses are "
            "cut at it and at its holes, and keep their numbers. Empty: data grids and outlines "
            "are walked to their edges.",
            optional=True,
            projected=True,
        ),
        Condition(
            "WITHIN_WHERE",
            "Walk only within where",
            "Expression that is true for the features to walk within. Empty: all.",
            optional=True,
            advanced=True,
            of="WITHIN",
        ),
        Layers(
            "AVOID",
            "Areas to avoid",
            "Trees, fences, buildings, ground without consent: one layer or several of polygons, "
            "lines or points in the same coordinate reference system. Traverses are cut at them.",
            optional=True,
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
        site_grid_record("SIDE"),
        site_grid_record("FIRST_LINE", help="The one nearest to the corner, in every area."),
        site_grid_record("FIRST_OFFSET", minimum=0, unit="", distance_of="INPUT"),
        site_grid_record(
            "FIRST_POSITION",
            help="Empty: half the reading interval, as always with a logging rate.",
            minimum=0,
            unit="",
            distance_of="INPUT",
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
            style=style_data_grids,
        ),
    )

    def problem(self, task):
        layer, within = task["INPUT"], task["WITHIN"]
        others = [("AVOID", one) for one in task["AVOID"]]
        others += [("WITHIN", within)] if within is not None else []
        for name, one in [("INPUT", layer), *others]:
            if one.source.featureCount() == 0:
                return f"Layer '{one.name}' for '{self.parameter(name).label}' is empty."
            if one.crs != layer.crs:
                return (
                    f"Layer '{one.name}' is in {one.crs.authid()} and layer '{layer.name}' in "
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
        unit = map_unit(layer.crs)
        areas, outlines, site = self.areas(task)
        obstacles = avoided(task["AVOID"], task["CLEARANCE"], task.part(0.05, 0.15))
        within = None
        if task["WITHIN"] is not None:
            within = read_outline(task, "WITHIN", "WITHIN_WHERE").geometry
        one = metre(layer.crs)
        found = planlines(
            areas, site, effort(task, one), task.options(Logging), task.options(Sought, metre=one),
            unit, Cutter(outlines, obstacles, within), task.part(0.15, 0.8),
        )  # fmt: skip
        lengths = ["SEPARATION", "INTERVAL", *(["CLEARANCE"] if obstacles else [])]
        found = replace(
            found, warnings=(*metric_defaults(task, layer.crs, *lengths), *found.warnings)
        )
        history = [*layer.lines, self.entry(task, found.figures, {})]
        fields = traverse_fields(unit)
        target = self.write_layer(
            task, "OUTPUT", fields, QgsWkbTypes.Type.LineString, layer.crs,
            traverse_features(found, fields, task["RATE"] is None), history,
        )  # fmt: skip
        outputs = {"OUTPUT": target}
        if self.parameter("FRAMES").given(task):
            outputs["FRAMES"] = self.write_layer(
                task, "FRAMES", frame_fields(), QgsWkbTypes.Type.Polygon, layer.crs,
                frames(areas, site.side), history,
            )  # fmt: skip
        task.progress(1.0)
        if not _are_data_grids(layer):
            for area in areas[:SHOWN]:
                task.say(_told(area, unit))
        return {**outputs, "FIGURES": self.report(task, found)}

    def areas(self, task) -> tuple[list[Area], list[QgsGeometry | None], SiteGrid]:
        """The areas, the outlines to cut their traverses at, and the site grid."""
        layer, side = task["INPUT"], task["SIDE"]
        wanted = condition(task, layer, "WHERE")
        rows = [
            (number, feature)
            for number, feature in enumerate(layer.features(), start=1)
            if wanted(number, feature)
        ]
        if not rows:
            asked = f" for which {task['WHERE']}" if task["WHERE"] else ""
            raise ValueError(f"Layer '{layer.name}' holds no area{asked}: nothing to plan over.")
        geometries = [whole_geometry(feature, number, layer) for number, feature in rows]
        layer = layer.only([feature for _, feature in rows])
        if _are_data_grids(layer):
            areas = _data_grids(layer)
            site = task.options(SiteGrid, origins={area.name: area.origin for area in areas})
            outlines = [outline_in(area, one, side) for area, one in zip(areas, geometries)]
            return areas, outlines, site
        names = _names(layer)
        # The origins come of the frames, and the frames of the spacing.
        site = task.options(SiteGrid, origins={"": Area("", 0, 0, 0, 1, 1).origin})
        areas = []
        for (number, _), name, geometry in zip(rows, names, geometries):
            try:
                areas.append(frame_outline(name, vertices(geometry), task["BEARING"], site))
            except ValueError as wrong:
                raise ValueError(f"Feature {number} of layer '{layer.name}': {wrong}") from wrong
        site = task.options(SiteGrid, origins={area.name: area.origin for area in areas})
        return areas, geometries, site


def _are_data_grids(layer) -> bool:
    return all(name in layer.field_names for name in DATA_GRID)


def _data_grids(layer) -> list[Area]:
    areas = []
    for grid, origin in read_layout(layer).items():
        if origin.length is None or origin.width is None:
            raise ValueError(f"Layer '{layer.name}' lacks length or width for data grid '{grid}'.")
        areas.append(Area(grid, origin.x, origin.y, origin.bearing, origin.length, origin.width))
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
