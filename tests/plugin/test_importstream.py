"""From a stream to a readings layer, as a user runs it."""

import json

import numpy as np
import pytest
from host import ROOT
from invented_stream import gga, rmc
from support import attributes

SAMPLE = ROOT / "sample_layers" / "quillmere_stream.txt"
RECIPE = "begins: M; parted by: blanks; time: 2; channels: 3 = ec_050 [mS/m], 4 = ip_050 [ppt]"
CRS = "EPSG:25831"


@pytest.fixture
def stream(tmp_path):
    """Forty readings along a meridian, walked north for ten seconds."""
    rows = [rmc(9 * 3600 + k, 3.0, 53.0 + 1e-5 * k, mode="R") for k in range(11)]
    rows = [row for k, fix in enumerate(rows) for row in (
        fix, *(f"M 10:00:{k:02d}.{part} 2{k % 10}.5 0.3" for part in ("125", "375", "625", "875"))
    )]  # fmt: skip
    rows[5] = gga(9 * 3600 + 1, 3.0, 53.0 + 1e-5, quality=1)
    path = tmp_path / "walk.txt"
    path.write_text("\n".join(rows))
    return path


def test_readings_with_positions_quality_and_units(run, stream, tmp_path):
    from lynchet.plugin.history import channel_units, read_history
    from qgis.core import QgsVectorLayer

    path = str(tmp_path / "out.gpkg")
    out = run("importstream", FILES=[str(stream)], RECIPE_TEXT=RECIPE, CRS=CRS, CLOCK_SHIFT="-1:00",
              GOOD_QUALITY="4", KEEP_FIX=True, OUTPUT=path)  # fmt: skip
    layer = QgsVectorLayer(path, "out", "ogr")
    figures = json.loads(out["FIGURES"])
    assert (figures["lines"], figures["readings"], figures["fixes"]) == (55, 44, 11)
    assert figures["unplaced"] == 4
    rows = attributes(layer, "seq", "time", "qc", "ec_050", "ip_050", "bearing", "fix_quality")
    assert rows[0][:5] == (1, 36000.125, 16, 20.5, 0.3)
    # Longitude 3 is the zone's middle meridian: it runs to grid north.
    assert rows[0][5] == pytest.approx(0.0, abs=0.01)
    assert [row[2] for row in rows[:10]] == [16] * 8 + [0] * 2
    assert rows[40][2] == 0
    north = [f.geometry().asPoint().y() for f in layer.getFeatures()][:40]
    # A degree of latitude at 53 degrees north is 111.27 km (GRS 80), on the map 0.9996 of that.
    np.testing.assert_allclose(np.diff(north), 0.25e-5 * 111_270 * 0.9996, rtol=1e-3)
    history = read_history(layer)
    assert history[-1].startswith("lynchet:importstream ")
    assert channel_units(history) == {"ec_050": "mS/m", "ip_050": "ppt"}
    said = "Of the readings, 8 at fixes of poor quality are marked doubtful."
    assert said in run.listener.said


def test_the_history_holds_the_recipe_itself(run, stream, tmp_path):
    from lynchet.plugin.history import Entry, read_history
    from qgis.core import QgsVectorLayer

    recipe, path = tmp_path / "recipe.txt", str(tmp_path / "out.gpkg")
    recipe.write_text(RECIPE.replace("; ", "\n"))
    out = run("importstream", FILES=[str(stream)], RECIPE=str(recipe), CRS=CRS, CLOCK="found",
              OUTPUT=path)  # fmt: skip
    entry = Entry.parse(read_history(QgsVectorLayer(path, "out", "ogr"))[-1])
    said = {
        "begins": "M", "parted by": "blanks", "time": "2",
        "channels": "3 = ec_050 [mS/m], 4 = ip_050 [ppt]",
    }  # fmt: skip
    assert json.loads(entry.figures["recipe"]) == said
    assert json.loads(json.loads(out["FIGURES"])["recipe"]) == said


def test_the_loggers_stamps_give_the_shift(run, stream):
    rows = stream.read_text().splitlines()
    fixes = iter(range(99))
    rows = [f"10:00:{next(fixes):02d}.0,{row}" if row[0] == "$" else row for row in rows]
    stream.write_text("\n".join(rows))
    out = run("importstream", FILES=[str(stream)], RECIPE_TEXT=RECIPE + "; stamp: 1", CRS=CRS,
              CLOCK="found", TALKER="gn", OUTPUT="memory:")  # fmt: skip
    figures = json.loads(out["FIGURES"])
    assert (figures["stamps"], figures["clock shift found"]) == (11, -3600.0)
    shared = run("importstream", FILES=[str(stream)], RECIPE_TEXT=RECIPE, CRS=CRS,
                 CLOCK_SHIFT="-1:00", OUTPUT="memory:")  # fmt: skip
    assert attributes(out["OUTPUT"], "along", "time") == attributes(
        shared["OUTPUT"], "along", "time"
    )


