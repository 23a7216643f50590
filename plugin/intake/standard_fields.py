"""A layer's features with standard fields filled in, all their other fields kept."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from qgis.core import QgsFeature, QgsFields, QgsGeometry, QgsPointXY

from ...algorithms.progress import Progress, keep_going
from ...algorithms.readings import NO_LINE
from .. import compat
from ..readings_layer import STANDARD_FIELDS, attribute_cells
from ..source import LayerSource


@dataclass(frozen=True, eq=False)
class StandardFields:
    """The features of a layer, some standard fields of theirs written anew.

    Parameters
    ----------
    layer
        As it was read.
    columns
        Values of standard fields by name, one a feature: arrays, NaN and `NO_LINE` for NULL, or
        lists of text.
    places
        New positions, x and y, NaN for none; None to keep each geometry.
    kept
        Which features come out; None for all.
    """

    layer: LayerSource
    columns: Mapping[str, np.ndarray | Sequence[str]]
    places: tuple[np.ndarray, np.ndarray] | None = None
    kept: np.ndarray | None = None

    @cached_property
    def fields(self) -> QgsFields:
        """The layer's fields, those written anew as the conventions have them."""
        made = QgsFields()
        # Files do not tell apart names that differ in capitals only.
        anew = {name.lower(): name for name in self.columns}
        for known in self.layer.fields:
            name = anew.get(known.name().lower())
            made.append(compat.field(name, STANDARD_FIELDS[name]) if name else known)
        for name in self.columns:
            if made.indexOf(name) < 0:
                made.append(compat.field(name, STANDARD_FIELDS[name]))
        return made

    def features(self, progress: Progress = keep_going) -> Iterator[QgsFeature]:
        """Every feature that comes out, in the layer's order.

        Raises
        ------
        ValueError
            If the layer changed while it was being worked on.
        """
        fields = self.fields
        columns = [(fields.indexOf(name), cells_of(name, c)) for name, c in self.columns.items()]
        n = len(columns[0][1])
        kept = [True] * n if self.kept is None else self.kept.tolist()
        places = None if self.places is None else np.column_stack(self.places).tolist()
        for row, feature in self.layer.rows(n, progress):
            if not kept[row]:
                continue
            made = QgsFeature(fields)
            made.setAttributes(feature.attributes())
            made.resizeAttributes(len(fields))
            for index, cells in columns:
                made.setAttribute(index, cells[row])
            if places is None:
                made.setGeometry(feature.geometry())
            elif places[row][0] == places[row][0]:
                made.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(*places[row])))
            yield made


def cells_of(name: str, column: np.ndarray | Sequence[str]) -> list:
    """Attribute values of a standard field: None for NaN and `NO_LINE`."""
    if STANDARD_FIELDS[name] == "text":
        return list(column)
    cells = attribute_cells(column)
    if STANDARD_FIELDS[name] == "integer":
        return [None if cell is None or cell == NO_LINE else int(cell) for cell in cells]
    return cells
