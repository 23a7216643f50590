"""The one place that knows which QGIS version runs."""

from __future__ import annotations

from qgis.core import QgsField, QgsFields, QgsProcessingParameterDefinition
from qgis.PyQt.QtCore import QMetaType, QVariant

_NEW_TYPES = {
    "text": "QString",
    "integer": "LongLong",
    "real": "Double",
}
_OLD_TYPES = {"text": "String", "integer": "LongLong", "real": "Double"}


def field(name: str, kind: str, alias: str = "") -> QgsField:
    """Return a field of `kind` text, integer or real, with an alias for people to read."""
    try:
        made = QgsField(name, getattr(QMetaType.Type, _NEW_TYPES[kind]))
    except (TypeError, AttributeError):  # QGIS before 3.38 takes only QVariant's types
        made = QgsField(name, getattr(QVariant, _OLD_TYPES[kind]))
    if alias:
        made.setAlias(alias)
    return made


def fields(*described: tuple[str, ...]) -> QgsFields:
    """Return fields, each described by what `field` takes: name, kind and, maybe, alias."""
    made = QgsFields()
    for one in described:
        made.append(field(*one))
    return made


def is_null(value) -> bool:
    """Tell whether an attribute is NULL: None, or a null QVariant in Qt 5."""
    return value is None or (isinstance(value, QVariant) and value.isNull())


def mark_advanced(definition: QgsProcessingParameterDefinition) -> None:
    """Put a parameter among the advanced ones."""
    definition.setFlags(definition.flags() | QgsProcessingParameterDefinition.Flag.FlagAdvanced)


def parameter_fields(step, parameters, name: str, context) -> list[str]:
    """The fields a parameter names."""
    read = getattr(step, "parameterAsStrings", None) or step.parameterAsFields  # until 3.34
    return list(read(parameters, name, context))
