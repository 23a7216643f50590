"""Write the ready-made models into plugin/models/.

Run it on the oldest QGIS we support: /usr/bin/python3 tools/make_models.py
"""

from __future__ import annotations

from host import ROOT, headless

MODELS = ROOT / "plugin" / "models"
# What users call: levellines:CORRECTED=out.gpkg and so on. Never change a name.
OUTPUTS = {
    "readings": ("READINGS", "Readings"),
    "levellines": ("CORRECTED", "Corrected readings"),
    "gridreadings": ("RASTER", "Survey raster"),
    "anomalies": ("ANOMALIES", "Anomalies"),
}
HELP = {
    "correctreadings": (
        "Readings to corrected readings: removes spikes, takes off the drift that base readings "
        "show, and levels the traverses. Every step keeps its defaults; open a copy in the model "
        "designer to change them."
    ),
    "tabletomap": (
        "The logger's tables, the layout of the data grids and the base readings' table to a "
        "readings layer, corrected readings, a raster with a band per channel and the outlined "
        "anomalies of one band. An anomaly is not proof, and no anomaly is not proof of absence."
    ),
}


def main() -> None:
    """Write both models."""
    with headless():
        for build in (correct_readings, table_to_map):
            model = build()
            path = MODELS / f"{model.name()}.model3"
            MODELS.mkdir(exist_ok=True)
            if not model.toFile(str(path)):
                raise SystemExit(f"{path} cannot be written.")
            print(path.relative_to(ROOT))


class Builder:
    """A model as a list of inputs and children."""

    def __init__(self, name: str):
        from qgis.core import QgsProcessingModelAlgorithm

        self.model = QgsProcessingModelAlgorithm(name, "Ready-made models", "models")
        self.model.setHelpContent(
            {"ALG_DESC": HELP[name], "ALG_CREATOR": "The Lynchet developers", "ALG_VERSION": "1"}
        )
        self.row = 0

    def input(self, definition) -> None:
        """Add an input of the model."""
        from qgis.core import QgsProcessingModelParameter
        from qgis.PyQt.QtCore import QPointF

        component = QgsProcessingModelParameter(definition.name())
        component.setPosition(QPointF(140, 70 * (self.row + 1)))
        self.row += 1
        self.model.addModelParameter(definition, component)

    def child(self, name: str, step: str, place: int, **sources) -> None:
        """Add a step: each source a model input ("@NAME"), a child ("name:OUTPUT") or a value."""
        from qgis.core import (
            QgsProcessingModelChildAlgorithm,
            QgsProcessingModelChildParameterSource,
            QgsProcessingModelOutput,
        )
        from qgis.PyQt.QtCore import QPointF

        made = QgsProcessingModelChildAlgorithm(f"lynchet:{step}")
        made.setChildId(name)
        made.setDescription(made.algorithm().displayName())
        made.setPosition(QPointF(480 + 30 * (place % 2), 110 * (place + 1)))
        for parameter, source in sources.items():
            if isinstance(source, str) and source.startswith("@"):
                value = QgsProcessingModelChildParameterSource.fromModelParameter(source[1:])
            elif isinstance(source, str) and source.endswith(":OUTPUT"):
                value = QgsProcessingModelChildParameterSource.fromChildOutput(
                    source.split(":")[0], "OUTPUT"
                )
            else:
                value = QgsProcessingModelChildParameterSource.fromStaticValue(source)
            made.addParameterSources(parameter, [value])
        if name in OUTPUTS:
            key, title = OUTPUTS[name]
            kept = QgsProcessingModelOutput(key, title)
            kept.setChildId(name)
            kept.setChildOutputName("OUTPUT")
            kept.setPosition(QPointF(820, 110 * (place + 1)))
            made.setModelOutputs({key: kept})
        self.model.addChildAlgorithm(made)


def corrections(builder: Builder, source: str, base: str, place: int) -> None:
    """The three corrections, the same in both models."""
    builder.child("despike", "despike", place, INPUT=source)
    builder.child("driftbase", "driftbase", place + 1, INPUT="despike:OUTPUT", BASE=base)
    builder.child("levellines", "levellines", place + 2, INPUT="driftbase:OUTPUT")


