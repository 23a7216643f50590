"""The step "Draw stacked profiles"."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from qgis.core import QgsFeature, QgsFields, QgsGeometry, QgsPointXY, QgsWkbTypes

from ...algorithms.gridding.stackedprofiles import (
    BASES,
    ORDINARY,
    Profile,
    ProfileOptions,
    Profiles,
    stackedprofiles,
)
from ...algorithms.readings import Readings
from .. import compat
from ..outputs import LayerOutput
from ..parameters import Choice, Number, Numbers
from ..readings_step import READINGS, ReadingsStep
from ..styles import style_profile_fills, style_profiles, style_traverses

DEFAULTS = ProfileOptions()


class StackedProfiles(ReadingsStep):
    """Readings to lines offset by what was measured."""

    identifier = "stackedprofiles"
    title = "Draw stacked profiles"
    stage = "gridding"
    summary = (
        "Draws each traverse as a profile over itself: a line offset sideways by what was measured "
        "along it."
    )
    advice = (
        "Profiles show what interpolation hides: how strong and how wide an anomaly is on each "
        "traverse, whether its neighbours see it too, and what noise it stands in. Look at them "
        "beside the raster before trusting a shape in it.",
        "All offsets run to the same side, whichever way the traverses were walked. A profile "
        "stops at a missing reading or a gap and begins anew behind it. Readings of no traverse "
        "are not drawn.",
        "Remove spikes first. Lower the scale, or clip, where strong anomalies cover their "
        "neighbours: needles across the whole site also make fills slow. Several channels "
        "come as features of their own, told apart by the field 'channel'.",
    )
    words = (
        "traces", "trace plot", "XY plot", "wiggle", "offset profiles", "graph", "section", "line",
    )  # fmt: skip
    parameters = (
        *READINGS,
        Numbers(
            "SCALE",
            "Scale",
            f"One for all channels, or one a channel separated by semicolons. Empty: {ORDINARY:g} "
            "% of the readings stay within one traverse separation.",
            unit="map units for one channel unit",
            default="",
            optional=True,
            minimum=1e-9,
        ),
        Choice(
            "BASE",
            "Value on the traverse",
            "Which value is drawn on the traverse itself. 'survey_median': the channel's median "
            "over all readings, so that the level of a traverse shows. 'traverse_median': that of "
            "each traverse, so that it does not.",
            default=DEFAULTS.base,
            options=BASES,
        ),
        Numbers(
            "BASE_VALUE",
            "Value on the traverse, given",
            "Used instead: one for all channels, or one a channel separated by semicolons.",
            unit="channel units",
            default="",
            optional=True,
            advanced=True,
        ),
        Number(
            "CLIP",
            "Clip at",
            "Profiles are cut off at this distance from their traverse. Empty: never.",
            optional=True,
            minimum=1e-9,
            distance_of="INPUT",
        ),
        Number(
            "TOWARDS",
            "Higher values towards",
            "Bearing to whose side higher values are drawn, not along the traverses. Empty: to the "
            "north of traverses that run east and west, to the east of those that run north and "
            "south.",
            optional=True,
            minimum=-360,
            maximum=360,
            unit="degrees clockwise from grid north",
            advanced=True,
        ),
        Number(
            "GAP",
            "Gap",
            "A longer step from reading to reading ends a stretch of profile, as a missing reading "
            "does. Empty: five usual steps.",
            optional=True,
            minimum=1e-6,
            distance_of="INPUT",
            advanced=True,
        ),
        LayerOutput("OUTPUT", "Stacked profiles", kind="Line", style=style_profiles),
        LayerOutput(
            "FILLS",
            "Fills between profile and traverse",
            "Areas where the profile runs above or below the value on the traverse.",
            kind="Polygon",
            optional=True,
            style=style_profile_fills,
        ),
        LayerOutput(
            "TRAVERSES",
            "Traverses below the profiles",
            "The lines from which the profiles are offset.",
            kind="Line",
            optional=True,
            style=style_traverses,
        ),
    )

    def work(self, task):
        readings = self.read(task)
        found = stackedprofiles(readings, task.options(ProfileOptions), task.part(0.2, 0.7))
        units = dict(zip(readings.channels, readings.units))
        lines = [*self.lines(task), self.entry(task, found.figures, units)]
        outputs = {}
        for name, kind, made in (
            ("OUTPUT", QgsWkbTypes.Type.MultiLineString, _profiles(found, readings)),
            ("FILLS", QgsWkbTypes.Type.MultiPolygon, _fills(found, readings)),
            ("TRAVERSES", QgsWkbTypes.Type.MultiLineString, _grounds(found)),
        ):
            if name == "OUTPUT" or self.parameter(name).given(task):
                fields, features = made
                outputs[name] = self.write_layer(
                    task, name, fields, kind, task["INPUT"].crs, features, lines
                )
        return {**outputs, "FIGURES": self.report(task, found)}


def _profiles(found: Profiles, readings: Readings) -> tuple[QgsFields, Iterator[QgsFeature]]:
    """A feature a profile, with what it was drawn by."""
    fields = compat.fields(
        ("grid", "text"),
        ("line", "integer"),
        ("channel", "text"),
        ("unit", "text"),
        ("readings", "integer"),
        ("lowest", "real"),
        ("highest", "real"),
        ("base", "real", "value on the traverse"),
        ("scale", "real", "map units for one channel unit"),
        ("towards", "real", "bearing of higher values [degrees]"),
        ("clipped", "integer", "readings cut off"),
    )

    def features() -> Iterator[QgsFeature]:
        for profile in found.profiles:
            yield _feature(
                fields,
                _lines(profile.stretches),
                *_of(profile),
                readings.channels[profile.channel],
                readings.units[profile.channel],
                profile.readings,
                profile.lowest,
                profile.highest,
                profile.base,
                profile.scale,
                profile.bearing,
                profile.clipped,
            )

    return fields, features()


def _fills(found: Profiles, readings: Readings) -> tuple[QgsFields, Iterator[QgsFeature]]:
    """A feature a profile and side."""
    fields = compat.fields(
        ("grid", "text"), ("line", "integer"), ("channel", "text"), ("side", "text")
    )

    def features() -> Iterator[QgsFeature]:
        for profile in found.profiles:
            for side, rings in (("above", profile.above), ("below", profile.below)):
                if rings:
                    channel = readings.channels[profile.channel]
                    yield _feature(fields, _areas(rings), *_of(profile), channel, side)

    return fields, features()


def _grounds(found: Profiles) -> tuple[QgsFields, Iterator[QgsFeature]]:
    """A feature a traverse, as far as any channel was drawn over it."""
    fields = compat.fields(("grid", "text"), ("line", "integer"))
    longest: dict[tuple, Profile] = {}
    for profile in found.profiles:
        known = longest.get(_of(profile))
        if known is None or known.readings < profile.readings:
            longest[_of(profile)] = profile
    made = (_feature(fields, _lines(profile.grounds), *name) for name, profile in longest.items())
    return fields, made


def _of(profile: Profile) -> tuple[str, int]:
    return profile.traverse.grid, int(profile.traverse.line)


def _feature(fields: QgsFields, geometry: QgsGeometry, *values) -> QgsFeature:
    feature = QgsFeature(fields)
    feature.setGeometry(geometry)
    feature.setAttributes(list(values))
    return feature


def _points(corners) -> list[QgsPointXY]:
    return [QgsPointXY(x, y) for x, y in corners.tolist()]


def _lines(parts: Iterable) -> QgsGeometry:
    return QgsGeometry.fromMultiPolylineXY([_points(part) for part in parts])


def _areas(rings: Iterable) -> QgsGeometry:
    """Areas of any outlines; those of a traverse that doubles back are put right."""
    areas = QgsGeometry.fromMultiPolygonXY([[_points(ring)] for ring in rings])
    if areas.isGeosValid():
        return areas
    sound = areas.makeValid()
    sound.convertGeometryCollectionToSubclass(QgsWkbTypes.GeometryType.PolygonGeometry)
    sound.convertToMultiType()
    return sound
