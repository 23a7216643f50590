"""The step "Write a layer's history as a sequence"."""

from __future__ import annotations

from collections.abc import Mapping

from ..inputs import MapLayer
from ..outputs import FileOutput
from ..sequence import of_history, write
from ..step import Step, as_json
from ..task import Task
from .runsequence import SETTABLE


class WriteSequence(Step):
    """A layer's history to a sequence that can be edited and run on other readings."""

    identifier = "writesequence"
    title = "Write a layer's history as a sequence"
    stage = "correct"
    summary = (
        "Writes the corrections that made a layer, a readings layer or a raster, as a correction "
        "sequence: a text to read, edit and run on other readings."
    )
    advice = (
        "Steps that are no correction of readings, such as bringing them in and gridding, are left "
        "out and named in a remark.",
    )
    words = ("history", "method", "repeat", "workflow", "provenance", "record")
    parameters = (
        MapLayer("INPUT", "Layer", "A layer that one of our steps made."),
        FileOutput(
            "OUTPUT",
            "Sequence",
            "The text file to write.",
            filter="Text (*.txt)",
        ),
    )

    def work(self, task: Task) -> Mapping[str, object]:
        layer, path = task["INPUT"], task["OUTPUT"]
        found, remarks = of_history(layer.lines, SETTABLE)
        if not found:
            raise ValueError(f"The history of layer '{layer.name}' holds no correction.")
        try:
            path.write_text(write(found, remarks), encoding="utf-8")
        except OSError as wrong:
            raise ValueError(f"'{path}' could not be written ({wrong}).") from wrong
        task.say(f"{len(found)} corrections: {', '.join(called.step for called in found)}.")
        return {"OUTPUT": str(path), "FIGURES": as_json({"corrections": len(found)})}
