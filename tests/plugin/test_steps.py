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
        mark=[int(i % 20 in (0, 10, 19)) for i in range(n)],
        ec_050=rng.normal(20, 1, n).tolist(),
    )
    (tmp_path / "out").mkdir()

    def gdf2():
        """A file in the open standard, as small as can be."""
        formats = ("line:I5", "EASTING:F12.2", "NORTHING:F12.2", "ec_050:F8.2")
        rows = [f"DEFN {k} ST=RECD,RT=;{name}" for k, name in enumerate(formats, start=1)]
        (tmp_path / "few.dfn").write_text("\n".join([*rows, "DEFN 5 ST=RECD,RT=;END DEFN"]) + "\n")
        (tmp_path / "few.dat").write_text(f"{1:5d}{430000:12.2f}{5900000:12.2f}{20:8.2f}\n")
        return str(tmp_path / "few.dat")

    def of(step):
        suffix = "tif" if step in ("gridreadings", *RASTERS) else "gpkg"
        output = str(tmp_path / "out" / f"result.{suffix}")
        more = {
            "importtable": {
                "FILES": [str(SAMPLE / "quillmere_base.csv")],
                "PLACEMENT": "projected", "CRS": "EPSG:25831", "X_COLUMN": "x", "Y_COLUMN": "y",
                "TIME_COLUMN": "time",
            },
            "plangrids": {
                "INPUT": str(SAMPLE / "quillmere_plan.geojson"), "WHERE": "kind = 'outline'",
                "STAKES": "memory:", "CHECKS": "memory:",
            },
            "planlines": {"INPUT": str(SAMPLE / "quillmere_plan.geojson")},
            "importdatagrids": {
                "FILES": [str(SAMPLE / "data_grids" / "quillmere_g1_ec_050.txt")],
                "PATTERN": "quillmere_{grid}_{channel}", "CRS": "EPSG:25831",
                "LAYOUT": str(SAMPLE / "quillmere_grids.csv"), "SEPARATION": 0.5, "INTERVAL": 0.125,
            },
            "importstream": {
                "FILES": [str(SAMPLE / "quillmere_stream.txt")], "CRS": "EPSG:25831",
                "RECIPE": str(SAMPLE / "quillmere_stream.json"), "CLOCK_SHIFT": "-01:00",
            },
            "importgdf2": {"FILES": [gdf2()], "CRS": "EPSG:25831"},
            "placebymarks": {
                "CRS": "EPSG:25831", "MARK_FIELD": "mark", "LENGTH": 10.0, "INTERVAL": 0.5,
                "ORIGIN": "430000,5900000", "REPAIRS": "memory:",
            },
            "placesensors": {"CHANNELS": ["ec_050"]},
            "fitsitegrid": {
                "CONTROL_TEXT": "A: 0 0 -> 430000 5900000; B: 40 0 -> 430040 5900000",
                "CRS": "EPSG:25831", "RESIDUALS": "memory:", "DIRECTION": "to_site_grid",
            },
            "writegdf2": {"OUTPUT": str(tmp_path / "out" / "result.dat")},
            "writeinstrument": {"OUTPUT": str(tmp_path / "out" / "result.json")},
            "layeredresponse": {
                "CONDUCTIVITY_FIELDS": ["ec_050"], "PREFIX": "model_", "HEIGHT": 0.1,
            },
            "driftbase": {"BASE_FIELD": "base"},
            "drifttie": {"TIE_FIELD": "tie"},
            "balancegrids": {"PART_FIELD": "part"},
            "temperature": {"TEMPERATURE": 12.0},
            "emiunits": {"INSTRUMENT": str(SAMPLE / "quillmere_instrument.json")},
            "invertlayers": {"INSTRUMENT": str(SAMPLE / "quillmere_instrument.json")},
            "flagreadings": {"HIGHEST": "22"},
            "comparerepeats": {"REPEAT_FIELD": "tie", "PAIRS": output},
            "checkreadings": {"FINDINGS": output},
            "runsequence": {"TEXT": "despike\nlevellines"},
            **{name: {"INPUT": str(ROOT / "tests" / "plugin" / "no.tif")}
               for name in ("anomalies", *RASTERS)},
        }.get(step, {})  # fmt: skip
        channels = {} if step in (*INTAKE, "runsequence") else {"CHANNELS": ["ec_050"]}
        return {"INPUT": layer, **channels, "OUTPUT": output, **more}

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
    "emiunits",
    "flagreadings",
    "runsequence",
)
PLANS = ("plangrids", "planlines")
RASTERS = ("smoothraster", "destriperaster")
INTAKE = ("importtable", "importdatagrids", "importstream", "importgdf2")
PLACING = ("placebymarks", "splitlines", "placesensors", "fitsitegrid")
GROUND = ("depthtable", "layeredresponse", "invertlayers")
STEPS = (
    *PLANS,
    *INTAKE,
    *PLACING,
    "checkreadings",
    "comparerepeats",
    *CORRECTIONS,
    "writesequence",
    "comparegridding",
    "gridreadings",
    "stackedprofiles",
    *RASTERS,
    "anomalies",
    "writeinstrument",
    *GROUND,
    "writegdf2",
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
    if step in ("anomalies", *RASTERS):
        asked["INPUT"] = str(tmp_path / "in.tif")
    algorithm = QgsApplication.processingRegistry().createAlgorithmById(f"lynchet:{step}")
    assert algorithm.checkParameterValues(asked, context)[0]
    found, _ = algorithm.run(asked, context, feedback)
    assert found == {}
    assert list((tmp_path / "out").iterdir()) == []


def progress_of(step, asked):
    """Everything a step shows of its progress."""
    from qgis.core import QgsApplication, QgsProcessingContext, QgsProcessingFeedback

    shown = []
    feedback, context = QgsProcessingFeedback(False), QgsProcessingContext()
    feedback.progressChanged.connect(shown.append)
    algorithm = QgsApplication.processingRegistry().createAlgorithmById(f"lynchet:{step}")
    assert algorithm.run(asked, context, feedback)[1]
    return shown


@pytest.mark.parametrize("step", [*CORRECTIONS, "checkreadings", "comparegridding", "gridreadings"])
def test_progress_only_rises_and_ends_near_the_end(provider, parameters, step):
    shown = progress_of(step, parameters(step))
    assert shown == sorted(shown)
    assert shown[-1] >= 80


@pytest.mark.parametrize("step", RASTERS)
def test_progress_only_rises_from_rasters_too(raster, parameters, tmp_path, step):
    (tmp_path / "out" / "result.tif").rename(tmp_path / "in.tif")
    shown = progress_of(step, {**parameters(step), "INPUT": str(tmp_path / "in.tif")})
    assert shown == sorted(shown)
    assert shown[-1] >= 80


@pytest.mark.parametrize("step", [*PLANS, *INTAKE, *PLACING, *GROUND, "writegdf2"])
def test_progress_only_rises_from_files_and_plans_too(provider, parameters, step):
    shown = progress_of(step, parameters(step))
    assert shown == sorted(shown)
    assert shown or step == "planlines"  # done at once where nothing is cut


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
