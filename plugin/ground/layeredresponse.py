"""The step "Compute layered-ground response"."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsFields,
    QgsVectorLayer,
    QgsWkbTypes,
)

from ...algorithms.ground.grounds.modelled import (
    METHODS,
    Layered,
    Modelled,
    model_channels,
    with_channels,
)
from ...algorithms.ground.grounds.typed import check_counts, check_typed
from ...algorithms.ground.instrument import Instrument
from ...algorithms.progress import Progress
from .. import compat
from ..inputs import Field, Layer
from ..outputs import LayerOutput
from ..parameters import Choice, Text
from ..readings_layer import attribute_cells, numbers_of
from ..source import LayerSource
from ..step import Step
from ..styles import style_readings
from ..task import Task
from .instruments import INSTRUMENT_OR_GENERIC
from .typed_grounds import CONDUCTIVITIES, HEIGHT, SUSCEPTIBILITIES, THICKNESSES, at_height

TWO_WAYS = (
    ("conductivity", "CONDUCTIVITY_FIELDS", "CONDUCTIVITIES"),
    ("thickness", "THICKNESS_FIELDS", "THICKNESSES"),
    ("susceptibility", "SUSCEPTIBILITY_FIELDS", "SUSCEPTIBILITIES"),
    ("height", "HEIGHT_FIELD", "HEIGHT"),
)
"""What describes a ground, and the two parameters that may give it: fields, or numbers for all."""


def style_grounds(layer: QgsVectorLayer) -> None:
    """Grounds that are points look like readings; others stay as the host shows them."""
    if QgsWkbTypes.geometryType(layer.wkbType()) == QgsWkbTypes.GeometryType.PointGeometry:
        style_readings(layer)


class LayeredResponse(Step):
    """Layered grounds to what an instrument reads over them."""

    identifier = "layeredresponse"
    title = "Compute layered-ground response"
    stage = "ground"
    summary = (
        "Computes what the coil pairs of an instrument read over layered ground: one ground typed "
        "in, or one a feature of a layer or table. The readings come as channels that all other "
        "steps take."
    )
    advice = (
        "Use it before a survey, to see whether a feature of a likely size and contrast would "
        "show, and after it, to test what a layered model explains. Compare with the noise of the "
        "instrument: a difference below it shows in no map.",
        "Every layer goes on sideways for ever. Ditches, pits and edges read less than a layer of "
        "their depth and thickness: what a layer does is the most that they can do.",
        "Numbers that are the same for all features may be typed, those that differ be taken from "
        "fields: layers of typed conductivities, say, under a field of depths.",
    )
    words = (
        "forward model", "layers", "EMI", "apparent conductivity", "in-phase", "susceptibility",
        "McNeill", "low induction number", "synthetic", "simulate", "feasibility",
    )  # fmt: skip
    parameters = (
        Layer(
            "INPUT",
            "Grounds",
            "A layer or table with one feature per ground. Empty: the ground typed below, alone.",
            optional=True,
        ),
        INSTRUMENT_OR_GENERIC,
        Field(
            "CONDUCTIVITY_FIELDS",
            "Conductivity fields",
            "One a layer, in order from the top, mS/m.",
            several=True,
            optional=True,
        ),
        replace(
            CONDUCTIVITIES,
            label="Conductivities for all",
            help="Instead of fields: " + CONDUCTIVITIES.help[0].lower() + CONDUCTIVITIES.help[1:],
            default="",
            optional=True,
        ),
        Field(
            "THICKNESS_FIELDS",
            "Thickness fields",
            "Of all layers but the last, in order from the top, metres.",
            several=True,
            optional=True,
        ),
        replace(
            THICKNESSES,
            label="Thicknesses for all",
            help="Instead of fields: of all layers but the last, from the top, separated by "
            "semicolons. Both empty for uniform ground.",
        ),
        Field(
            "SUSCEPTIBILITY_FIELDS",
            "Susceptibility fields",
            "One a layer, in order from the top: volume susceptibility in SI.",
            several=True,
            optional=True,
        ),
        replace(
            SUSCEPTIBILITIES,
            label="Susceptibilities for all",
            help="Instead of fields: one a layer from the top, separated by semicolons, such as "
            "0.0005 for 50 x 10^-5. Both empty: none.",
        ),
        Field(
            "HEIGHT_FIELD",
            "Height field",
            "Of the coils above each ground, metres, in place of the heights of the description.",
            optional=True,
        ),
        replace(HEIGHT, label="Height for all", help="Instead of a field: for all coil pairs."),
        Choice(
            "METHOD",
            "Method",
            "'exact' for any induction number; 'low_induction' for the closed forms that apparent "
            "conductivity is defined by, in which layers simply add up.",
            default=METHODS[0],
            options=METHODS,
        ),
        Text(
            "PREFIX",
            "Text before channel names",
            "Such as 'model_', where the layer holds measured channels of the same names. The "
            "channels are named as the instrument names its fields.",
            default="",
            optional=True,
        ),
        LayerOutput(
            "OUTPUT",
            "Readings over the grounds",
            "The features with all their fields, and the channels.",
            kind=None,
            style=style_grounds,
        ),
    )

    def problem(self, task: Task) -> str | None:
        try:
            self.check(task)
            self.instrument(task)
        except ValueError as wrong:
            return str(wrong)
        return None

    def check(self, task: Task) -> None:
        """Refuse what does not fit together.

        Raises
        ------
        ValueError
            In one sentence.
        """
        counts = []
        for what, fields, typed in TWO_WAYS:
            chosen, numbers = (self.parameter(name) for name in (fields, typed))
            given = [_listed(task[name]) for name in (fields, typed)]
            if given[0] and task["INPUT"] is None:
                raise ValueError(
                    f"'{chosen.label}' is given, but no layer of grounds. Choose the layer, or "
                    f"give '{numbers.label}'."
                )
            if given[0] and given[1]:
                raise ValueError(
                    f"'{chosen.label}' and '{numbers.label}' are both given. Give each {what} in "
                    "one way."
                )
            counts.append(len(given[0] or given[1]))
        if not counts[0]:
            raise ValueError(
                "No conductivity is given. Choose conductivity fields, or give conductivities for "
                "all, one a layer from the top."
            )
        check_counts(*counts[:3])
        check_typed(*(task[typed] for _, _, typed in TWO_WAYS[:3]))

    def instrument(self, task: Task) -> Instrument:
        """The instrument at the height asked for, its channels under the names they get.

        Raises
        ------
        ValueError
            If the layer has a field of such a name.
        """
        found = with_channels(at_height(task["INSTRUMENT"], task["HEIGHT"]), task["PREFIX"])
        layer = task["INPUT"]
        held = layer.field_names if layer is not None else _typed_fields(_grounds(task)).names()
        names = {name.lower(): name for name in held}
        for channel in found.channels:
            if channel.field.lower() in names:
                whose = f"Layer '{layer.name}' has" if layer is not None else "The output has"
                raise ValueError(
                    f"{whose} a field '{names[channel.field.lower()]}' already, where a channel of "
                    "that name is to go. Give a text before channel names, such as 'model_'."
                )
        return found

    def work(self, task: Task) -> Mapping[str, object]:
        remark = self.parameter("INSTRUMENT").remark(task)
        if remark:
            task.say(remark)
        layer: LayerSource | None = task["INPUT"]
        grounds = _grounds(task)
        instrument = self.instrument(task)
        found = model_channels(instrument, grounds, task["METHOD"], task.part(0.2, 0.8))
        units = {channel.field: channel.unit for channel in found.channels}
        lines = [
            *(layer.lines if layer is not None else ()),
            self.entry(task, found.figures, units),
        ]
        if layer is None:
            fields = _typed_fields(grounds)
            wkb, crs = QgsWkbTypes.Type.NoGeometry, QgsCoordinateReferenceSystem()
            features: Iterator[QgsFeature] = _typed_feature(grounds)
        else:
            fields, wkb, crs = QgsFields(layer.fields), layer.source.wkbType(), layer.crs
            progress = task.part(0.8, 1.0)
            features = (feature for _, feature in layer.rows(len(grounds), progress))
        for channel in found.channels:
            alias = f"{channel.field} [{channel.unit}]"
            fields.append(compat.field(channel.field, "real", alias))
        target = self.write_layer(
            task, "OUTPUT", fields, wkb, crs, _read(features, fields, found), lines
        )
        task.progress(1.0)
        return {"OUTPUT": target, "FIGURES": self.report(task, found)}


def _listed(value) -> tuple:
    """A parameter's value as several, none where none is given."""
    if value in (None, ""):
        return ()
    return value if isinstance(value, tuple) else (value,)


