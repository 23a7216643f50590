"""The base of steps that make rasters from a raster, band by band."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

import numpy as np

from ...algorithms.gridding.frame import Frame
from ...algorithms.progress import Progress
from ..history import read_history
from ..raster import RasterBand, read_band, write_geotiff
from ..raster_inputs import Bands, Raster
from ..step import Step, as_json
from ..task import Task

RASTER = (
    Raster("INPUT", "Survey raster", "Any raster in a projected coordinate reference system."),
    Bands("BANDS", "Bands", "The channels to work on. Left empty: all of them."),
)

PREPARING = 0.15
"""Share of the progress before the first band is worked on."""


class RasterStep(Step):
    """A step from a raster to rasters of the same cells and bands.

    A step of this kind has the parameters `RASTER` and raster outputs, and implements `filtered`
    and, where it must see all bands first, `prepared`. Bands without data come out without.
    """

    def prepared(self, task: Task, progress: Progress) -> object:
        """What all bands share, found before the first is worked on."""
        return None

    def filtered(
        self, task: Task, band: RasterBand, shared: object, progress: Progress
    ) -> tuple[object, Mapping[str, np.ndarray]]:
        """Work on one band: what was found, with its figures, and an array for each output."""
        raise NotImplementedError

    def unit(self, task: Task, band: RasterBand) -> str:
        """The unit of a band that comes out."""
        return band.unit

    def work(self, task):
        """See `Step.work`."""
        layer, count = task["INPUT"], len(task["BANDS"])
        outputs = [record for record in self.outputs if not record.optional or record.given(task)]
        shared = self.prepared(task, task.part(0.0, PREPARING))
        stacks: dict[str, np.ndarray] = {}
        units: dict[str, str] = {}
        found: dict[str, object] = {}
        empty = []
        for place, number in enumerate(task["BANDS"]):
            start = PREPARING + (0.95 - PREPARING) * place / count
            end = start + (0.95 - PREPARING) / count
            band = read_band(layer, number, task.part(start, start + 0.1 * (end - start)))
            name = band.name if band.name not in units else f"{band.name} ({number})"
            units[name] = self.unit(task, band)
            arrays: Mapping[str, np.ndarray] = {}
            if np.isfinite(band.values).any():
                part = task.part(start + 0.1 * (end - start), end)
                with _naming(name, count):
                    found[name], arrays = self.filtered(task, band, shared, part)
            else:
                empty.append(name)
            for record in outputs:
                if record.name not in stacks:
                    shape = (count, *band.values.shape)
                    stacks[record.name] = np.full(shape, np.nan, dtype=np.float32)
                if arrays:
                    stacks[record.name][place] = arrays[record.name]
        if not found:
            raise ValueError(f"Raster '{layer.name()}' holds no data: choose another.")
        figures = {name: dict(result.figures) for name, result in found.items()}
        lines = [*read_history(layer), self.entry(task, figures, units)]
        self._write(task, band.frame, stacks, units, lines)
        for sentence in _told({name: result.messages for name, result in found.items()}):
            task.say(sentence)
        for name in empty:
            task.warn(f"Band {name} holds no data and stays empty.")
        for sentence in _told({name: result.warnings for name, result in found.items()}):
            task.warn(sentence)
        written = {record.name: str(task[record.name]) for record in outputs}
        return {**written, "FIGURES": as_json(figures)}

    def _write(
        self,
        task: Task,
        frame: Frame,
        stacks: Mapping[str, np.ndarray],
        units: Mapping[str, str],
        lines: Sequence[str],
    ) -> None:
        """Write all rasters or, if one cannot be, none."""
        written: list[Path] = []
        crs = task["INPUT"].crs().toWkt()
        try:
            for name, bands in stacks.items():
                task.progress(0.95)
                path = task[name]
                write_geotiff(path, frame, bands, list(units), list(units.values()), crs, lines)
                written.append(path)
        except BaseException:
            for path in written:
                with suppress(OSError):
                    path.unlink()
            raise
        for name in stacks:
            self.show(task, str(task[name]), self.parameter(name).style)


@contextmanager
def _naming(name: str, count: int) -> Iterator[None]:
    """Name the band in what goes wrong with it, where there are several."""
    try:
        yield
    except ValueError as wrong:
        if count == 1:
            raise
        raise ValueError(f"Band {name}: {lower(str(wrong))}") from wrong


def lower(sentence: str) -> str:
    """A sentence to follow a colon."""
    return sentence[:1].lower() + sentence[1:]


def _told(sentences: Mapping[str, Sequence[str]]) -> Iterator[str]:
    """Sentences about bands: once where all bands share one, else with the band's name before."""
    shared = set.intersection(*(set(said) for said in sentences.values()))
    first = True
    for name, said in sentences.items():
        for sentence in said:
            if sentence not in shared:
                yield f"{name}: {lower(sentence)}"
            elif first:
                yield sentence
        first = False
