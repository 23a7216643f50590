"""Corrected readings back to a layer like the one they came from."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from qgis.core import QgsFeature, QgsFields

from ..algorithms.progress import Progress, keep_going
from ..algorithms.readings import Readings
from . import compat
from .readings_layer import PREVIOUS, attribute_cells
from .source import LayerSource


@dataclass(frozen=True, eq=False)
class CorrectedLayer:
    """A layer's features with the corrected channels in place of the old ones.

    Every feature comes out in the same order with all its other fields; `fields` describes them.

    Parameters
    ----------
    layer
        The layer as it was read.
    before, after
        Its readings, and the same rows corrected. Features move where positions differ.
    keep_previous
        Add the values as they were, in fields of their own.
    more
        Further fields of real numbers by name, ``(n,)`` each.
    """

    layer: LayerSource
    before: Readings
    after: Readings
    keep_previous: bool = False
    more: Mapping[str, np.ndarray] = field(default_factory=dict)

    def with_values_as_they_are(self) -> CorrectedLayer:
        """The same, but channels keep their types and the last bit of every value."""
        before, after = (
            replace(readings, values=readings.values[:, :0], channels=(), units=())
            for readings in (self.before, self.after)
        )
        return replace(self, before=before, after=after)

    @cached_property
    def columns(self) -> dict[str, np.ndarray]:
        """What is written anew, by field: real numbers with NaN for NULL, `qc` whole numbers."""
        found = dict(zip(self.after.channels, self.after.values.T))
        found["qc"] = self.after.qc
        if self.keep_previous:
            names = (name + PREVIOUS for name in self.before.channels)
            found.update(zip(names, self.before.values.T))
        found.update(self.more)
        return found

    @property
    def kinds(self) -> dict[str, str]:
        """Kind of each field that is written anew."""
        return {name: "integer" if name == "qc" else "real" for name in self.columns}

    @cached_property
    def shift(self) -> np.ndarray | None:
        """How far each feature moves, shape ``(n, 2)``; None where none does."""
        if len(self.after) != len(self.before):
            return None  # refused when the features are written
        moves = [self.after.x - self.before.x, self.after.y - self.before.y]
        shift = np.nan_to_num(np.column_stack(moves))
        return shift if shift.any() else None

    @property
    def in_other_units(self) -> bool:
        """Whether a channel has come to be in another unit, which its field's alias tells."""
        return self.after.units != self.before.units

    @property
    def fields(self) -> QgsFields:
        """The output's fields: the input's, and what is added to them."""
        made = QgsFields()
        for known in self.layer.fields:
            name = known.name()
            kind = self.kinds.get(name)
            made.append(compat.field(name, kind, self._alias(name)) if kind else known)
        for name, kind in self.kinds.items():
            if made.indexOf(name) < 0:
                made.append(compat.field(name, kind, self._alias(name)))
        return made

    def _alias(self, name: str) -> str:
        units = dict(zip(self.after.channels, self.after.units))
        if self.in_other_units:
            before = (one + PREVIOUS for one in self.before.channels)
            units = {**dict(zip(before, self.before.units)), **units}
        if name not in units:
            return ""
        unit = units[name]
        return f"{name} [{unit}]" if unit else name

    def features(self, progress: Progress = keep_going) -> Iterator[QgsFeature]:
        """Every feature, corrected.

        Raises
        ------
        ValueError
            If the layer changed while it was being worked on.
        """
        fields = self.fields
        width = len(fields)
        columns = [
            (fields.indexOf(name), attribute_cells(column) if kind == "real" else column.tolist())
            for (name, column), kind in zip(self.columns.items(), self.kinds.values())
        ]
        shift = None if self.shift is None else self.shift.tolist()
        for row, feature in self.layer.rows(len(self.after), progress):
            feature.resizeAttributes(width)
            for index, column in columns:
                feature.setAttribute(index, column[row])
            if shift is not None:
                geometry = feature.geometry()
                geometry.translate(*shift[row])
                feature.setGeometry(geometry)
            yield feature