def test_a_position_that_has_no_place_on_the_map_is_named_by_its_row(run, stream, tmp_path):
    from qgis.core import QgsProcessingException

    rows = stream.read_text().splitlines()
    rows[10] = rmc(9 * 3600 + 2, 93.0, 0.0)
    stream.write_text("\n".join(rows))
    with pytest.raises(QgsProcessingException) as refusal:
        run("importstream", FILES=[str(stream)], RECIPE_TEXT=RECIPE, CRS=CRS, CLOCK="found",
            OUTPUT=str(tmp_path / "out.gpkg"))  # fmt: skip
    assert "The position in row 11 of walk.txt at longitude 93, latitude 0 has no place in" in str(
        refusal.value
    )


def test_a_recipe_in_a_file_does_the_same(run, stream, tmp_path):
    recipe = tmp_path / "recipe.json"
    recipe.write_text(json.dumps({
        "begins": "M", "parted by": "blanks", "time": 2,
        "channels": ["3 = ec_050 [mS/m]", "4 = ip_050 [ppt]"],
    }))  # fmt: skip
    found = [
        attributes(run("importstream", FILES=[str(stream)], CRS=CRS, CLOCK="found",
                       OUTPUT="memory:", **given)["OUTPUT"], "time", "along", "ec_050")
        for given in ({"RECIPE": str(recipe)}, {"RECIPE_TEXT": RECIPE})
    ]  # fmt: skip
    assert found[0] == found[1]


def test_the_sample_stream_lies_within_its_data_grids(run):
    out = run("importstream", FILES=[str(SAMPLE)], RECIPE_TEXT=RECIPE, CRS=CRS,
              CLOCK_SHIFT="-01:00", AHEAD=1.0, OUTPUT="memory:")  # fmt: skip
    figures = json.loads(out["FIGURES"])
    assert figures["readings"] == 25_600
    assert figures["lines"] == len(SAMPLE.read_text("ascii").splitlines())
    assert figures["broken sentences"] == 1
    x, y = np.array([
        (f.geometry().asPoint().x(), f.geometry().asPoint().y())
        for f in out["OUTPUT"].getFeatures() if f.hasGeometry()
    ]).T  # fmt: skip
    # On the site: 40 m square, its corner at 430000, 5900000, turned by 17 degrees.
    angle = np.radians(17)
    across = (x - 430000) * np.cos(angle) - (y - 5900000) * np.sin(angle)
    along = (x - 430000) * np.sin(angle) + (y - 5900000) * np.cos(angle)
    for inside in (across, along):
        assert inside.min() > -0.05
        assert inside.max() < 40.05


REFUSED = {
    "Give the reading recipe once: as a file or written in its field.": {"RECIPE": str(SAMPLE)},
    "No reading recipe is given. Choose its file, or write it in its field.": {"RECIPE_TEXT": ""},
    "The recipe says 'prefix', which is no word of a recipe.": {"RECIPE_TEXT": "prefix: M"},
    "The talker is 'GNSS'. Give the two capitals behind the $": {"TALKER": "GNSS"},
    "The clock shift is '1 hour'. Give seconds, as in -3599.5": {"CLOCK_SHIFT": "1 hour"},
    "The good fix qualities hold 'all'. Give digits from 1 to 9": {"GOOD_QUALITY": "all"},
    "No reading can be placed: the instrument's clock runs from 10:00:00.1": {},
    "only a clock that both share can join them": {"POSITIONS": [str(SAMPLE)], "CLOCK": "arrival",
                                                  "BAD_VALUES": "null"},
    "Row 3 of quillmere_g1.csv is no sentence nor begins with 'M'":
        {"FILES": [str(ROOT / "sample_layers" / "quillmere_g1.csv")]},
    "is in degrees": {"CRS": "EPSG:4326"},
}  # fmt: skip


@pytest.mark.parametrize("said", REFUSED)
def test_what_cannot_be_is_refused_and_writes_nothing(run, stream, tmp_path, said):
    from qgis.core import QgsProcessingException

    given = {"FILES": [str(stream)], "RECIPE_TEXT": RECIPE, "CRS": CRS, **REFUSED[said]}
    with pytest.raises(QgsProcessingException) as refusal:
        run("importstream", **given, OUTPUT=str(tmp_path / "out.gpkg"))
    assert said in str(refusal.value)
    assert not (tmp_path / "out.gpkg").exists()


def test_cancelling_leaves_nothing(provider, stream, tmp_path):
    from qgis.core import QgsApplication, QgsProcessingContext, QgsProcessingFeedback

    feedback = QgsProcessingFeedback(False)
    feedback.cancel()
    step = QgsApplication.processingRegistry().createAlgorithmById("lynchet:importstream")
    given = {"FILES": [str(stream)], "RECIPE_TEXT": RECIPE, "CRS": CRS, "CLOCK": "found",
             "OUTPUT": str(tmp_path / "out.gpkg")}  # fmt: skip
    assert step.run(given, QgsProcessingContext(), feedback)[0] == {}
    assert not (tmp_path / "out.gpkg").exists()