def _grounds(task: Task) -> Layered:
    """The grounds: of each number, the fields' columns or what was typed for all."""
    layer: LayerSource | None = task["INPUT"]
    if layer is None:
        return Layered(
            *(np.array([task[typed]], dtype=float) for _, _, typed in TWO_WAYS[:2]),
            np.array([task["SUSCEPTIBILITIES"]]) if task["SUSCEPTIBILITIES"] else None,
            source="the ground typed",
        )
    names = {what: _listed(task[fields]) for what, fields, _ in TWO_WAYS}
    wanted = list(dict.fromkeys(name for group in names.values() for name in group))
    count, columns = _columns(layer, wanted, task.part(0.0, 0.2))
    held: dict[str, np.ndarray | None] = {}
    for what, _, typed in TWO_WAYS[:3]:
        if names[what]:
            held[what] = np.column_stack([columns[name] for name in names[what]])
        else:
            held[what] = np.tile(np.array(task[typed], dtype=float), (count, 1))
    if not (names["susceptibility"] or task["SUSCEPTIBILITIES"]):
        held["susceptibility"] = None
    height = columns[names["height"][0]] if names["height"] else None
    return Layered(**held, height=height, names=names, source=f"layer '{layer.name}'")


def _columns(
    layer: LayerSource, names: Sequence[str], progress: Progress
) -> tuple[int, dict[str, np.ndarray]]:
    """How many features there are, and the fields as numbers.

    Raises
    ------
    ValueError
        If there is none, or a cell is no number.
    """
    found = layer.columns(names, progress, places=False)
    if not len(found.x):
        raise ValueError(f"Layer '{layer.name}' holds no features, and each is to be a ground.")
    return len(found.x), {name: numbers_of(found.fields[name], layer, name) for name in names}


