"""The step "Invert to layered conductivity"."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from qgis.core import QgsFields

from ...algorithms.ground.instrument import CONDUCTIVITY, HEIGHTS, Channel
from ...algorithms.ground.inversion.options import METHODS, InversionOptions
from ...algorithms.ground.invertlayers import invert_layers
from ...algorithms.ground.section_ground import section_ground
from ...algorithms.readings import Readings
from ..deliver.section import SECTION, draw_section
from ..history import entries
from ..inputs import Field
from ..outputs import LayerOutput
from ..parameters import Choice, Number, Numbers, Text
from ..readings_layer import numbers_of
from ..readings_step import CHANNELS, LINE_FIELD, READINGS, ReadingsStep
from ..styles import style_readings
from ..task import Task
from ..units import metre
from .instruments import INSTRUMENT
from .layer_fields import depth_words, kept_fields, layer_fields, with_layers
from .section_lines import SECTION_LINES, check_section, section_asked

DEFAULTS = InversionOptions()


class InvertLayers(ReadingsStep):
    """Readings to the same readings with the layers below each."""

    identifier = "invertlayers"
    title = "Invert to layered conductivity"
    stage = "ground"
    summary = (
        "Finds the conductivity of layers below every reading from the channels of all coil pairs "
        "together, with bounds for each layer, the depth that was seen and how well the layers fit."
    )
    advice = (
        "Two values at a place tell two numbers about the ground, however many layers are asked "
        "for: the rest is what was assumed, and many other grounds fit as well. Mind the bounds "
        "(they hold all layers of a reading with 95 %, if the assumptions do) and how much of a "
        "layer was told. Below the depth that was seen the values mostly continue what lies above.",
        "The ground is taken for layers that go on sideways for ever. What is narrow or steep, "
        "such as a ditch, comes out too wide and too faint, with doubled edges and lobes at the "
        "sides in the deeper layers. Interpret shapes in the shallow ones.",
        "Wrong zero levels, calibrations and heights become layers that are not there: correct "
        "drift, set the zero level ('Convert EMI channels', leaving the units as recorded) and "
        "give heights where they vary. Refer to 25 °C afterwards.",
        "A layer that conducts well is no proof of a ditch, and one that does not none of its "
        "absence. Before anyone digs, have services and unexploded ordnance cleared.",
    )
    words = (
        "inversion", "EMI", "layers", "depth slices", "1D", "laterally constrained", "section",
        "true conductivity", "depth of investigation", "ground model", "EC", "tomography",
    )  # fmt: skip
    parameters = (
        READINGS[0],
        INSTRUMENT,
        replace(
            CHANNELS,
            help="Fields that the instrument description knows. Left empty: all of its quadrature "
            "channels that the layer has. In-phase channels count only when chosen: they are taken "
            "for what the conductive ground and the susceptibility given below read, so their "
            "zero level must be right.",
        ),
        Field(
            "HEIGHT_FIELD",
            "Height field",
            "Field of the readings that holds the height of the coils above the ground, metres, "
            "in place of the heights in the instrument description. NULL: not inverted.",
            optional=True,
        ),
        Choice(
            "METHOD",
            "Layers",
            "'smooth': layers of fixed thickness whose conductivity changes as little as the "
            "readings allow, for depth slices. 'few': few layers whose thickness is sought too, "
            "for ground that is known to have an interface.",
            default=DEFAULTS.method,
            options=METHODS,
        ),
        Number(
            "LAYERS",
            "Number of layers",
            "0: 6 smooth or 2 few ones, or by the thicknesses.",
            default=DEFAULTS.layers,
            minimum=0,
            whole=True,
        ),
        Numbers(
            "THICKNESSES",
            "Thicknesses of the layers",
            "Of all layers but the last, from the top, separated by semicolons; for few layers "
            "what they usually are. Empty: growing downwards to the depth the widest pair sees.",
            default="",
            optional=True,
            unit="m",
            each="layer",
        ),
        Numbers(
            "NOISE",
            "Noise of the channels",
            "Standard deviation of a single reading: one for all channels, or one a channel in the "
            "order of the channels. Empty: found from the readings, along the traverses.",
            default="",
            optional=True,
            unit="channel units",
        ),
        Number(
            "RELATIVE",
            "Relative error",
            "What else may be wrong with a value, as a share of it: calibration, height. "
            "Neighbouring readings share it, so no tie to neighbours averages it away.",
            default=DEFAULTS.relative,
            minimum=0.0,
            maximum=1.0,
        ),
        Number(
            "ALONG",
            "Length of likeness along the traverses",
            "Layers of readings so far apart are still much alike, which calms noise and blurs "
            "what is narrower. 0: none.",
            default=DEFAULTS.along,
            minimum=0.0,
            unit="m",
        ),
        Number(
            "ACROSS",
            "Length of likeness between traverses",
            "The same from a traverse to its neighbours. 0: none.",
            default=DEFAULTS.across,
            minimum=0.0,
            unit="m",
        ),
        Number(
            "USUAL",
            "Usual conductivity",
            "Which layers tend to where the readings do not tell. 0: the median of the readings.",
            default=DEFAULTS.usual,
            minimum=0.0,
            unit="mS/m",
            advanced=True,
        ),
        Number(
            "LEVEL",
            "Level: factor",
            "By which the conductivity of a whole sounding may well differ from the usual one.",
            default=DEFAULTS.level,
            advanced=True,
        ),
        Number(
            "CONTRAST",
            "Contrast: factor",
            "By which a layer may well differ from the rest of its sounding. Lower: smoother "
            "layers and narrower bounds, both by assumption.",
            default=DEFAULTS.contrast,
            advanced=True,
        ),
        Number(
            "REACH",
            "Reach in depth",
            "Layers whose depths, reckoned from the coils, differ by less than a factor of "
            "e to the power of this are alike.",
            default=DEFAULTS.reach,
            advanced=True,
        ),
        Number(
            "SUSCEPTIBILITY",
            "Susceptibility of the ground",
            "Volume susceptibility of all layers: it is assumed, not sought.",
            default=DEFAULTS.susceptibility,
            unit="SI",
            advanced=True,
        ),
        replace(
            LINE_FIELD,
            help="Whole number of the traverse a reading belongs to. Readings without one are "
            "inverted too; lengths of likeness do not reach them. Cleared: all readings are one "
            "traverse.",
        ),
        *READINGS[3:],
        *SECTION_LINES,
        Text(
            "PREFIX",
            "Text before field names",
            "Such as 'few_', to keep two inversions in one layer. Fields of an earlier run with "
            "the same text are replaced.",
            default="",
            optional=True,
            advanced=True,
        ),
        LayerOutput(
            "OUTPUT",
            "Readings with layers",
            "All readings with all their fields, and for each layer its conductivity, bounds and "
            "share told; NULL where there was nothing to invert.",
            style=style_readings,
        ),
        SECTION,
    )

    def problem(self, task: Task) -> str | None:
        try:
            channels = self.sought(task)
            options = task.options(InversionOptions)
            if len(options.noise) not in (0, 1, len(channels)):
                return (
                    f"'Noise of the channels' holds {len(options.noise)} numbers for "
                    f"{len(channels)} channels: give one for all, or one each."
                )
            self.kept_fields(task)
            check_section(task)
        except ValueError as wrong:
            return str(wrong)
        return None

    def sought(self, task: Task) -> tuple[Channel, ...]:
        """What is inverted.

        Raises
        ------
        ValueError
            If a channel is none of the instrument's, or no longer as it was recorded.
        """
        layer, instrument = task["INPUT"], task["INSTRUMENT"]
        names = task["CHANNELS"]
        if not names:
            fields = [one.field for one in instrument.channels if one.part == "quadrature"]
            names = tuple(name for name in fields if name in layer.field_names)
            if not names:
                raise ValueError(
                    f"Layer '{layer.name}' has no quadrature channel of {instrument.name}, which "
                    f"are {', '.join(fields) or 'none'}. Correct the fields of the description."
                )
        found = instrument.channels_of(names)
        if all(channel.part == "in_phase" for channel in found):
            raise ValueError(
                "Conductivity cannot be found from in-phase channels alone: add a quadrature "
                "channel."
            )
        forms = self.told(task)[0]
        for channel in found:
            form = forms.get(channel.field)
            recorded = "low_induction" if channel.unit == CONDUCTIVITY else channel.unit
            if form is not None and form != recorded:
                raise ValueError(
                    f"Channel '{channel.field}' was converted to '{form}' by the history, but is "
                    f"'{recorded}' by the instrument description. Convert it back with 'Convert "
                    "EMI channels', or take the layer from before."
                )
        return found

    def told(self, task: Task) -> tuple[dict[str, str], set[str]]:
        """By the history: the form of converted channels, and those whose zero level was set."""
        forms: dict[str, str] = {}
        levelled: set[str] = set()
        for entry in entries(self.lines(task)):
            if entry.step == "lynchet:emiunits":
                for key, value in entry.figures.items():
                    name, _, what = key.rpartition(" ")
                    forms.update({name: str(value)} if what == "form" else {})
                    levelled.update([name] if what == "offset" else [])
        return forms, levelled

    def kept_fields(self, task: Task) -> list[int]:
        """Indexes of the input's fields that the output keeps: all but those of an earlier run."""
        before = any(
            entry.step == f"lynchet:{self.identifier}"
            and (entry.parameters.get("PREFIX") or "") == task["PREFIX"]
            for entry in entries(self.lines(task))
        )
        return kept_fields(task["INPUT"], task["PREFIX"], before)

    def work(self, task: Task) -> Mapping[str, object]:
        channels = self.sought(task)
        task.share("CHANNELS", tuple(channel.field for channel in channels))
        readings = self.read(task)
        _check_units(readings, channels)
        options = task.options(InversionOptions)
        height = self.height(task)
        crs = task["INPUT"].crs
        asked = section_asked(task, readings)
        usable = self.placed(task, readings) if options.along or options.across else readings
        self.remark(task, channels)
        found = invert_layers(usable, channels, options, height, metre(crs), task.part(0.2, 0.9))
        ground = None
        if asked is not None:
            ground = section_ground(
                asked, readings, channels, found, height, options.susceptibility
            )
        few = options.method == "few"
        fields, columns, units = layer_fields(found, task["PREFIX"], few)
        # Not every format keeps the aliases that tell it.
        told = {f"ec_layer{k}": where for k, where in enumerate(depth_words(found, few), start=1)}
        found = replace(found, figures={**found.figures, **told})
        kept = self.kept_fields(task)
        if len(kept) < len(task["INPUT"].field_names):
            task.say("The layers of an earlier inversion are replaced.")
        lines = [*self.lines(task), self.entry(task, found.figures, units)]
        layer = task["INPUT"]
        whole = QgsFields()
        for field in [*(layer.fields.at(index) for index in kept), *fields]:
            whole.append(field)
        features = with_layers(layer, whole, kept, columns, task.part(0.9, 1.0))
        target = self.write_layer(
            task, "OUTPUT", whole, layer.source.wkbType(), crs, features, lines
        )
        outputs = {"OUTPUT": target, "FIGURES": self.report(task, found)}
        if ground is not None:
            draw_section(ground, task["SECTION"], f"Conductivity along {ground.section.name}")
            outputs["SECTION"] = str(task["SECTION"])
        return outputs

    def height(self, task: Task) -> np.ndarray | None:
        """Height of the coils at each reading, m, where a field tells it.

        Raises
        ------
        ValueError
            If one cannot be.
        """
        name, layer = task["HEIGHT_FIELD"], task["INPUT"]
        if name is None:
            return None
        heights = numbers_of(layer.columns([name]).fields[name], layer, name)
        low, high = HEIGHTS
        wrong = np.flatnonzero((heights < low) | (heights > high))
        if len(wrong):
            raise ValueError(
                f"Feature {wrong[0] + 1} of layer '{layer.name}': the height in '{name}' is "
                f"{heights[wrong[0]]:g} m. Give {low:g} to {high:g} m, or NULL where it is not "
                "known."
            )
        return heights

    def placed(self, task: Task, readings: Readings) -> Readings:
        """The readings, those without a position as no readings: they have no neighbours."""
        lost = ~(np.isfinite(readings.x) & np.isfinite(readings.y))
        count = int((lost & readings.usable.all(axis=1)).sum())
        if not count:
            return readings
        task.warn(
            f"{count:,} of the readings have no position, and are left out: what is alike in "
            "plan needs one."
        )
        return readings.with_values(np.where(lost[:, np.newaxis], np.nan, readings.values))

    def remark(self, task: Task, channels: Sequence[Channel]) -> None:
        """Tell what is assumed of the channels."""
        in_phase = [channel.field for channel in channels if channel.part == "in_phase"]
        if in_phase:
            task.warn(
                f"{', '.join(in_phase)}: taken for what the conductive ground and a susceptibility "
                f"of {task['SUSCEPTIBILITY']:g} in all layers read in phase. A zero level that is "
                "not set, or ground of another susceptibility, becomes conductivity that is not "
                "there."
            )
        levelled = self.told(task)[1]
        unset = [channel.field for channel in channels if channel.field not in levelled]
        if unset:
            task.say(
                f"The history tells of no zero level set for {', '.join(unset)}: if it is off, so "
                "are all layers, the lower ones most."
            )


def _check_units(readings: Readings, channels: Sequence[Channel]) -> None:
    """Refuse channels that the layer says are in another unit than the instrument."""
    for channel, unit in zip(channels, readings.units):
        if unit and unit != channel.unit:
            raise ValueError(
                f"Channel '{channel.field}' is in {unit} by the layer, but in {channel.unit} by "
                "the instrument description. Correct the one that is wrong, or convert the "
                "channel with 'Convert EMI channels'."
            )
