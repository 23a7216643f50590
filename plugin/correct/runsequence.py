"""The step "Run a correction sequence"."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ...algorithms.readings import Correction, Readings
from .. import readings_layer
from ..corrected_layer import CorrectedLayer
from ..inputs import File, Layer, MapLayer
from ..outputs import FileOutput
from ..parameters import Text
from ..readings_step import (
    CORRECTED,
    GRID_FIELD,
    INPUT,
    LINE_FIELD,
    SEQUENCE_FIELD,
    TIME_FIELD,
    CorrectionStep,
    ReadingsStep,
)
from ..sequence import PREFIX, Called, of_history, parse, write
from ..step import as_json
from ..task import Task
from ..tr import tr
from .corrections import CORRECTIONS

SHARED = ("INPUT", "LINE_FIELD", "SEQUENCE_FIELD", "GRID_FIELD")
"""Parameters of a correction that are those of the whole sequence."""

SOURCES = ("SEQUENCE", "TEXT", "HISTORY_OF")


def settable(step: type[CorrectionStep]) -> tuple[str, ...]:
    """Names of the parameters of a correction that a sequence may set."""
    return tuple(p.name for p in step.parameters if p.name not in (*SHARED, "OUTPUT"))


STEPS = {step.identifier: step for step in CORRECTIONS}
SETTABLE = {identifier: settable(step) for identifier, step in STEPS.items()}


@dataclass(frozen=True, eq=False)
class Member:
    """A correction of the sequence, ready to run."""

    called: Called
    step: CorrectionStep
    task: Task


class RunSequence(ReadingsStep):
    """Readings to readings, through several corrections in one pass."""

    identifier = "runsequence"
    title = "Run a correction sequence"
    stage = "correct"
    summary = (
        "Runs a sequence of corrections, written as a text or taken from a layer's history, in one "
        "pass: the layer is read once and written once."
    )
    advice = (
        "The result is what the single steps give when run one after the other, and so is its "
        "history. That makes a method repeatable: take the history of a layer that came out well, "
        "and run it on the readings of the next day.",
        "A text has a step's id on a line of its own and its parameters below it, indented:\n"
        "despike\n    window = 7\nlevellines\n"
        "Parameters not named keep their defaults. Lines that begin with # are remarks. Write the "
        "sequence that was run to a file to edit it.",
        "Layers and files named in a sequence, such as base readings, are looked for beside the "
        "sequence and beside the readings. Base readings of another day are another layer: change "
        "its name.",
    )
    words = ("batch", "chain", "workflow", "macro", "repeat", "history", "pipeline")
    parameters = (
        INPUT,
        File(
            "SEQUENCE",
            "Sequence file",
            "A text file that holds the sequence.",
            optional=True,
        ),
        Text(
            "TEXT",
            "Sequence",
            "The sequence itself, in place of a file.",
            optional=True,
            several_lines=True,
        ),
        MapLayer(
            "HISTORY_OF",
            "Layer whose history to repeat",
            "The corrections in the history of this layer are the sequence.",
            optional=True,
        ),
        LINE_FIELD,
        SEQUENCE_FIELD,
        GRID_FIELD,
        replace(TIME_FIELD, optional=True, advanced=True),
        CORRECTED,
        FileOutput(
            "WRITTEN",
            "The sequence as run",
            "Writes the sequence to a file, every parameter named.",
            optional=True,
            filter="Text (*.txt)",
        ),
    )

    def problem(self, task):
        try:
            task.members, task.remarks = self.members(task)
        except ValueError as wrong:
            return str(wrong)
        for member in task.members:
            found = member.task.problem()
            if found:
                return f"{member.called.step}: {found}"
        for record in self.outputs:
            path = record.target(task)
            for member in task.members if path else ():
                found = record.overwrites(path, member.task.input_files())
                if found:
                    return f"{member.called.step}: {found}"
        return None

    # -- what the sequence is -----------------------------------------------------------------

    def called(self, task) -> tuple[tuple[Called, ...], tuple[str, ...]]:
        """The steps called, and remarks on what was left out.

        Raises
        ------
        ValueError
            If the sequence is not given in exactly one way, or cannot be read.
        """
        given = [name for name in SOURCES if task[name]]
        if len(given) != 1:
            raise ValueError(
                "Give the sequence in one way: a file, a text, or a layer whose history to repeat."
            )
        if given == ["TEXT"]:
            return parse(task["TEXT"]), ()
        if given == ["SEQUENCE"]:
            try:
                return parse(task["SEQUENCE"].read_text("utf-8-sig")), ()
            except (OSError, UnicodeDecodeError) as wrong:
                raise ValueError(
                    f"'{task['SEQUENCE']}' cannot be read as text ({wrong})."
                ) from wrong
        found, remarks = of_history(task["HISTORY_OF"].lines, SETTABLE)
        if not found:
            raise ValueError(
                f"The history of layer '{task['HISTORY_OF'].name}' holds no correction."
            )
        return found, remarks

    def members(self, task) -> tuple[tuple[Member, ...], tuple[str, ...]]:
        """Every correction of the sequence with a task of its own."""
        found = []
        called, remarks = self.called(task)
        shared = {name: task.parameters[name] for name in SHARED if name in task.parameters}
        if task["TIME_FIELD"]:
            shared["TIME_FIELD"] = task["TIME_FIELD"]
        for one in called:
            where = f"Line {one.line} of the sequence" if one.line else "The history"
            kind = STEPS.get(one.step)
            if kind is None:
                raise ValueError(
                    f"{where}: '{one.step}' is no correction. There are: {', '.join(STEPS)}."
                )
            for name in one.parameters:
                if name in SETTABLE[one.step]:
                    continue
                known = f". It has: {', '.join(SETTABLE[one.step]).lower()}."
                raise ValueError(
                    f"{where}: {one.step} has no parameter '{name.lower()}'"
                    + ("; it is set for the whole sequence." if name in SHARED else known)
                )
            step = kind().create()
            asked = {**shared, **self.resolved(kind, one, task, where)}
            child = Task(step, asked, task.context, task.feedback)
            child.share("INPUT", task["INPUT"])
            step.task = child
            found.append(Member(one, step, child))
        return tuple(found), remarks

    def resolved(
        self, kind: type[CorrectionStep], called: Called, task, where: str
    ) -> dict[str, object]:
        """The parameters with layers named by a file's name found where they are likely to lie.

        Raises
        ------
        ValueError
            If a file, other than a layer, is nowhere there.
        """
        folders = [task["SEQUENCE"].parent] if task["SEQUENCE"] else []
        folders += [Path(layer.source).parent for layer in (task["HISTORY_OF"],) if layer]
        if task["INPUT"].layer is not None:
            folders.append(Path(task["INPUT"].layer.source().split("|")[0]).parent)
        asked = dict(called.parameters)
        for record in kind.parameters:
            name = asked.get(record.name)
            if isinstance(record, (Layer, File)) and isinstance(name, str) and name:
                beside = [folder / name for folder in folders if (folder / name).is_file()]
                asked[record.name] = str(beside[0]) if beside else name
                if isinstance(record, File) and not beside and not Path(name).is_file():
                    raise ValueError(
                        f"{where}: there is no file '{name}' for '{record.label}'. Put it beside "
                        "the sequence file or the readings, or write its full path."
                    )
        return asked

    # -- the run --------------------------------------------------------------------------------

    def work(self, task: Task) -> Mapping[str, object]:
        members = task.members
        lines = self.lines(task)
        before = self.read_all(task, members, lines)
        readings = before
        more: dict[str, np.ndarray] = {}
        figures = []
        outputs: dict[str, object] = {}
        for number, member in enumerate(members):
            child = member.task
            child.context, child.feedback = task.context, task.feedback
            low, high = (0.2 + 0.6 * (number + k) / len(members) for k in (0, 1))
            child.within(low, high)
            task.say(tr(member.step.title) + ":")
            readings, found, entry = self.corrected(member, readings, lines, more)
            lines.append(entry)
            figures.append({"step": PREFIX + member.called.step, **json.loads(found)})
        corrected = CorrectedLayer(task["INPUT"], before, readings, False, more)
        outputs["OUTPUT"] = self.write_corrected(task, corrected, lines)
        outputs["FIGURES"] = as_json(figures)
        if task["WRITTEN"] is not None:
            self.write_sequence(task)
            outputs["WRITTEN"] = str(task["WRITTEN"])
        return outputs

    def read_all(self, task, members, lines) -> Readings:
        """The readings with every channel that any of the corrections works on."""
        layer = task["INPUT"]
        channels = list(readings_layer.guess_channels(layer, lines))
        for member in members:
            channels += [name for name in member.task["CHANNELS"] if name not in channels]
        if not channels:
            raise ValueError(
                f"Layer '{layer.name}' has no field of real numbers to take for a channel. Name "
                "the channels of the first step."
            )
        wants_time = any(
            any(record.name == "TIME_FIELD" for record in member.step.parameters)
            for member in members
        )
        roles = self.roles(task, channels, task["TIME_FIELD"] if wants_time else None)
        return readings_layer.read_readings(layer, roles, lines, task.part(0, 0.2))

    def corrected(
        self, member: Member, readings: Readings, lines: list[str], more: dict[str, np.ndarray]
    ) -> tuple[Readings, str, str]:
        """One correction: the readings after it, its figures and its line of history."""
        task = member.task
        channels = member.step.channels(task, lines)
        columns = [readings.channels.index(name) for name in channels]
        own = replace(
            readings,
            values=readings.values[:, columns],
            channels=tuple(channels),
            units=tuple(readings.units[k] for k in columns),
        )
        task.history = list(lines)
        found: Correction = member.step.correct(own, task)
        values = readings.values.copy()
        values[:, columns] = found.readings.values
        member.step.warn_of_previous(task, channels, [*task["INPUT"].field_names, *more])
        if task["KEEP_PREVIOUS"]:
            names = (name + readings_layer.PREVIOUS for name in channels)
            more.update(zip(names, own.values.T))
        more.update(member.step.more(task, found))
        units = dict(zip(own.channels, found.readings.units))
        entry = member.step.entry(task, {"readings": len(own), **found.figures}, units)
        figures = member.step.report(task, found)
        member.step.after(task, found)
        all_units = tuple(
            units.get(name, unit) for name, unit in zip(readings.channels, readings.units)
        )
        after = replace(found.readings, values=values, channels=readings.channels, units=all_units)
        return after, figures, entry

    def write_sequence(self, task) -> None:
        """Write the sequence as it was run, every parameter named."""
        called = []
        for member in task.members:
            asked = member.task.asked()
            named = {
                name: member.called.parameters.get(name, asked[name])
                for name in SETTABLE[member.called.step]
                if name in asked and asked[name] is not None
            }
            called.append(Called(member.called.step, named))
        text = write(called, task.remarks)
        try:
            task["WRITTEN"].write_text(text, encoding="utf-8")
        except OSError as wrong:
            raise ValueError(
                f"The sequence cannot be written to '{task['WRITTEN']}' ({wrong})."
            ) from wrong
