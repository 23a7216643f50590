"""The fields that inverted layers are written to."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from qgis.core import QgsFeature, QgsFields

from ...algorithms.ground.instrument import CONDUCTIVITY
from ...algorithms.ground.invertlayers import Inverted
from ...algorithms.progress import Progress
from .. import compat
from ..history import entries
from ..readings_layer import attribute_cells
from ..source import LayerSource

STEP = "lynchet:invertlayers"

OWN = re.compile(
    r"(ec_layer\d+(_low|_high|_told)?|base\d+(_low|_high)?|depth_seen|misfit|numbers_told)"
)
"""Names of the fields that are made here, without the text before them."""

CUT = 10
"""Letters of a field's name that a shapefile keeps."""


def layer_depths(lines: Sequence[str]) -> dict[str, str]:
    """Depths of inverted layers, by the name of their field, as a layer's history tells them."""
    found: dict[str, str] = {}
    for entry in entries(lines):
        if entry.step == STEP:
            prefix = str(entry.parameters.get("PREFIX") or "")
            found = {name: words for name, words in found.items() if not own(name, prefix)}
            for name, words in entry.figures.items():
                if re.fullmatch(r"ec_layer\d+", name):
                    found[prefix + name] = str(words)
    return found


def own(name: str, prefix: str) -> bool:
    """Tell whether a field has a name that is made here with a text before it."""
    return (
        name.lower().startswith(prefix.lower())
        and OWN.fullmatch(name[len(prefix) :].lower()) is not None
    )


def kept_fields(layer: LayerSource, prefix: str, before: bool) -> list[int]:
    """Indexes of a layer's fields but those that an earlier inversion made.

    Parameters
    ----------
    prefix
        Text before the names of the fields.
    before
        Whether the layer comes from an inversion with the same text.

    Raises
    ------
    ValueError
        If a field that no earlier inversion made has the name of one to be made, or if those that
        one made can no longer be told by their names.
    """
    cut = next((name for name in layer.field_names if _is_cut(name, prefix)), None)
    if before and cut is not None:
        raise ValueError(
            f"Layer '{layer.name}' holds layers of an earlier inversion in fields whose names its "
            f"file format cut short, such as '{cut}', so that they cannot be replaced. Take the "
            "readings from before that inversion, or write inversions to a GeoPackage."
        )
    kept = []
    for index, name in enumerate(layer.field_names):
        made = own(name, prefix)
        if made and not before:
            raise ValueError(
                f"Layer '{layer.name}' has a field '{name}' already, where one of that name may "
                "go. Give a text before field names, or rename the field."
            )
        if not made:
            kept.append(index)
    return kept


def _is_cut(name: str, prefix: str) -> bool:
    """Tell whether a name is that of a layer, or of its bound, cut to what a shapefile keeps."""
    begun, name = (prefix + "ec_layer").lower(), name.lower()
    cut = begun.startswith(name) or re.fullmatch(re.escape(begun) + r"\d+_[a-z]{0,3}", name)
    return len(name) == CUT and bool(cut) and not own(name, prefix)


def layer_fields(
    found: Inverted, prefix: str, few: bool
) -> tuple[QgsFields, dict[str, np.ndarray], dict[str, str]]:
    """The fields that are added, their columns, and the units of those that are channels."""
    layers = found.conductivity.shape[1]
    described: list[tuple[str, str, str]] = []
    columns: dict[str, np.ndarray] = {}
    units: dict[str, str] = {}

    def add(name: str, column: np.ndarray, words: str, unit: str = "") -> None:
        name = prefix + name
        described.append((name, "real", f"{words} [{unit}]" if unit else words))
        columns[name] = column

    where = depth_words(found, few)
    for k in range(layers):
        name = f"ec_layer{k + 1}"
        add(name, found.conductivity[:, k], where[k], CONDUCTIVITY)
        add(f"{name}_low", found.low[:, k], f"{where[k]}, lower bound", CONDUCTIVITY)
        add(f"{name}_high", found.high[:, k], f"{where[k]}, upper bound", CONDUCTIVITY)
        add(f"{name}_told", found.told[:, k], f"{where[k]}, share of its own variance told")
        units[prefix + name] = CONDUCTIVITY
    for k in range(layers - 1 if few else 0):
        name = f"base{k + 1}"
        for suffix, thickness, words in (
            ("", found.thickness, ""),
            ("_low", found.thin, ", shallow bound"),
            ("_high", found.thick, ", deep bound"),
        ):
            depth = thickness[:, : k + 1].sum(axis=1)
            add(name + suffix, depth, f"depth of the bottom of layer {k + 1}{words}", "m")
        units[prefix + name] = "m"
    add("depth_seen", found.depth, "depth of investigation", "m")
    add("misfit", found.misfit, "misfit, standard deviations")
    add("numbers_told", found.numbers, "independent numbers told")
    return compat.fields(*described), columns, units


def depth_words(found: Inverted, few: bool) -> list[str]:
    """Between what depths each layer lies, or which it is where that differs."""
    layers = found.conductivity.shape[1]
    if few:
        return [f"layer {k + 1} of {layers} from the top" for k in range(layers)]
    if layers == 1:
        return ["all depths"]
    known = np.isfinite(found.conductivity).all(axis=1)
    bottoms = np.cumsum(found.thickness[known][0])
    tops = [0.0, *bottoms.tolist()]
    return [f"{top:.2f} to {end:.2f} m" for top, end in zip(tops, tops[1:])] + [
        f"below {tops[-1]:.2f} m"
    ]


def with_layers(
    layer: LayerSource,
    fields: QgsFields,
    kept: Sequence[int],
    columns: Mapping[str, np.ndarray],
    progress: Progress,
) -> Iterator[QgsFeature]:
    """The features with what was found behind their own fields."""
    count = len(next(iter(columns.values())))
    found = zip(*map(attribute_cells, columns.values()))
    for (_, feature), cells in zip(layer.rows(count, progress), found):
        made = QgsFeature(fields)
        made.setGeometry(feature.geometry())
        before = feature.attributes()
        made.setAttributes([*(before[index] for index in kept), *cells])
        yield made
