"""What holds for every step, and how outputs look."""

import numpy as np
import pytest
from host import ROOT

SAMPLE = ROOT / "sample_layers"
READINGS = 440


@pytest.fixture
def parameters(point_layer, tmp_path):
    """Parameters that each step can run with, its output a file of the test's folder."""
    rng = np.random.default_rng(0)
    n = READINGS
    line = [i // 20 for i in range(n)]  # the last two are tie lines
    place = [0.5 * (i % 20) for i in range(n)]
    tie = [number >= 20 for number in line]
    layer = point_layer(
        x=[430000 + (p if t else 0.5 * k) for p, k, t in zip(place, line, tie)],
        y=[5900000 + (3.1 + 3 * (k - 20) if t else p) for p, k, t in zip(place, line, tie)],
        line=line,
        seq=[i % 20 if i // 20 % 2 == 0 else 19 - i % 20 for i in range(n)],
        time=[float(i) for i in range(n)],
        part=["west" if p < 10 else "east" for p in line],
        tie=[int(t) for t in tie],
        base=[1] + [0] * (n - 2) + [1],
        ec_050=rng.normal(20, 1, n).tolist(),
    )
    (tmp_path / "out").mkdir()

    def of(step):
        suffix = "tif" if step == "gridreadings" else "gpkg"
        output = str(tmp_path / "out" / f"result.{suffix}")
        more = {
            "importtable": {
                "FILES": [str(SAMPLE / "quillmere_base.csv")],
                "PLACEMENT": "projected", "CRS": "EPSG:25831", "X_COLUMN": "x", "Y_COLUMN": "y",
                "TIME_COLUMN": "time",
            },
            "driftbase": {"BASE_FIELD": "base"},
            "drifttie": {"TIE_FIELD": "tie"},
            "balancegrids": {"PART_FIELD": "part"},
            "temperature": {"TEMPERATURE": 12.0},
            "flagreadings": {"HIGHEST": "22"},
            "comparerepeats": {"REPEAT_FIELD": "tie", "PAIRS": output},
            "checkreadings": {"FINDINGS": output},
            "runsequence": {"TEXT": "despike\nlevellines"},
            "anomalies": {"INPUT": str(ROOT / "tests" / "plugin" / "no.tif")},
        }.get(step, {})  # fmt: skip
        return {"INPUT": layer, "CHANNELS": ["ec_050"], "OUTPUT": output, **more}

    return of


CORRECTIONS = (
    "despike",
    "driftbase",
    "drifttie",
    "alignpasses",
    "levellines",
    "balancegrids",
    "removetrend",
    "temperature",
    "flagreadings",
    "runsequence",
)
STEPS = (
    "importtable",
    "checkreadings",
    "comparerepeats",
    *CORRECTIONS,
    "writesequence",
    "gridreadings",
    "anomalies",
)


@pytest.fixture
def raster(run, parameters):
    return run("gridreadings", **parameters("gridreadings"))["OUTPUT"]


def test_the_list_of_steps_is_the_whole_list(provider):
    found = {step.name() for step in provider.algorithms()}
    assert found == {*STEPS, "correctreadings", "tabletomap"}


@pytest.mark.parametrize("step", [step for step in STEPS if step != "writesequence"])
def test_a_cancelled_step_leaves_nothing(provider, raster, parameters, tmp_path, step):
    from qgis.core import QgsApplication, QgsProcessingContext, QgsProcessingFeedback

    (tmp_path / "out" / "result.tif").rename(tmp_path / "in.tif")
    feedback, context = QgsProcessingFeedback(False), QgsProcessingContext()
    feedback.cancel()
    asked = parameters(step)
    if step in ("importtable", "runsequence"):
        del asked["CHANNELS"]
    if step == "anomalies":
        asked["INPUT"] = str(tmp_path / "in.tif")
    algorithm = QgsApplication.processingRegistry().createAlgorithmById(f"lynchet:{step}")
    assert algorithm.checkParameterValues(asked, context)[0]
    found, _ = algorithm.run(asked, context, feedback)
    assert found == {}
    assert list((tmp_path / "out").iterdir()) == []


@pytest.mark.parametrize("step", [*CORRECTIONS, "checkreadings", "gridreadings"])
def test_progress_only_rises_and_ends_near_the_end(provider, parameters, step):
    from qgis.core import QgsApplication, QgsProcessingContext, QgsProcessingFeedback

    shown = []
    feedback, context = QgsProcessingFeedback(False), QgsProcessingContext()
    feedback.progressChanged.connect(shown.append)
    algorithm = QgsApplication.processingRegistry().createAlgorithmById(f"lynchet:{step}")
    _, ok = algorithm.run(parameters(step), context, feedback)
    assert ok
    assert shown == sorted(shown)
    assert shown[-1] >= 80


def test_results_carry_their_units(run, tmp_path):
    from lynchet.plugin.history import channel_units, read_history
    from osgeo import gdal
    from qgis.core import QgsVectorLayer

    readings, clean = str(tmp_path / "r.gpkg"), str(tmp_path / "c.gpkg")
    run("importtable", FILES=[str(SAMPLE / "quillmere_g1.csv")], PLACEMENT="site_grid",
        CRS="EPSG:25831", LAYOUT=str(SAMPLE / "quillmere_grids.csv"), GRID_COLUMN="grid",
        LINE_COLUMN="line", SEQUENCE_COLUMN="reading", SEPARATION=0.5, INTERVAL=0.125,
        OUTPUT=readings)  # fmt: skip
    run("despike", INPUT=readings, OUTPUT=clean)
    lines = read_history(QgsVectorLayer(clean, "c", "ogr"))
    assert channel_units(lines)["ip_100"] == "ppt"
    raster = run("gridreadings", INPUT=clean, OUTPUT=str(tmp_path / "m.tif"))["OUTPUT"]
    dataset = gdal.Open(raster)
    assert [dataset.GetRasterBand(k).GetUnitType() for k in (1, 2)] == ["mS/m", "ppt"]
    assert dataset.GetRasterBand(3).GetDescription() == "ec_100"


@pytest.fixture
def styled(provider, tmp_path):
    from lynchet.algorithms.gridding.frame import Frame
    from lynchet.plugin.raster import write_geotiff
    from lynchet.plugin.styles import style_survey_raster
    from qgis.core import QgsCoordinateReferenceSystem, QgsRasterLayer

    def of(values):
        path = tmp_path / "styled.tif"
        wkt = QgsCoordinateReferenceSystem("EPSG:25831").toWkt()
        rows, columns = values.shape
        write_geotiff(path, Frame(0, rows, 1, 1, columns, rows), values[None], ["c"], [""], wkt, [])
        layer = QgsRasterLayer(str(path), "styled")
        style_survey_raster(layer)
        return layer.renderer().shader().rasterShaderFunction().colorRampItemList()

    return of


def test_a_bipolar_channel_is_shaded_about_its_background(styled):
    values = np.random.default_rng(0).normal(0.3, 1.0, (40, 40))
    items = styled(values)
    middle = items[len(items) // 2]
    assert middle.value == pytest.approx(np.median(values), abs=1e-6)
    assert items[0].value + items[-1].value == pytest.approx(2 * middle.value)
    assert middle.color.lightness() > max(items[0].color.lightness(), items[-1].color.lightness())


def test_a_channel_of_one_sign_is_shaded_from_low_to_high(styled):
    items = styled(np.random.default_rng(0).normal(20, 1.0, (40, 40)))
    lightness = [item.color.lightness() for item in items]
    assert lightness == sorted(lightness)
    assert items[0].value > 16


def test_every_output_gets_a_styler_of_its_own(provider):
    # The host deletes one after use.
    from lynchet.plugin.styles import Styler, style_readings

    assert Styler.kept(style_readings) is not Styler.kept(style_readings)


def test_outputs_are_styled_when_the_host_loads_them(run, raster, tmp_path):
    import processing
    from qgis.core import QgsProcessingContext, QgsProcessingUtils, QgsProject

    context = QgsProcessingContext()
    context.setProject(QgsProject.instance())
    out = str(tmp_path / "anomalies.gpkg")
    details = QgsProcessingContext.LayerDetails("Anomalies", QgsProject.instance(), "OUTPUT")
    context.addLayerToLoadOnCompletion(out, details)
    processing.run(
        "lynchet:anomalies",
        {"INPUT": raster, "SEED_THRESHOLD": 2.0, "EXTENT_THRESHOLD": 1.0, "OUTPUT": out},
        context=context,
    )
    stylist = context.layerToLoadOnCompletionDetails(out).postProcessor()
    layer = QgsProcessingUtils.mapLayerFromString(out, context)
    stylist.postProcessLayer(layer, context, None)
    assert layer.renderer().type() == "categorizedSymbol"
    assert layer.renderer().classAttribute() == "polarity"


@pytest.mark.parametrize("step", CORRECTIONS)
def test_a_step_runs_beside_the_desktop_and_its_layer_arrives(provider, parameters, step):
    """As a dialog runs it: in another thread, twice over, loading a styled layer each time."""
    from qgis.core import (
        QgsApplication,
        QgsProcessingAlgRunnerTask,
        QgsProcessingContext,
        QgsProcessingFeedback,
        QgsProject,
    )
    from qgis.PyQt.QtCore import QEventLoop, QTimer

    asked = {**parameters(step), "OUTPUT": "memory:"}
    algorithm = QgsApplication.processingRegistry().algorithmById(f"lynchet:{step}")
    for _ in range(2):
        context, feedback = QgsProcessingContext(), QgsProcessingFeedback(False)
        context.setProject(QgsProject.instance())
        task = QgsProcessingAlgRunnerTask(algorithm, asked, context, feedback)
        loop, done = QEventLoop(), []

        def finished(ok, results, loop=loop, done=done):
            done.append((ok, results))
            loop.quit()

        task.executed.connect(finished)
        QgsApplication.taskManager().addTask(task)
        QTimer.singleShot(60_000, loop.quit)
        if not done:
            loop.exec()
        ok, results = done[0]
        assert ok
        layer = context.temporaryLayerStore().mapLayer(results["OUTPUT"])
        assert layer is not None
        # Brought over to the desktop's thread, without which the project refuses it.
        assert layer.thread() == QgsApplication.instance().thread()
        assert layer.featureCount() == READINGS
        assert len(layer.metadata().history()) == (2 if step == "runsequence" else 1)