def correct_readings():
    """Readings and base readings to corrected readings."""
    from qgis.core import QgsProcessing, QgsProcessingParameterFeatureSource

    kinds = QgsProcessing.SourceType
    builder = Builder("correctreadings")
    builder.input(
        QgsProcessingParameterFeatureSource("READINGS", "Readings", [kinds.TypeVectorPoint])
    )
    builder.input(QgsProcessingParameterFeatureSource("BASE", "Base readings", [kinds.TypeVector]))
    corrections(builder, "@READINGS", "@BASE", 0)
    return builder.model


def table_to_map():
    """Logger tables to a raster and anomalies."""
    from qgis.core import (
        QgsProcessing,
        QgsProcessingParameterCrs,
        QgsProcessingParameterFeatureSource,
        QgsProcessingParameterMultipleLayers,
        QgsProcessingParameterNumber,
        QgsProcessingParameterString,
    )

    kinds = QgsProcessing.SourceType
    real = QgsProcessingParameterNumber.Type.Double
    builder = Builder("tabletomap")
    builder.input(QgsProcessingParameterMultipleLayers("FILES", "Logger tables", kinds.TypeFile))
    builder.input(
        QgsProcessingParameterFeatureSource("LAYOUT", "Data-grid layout", [kinds.TypeVector])
    )
    builder.input(
        QgsProcessingParameterMultipleLayers("BASE_FILES", "Base readings' tables", kinds.TypeFile)
    )
    builder.input(QgsProcessingParameterCrs("CRS", "Coordinate reference system", "ProjectCrs"))
    for name, label, default in (
        ("GRID_COLUMN", "Data grid column", "grid"),
        ("LINE_COLUMN", "Traverse column", "line"),
        ("SEQUENCE_COLUMN", "Reading number column", "reading"),
        ("TIME_COLUMN", "Time column", "time"),
        ("BASE_X_COLUMN", "Easting column of the base readings", "x"),
        ("BASE_Y_COLUMN", "Northing column of the base readings", "y"),
        ("CHANNELS", "Channels", ""),
    ):
        builder.input(QgsProcessingParameterString(name, label, default, False, default == ""))
    for name, label, default in (
        ("SEPARATION", "Traverse separation [map units]", 0.5),
        ("INTERVAL", "Reading interval [map units]", 0.125),
        ("WINDOW", "Window of the anomalies' moving background [map units]", 10.0),
    ):
        builder.input(QgsProcessingParameterNumber(name, label, real, default, False, 1e-6))
    builder.input(
        QgsProcessingParameterNumber(
            "BAND", "Band to outline", QgsProcessingParameterNumber.Type.Integer, 1, False, 1
        )
    )
    builder.child(
        "readings",
        "importtable",
        0,
        FILES="@FILES",
        PLACEMENT="site_grid",
        CRS="@CRS",
        CHANNELS="@CHANNELS",
        GRID_COLUMN="@GRID_COLUMN",
        LINE_COLUMN="@LINE_COLUMN",
        SEQUENCE_COLUMN="@SEQUENCE_COLUMN",
        TIME_COLUMN="@TIME_COLUMN",
        LAYOUT="@LAYOUT",
        SEPARATION="@SEPARATION",
        INTERVAL="@INTERVAL",
    )
    builder.child(
        "base",
        "importtable",
        1,
        FILES="@BASE_FILES",
        PLACEMENT="projected",
        CRS="@CRS",
        CHANNELS="@CHANNELS",
        X_COLUMN="@BASE_X_COLUMN",
        Y_COLUMN="@BASE_Y_COLUMN",
        TIME_COLUMN="@TIME_COLUMN",
    )
    corrections(builder, "readings:OUTPUT", "base:OUTPUT", 2)
    builder.child("gridreadings", "gridreadings", 5, INPUT="levellines:OUTPUT")
    builder.child(
        "anomalies",
        "anomalies",
        6,
        INPUT="gridreadings:OUTPUT",
        BAND="@BAND",
        BACKGROUND="moving",
        WINDOW="@WINDOW",
    )
    return builder.model


if __name__ == "__main__":
    main()
