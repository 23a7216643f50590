"""The provider, registered in the host that pytest-qgis starts."""

import gc
import sys
from pathlib import Path

import pytest


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_teardown(item, nextitem):
    # Layers held by the last test would outlive the host, and crash it.
    if nextitem is None and hasattr(item, "funcargs"):
        item.funcargs.clear()


@pytest.fixture(scope="session")
def provider(qgis_app):
    import lynchet
    from qgis.analysis import QgsNativeAlgorithms
    from qgis.core import QgsApplication

    host = Path(QgsApplication.pkgDataPath()) / "python"
    sys.path += [str(host), str(host / "plugins")]
    registry = QgsApplication.processingRegistry()
    if registry.providerById("native") is None:
        registry.addProvider(QgsNativeAlgorithms())
    plugin = lynchet.classFactory(None)
    plugin.initProcessing()
    return plugin.provider


@pytest.fixture(autouse=True)
def collected():
    """Collect what a failed run's traceback holds while the host still lives."""
    yield
    gc.collect()


@pytest.fixture
def run(provider):
    """Run a step as a script would; give back its outputs. Messages: `run.listener.said`."""
    import processing
    from qgis.core import QgsProcessingFeedback

    class Listener(QgsProcessingFeedback):
        def __init__(self):
            super().__init__(False)
            self.said = []

        def pushInfo(self, info):
            self.said.append(info)

        def pushWarning(self, warning):
            self.said.append(warning)

    def go(step, **parameters):
        go.listener = Listener()
        name = f"lynchet:{step}" if isinstance(step, str) else step.create()
        return processing.run(name, parameters, feedback=go.listener)

    yield go
    go.listener = None


@pytest.fixture
def point_layer(qgis_app):
    """Make a memory layer of readings: `fields` by name, one list of values each."""
    from qgis.core import QgsFeature, QgsGeometry, QgsPointXY, QgsVectorLayer
    from qgis.PyQt.QtCore import QVariant

    def make(x, y, crs="EPSG:25831", **fields):
        types = {
            name: "string" if any(isinstance(v, str) for v in values)
            else "double" if any(isinstance(v, float) for v in values)
            else "integer"
            for name, values in fields.items()
        }  # fmt: skip
        query = "".join(f"&field={name}:{kind}" for name, kind in types.items())
        layer = QgsVectorLayer(f"Point?crs={crs}{query}", "quillmere", "memory")
        features = []
        for row in range(len(x)):
            feature = QgsFeature(layer.fields())
            if x[row] is not None:
                feature.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(x[row], y[row])))
            feature.setAttributes(
                [QVariant() if values[row] is None else values[row] for values in fields.values()]
            )
            features.append(feature)
        assert layer.dataProvider().addFeatures(features)[0]
        layer.updateExtents()
        return layer

    return make


@pytest.fixture
def save(tmp_path):
    """Save a layer to a file of the test's own folder and open it."""
    from qgis.core import QgsCoordinateTransformContext, QgsVectorFileWriter, QgsVectorLayer

    def go(layer, name="readings.gpkg"):
        options = QgsVectorFileWriter.SaveVectorOptions()
        options.driverName = QgsVectorFileWriter.driverForExtension(name.rpartition(".")[2])
        path = str(tmp_path / name)
        written = QgsVectorFileWriter.writeAsVectorFormatV3(
            layer, path, QgsCoordinateTransformContext(), options
        )
        assert written[0] == QgsVectorFileWriter.WriterError.NoError, written
        return QgsVectorLayer(path, layer.name(), "ogr")

    return go