def _typed_fields(grounds: Layered) -> QgsFields:
    layers = range(1, grounds.conductivity.shape[1] + 1)
    described = [(f"conductivity_{k}", "real", f"conductivity_{k} [mS/m]") for k in layers]
    described += [(f"thickness_{k}", "real", f"thickness_{k} [m]") for k in layers[:-1]]
    if grounds.susceptibility is not None:
        described += [(f"susceptibility_{k}", "real", f"susceptibility_{k} [SI]") for k in layers]
    return compat.fields(*described)


def _typed_feature(grounds: Layered) -> Iterator[QgsFeature]:
    """The one feature of a ground that was typed, all of its fields numbers."""
    feature = QgsFeature(_typed_fields(grounds))
    parts = (grounds.conductivity, grounds.thickness, grounds.susceptibility)
    feature.setAttributes([cell for part in parts if part is not None for cell in part[0].tolist()])
    yield feature


def _read(
    features: Iterator[QgsFeature], fields: QgsFields, found: Modelled
) -> Iterator[QgsFeature]:
    """The features with the channels behind their own fields."""
    start = len(fields) - len(found.channels)
    columns = [attribute_cells(column) for column in found.values.T]
    for row, feature in enumerate(features):
        feature.resizeAttributes(len(fields))
        for place, column in enumerate(columns, start=start):
            feature.setAttribute(place, column[row])
        yield feature
