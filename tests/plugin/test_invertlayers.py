"""Fields and history of inverted layers, what is left out and refused, and the section picture."""

import json
import re

import numpy as np
import pytest
from host import ROOT
from support import attributes

INSTRUMENT = str(ROOT / "sample_layers" / "quillmere_instrument.json")
LINES, COUNT = 3, 12
N = LINES * COUNT


def exact(grounds, thickness, spacing, height=0.05):
    """What the instrument shows over grounds, by the exact field."""
    from lynchet.algorithms.ground.instrument import CoilPair, ratio_per_conductivity
    from lynchet.algorithms.ground.layeredresponse import layered_response

    pair = CoilPair(spacing, frequency=10_000.0)
    ratio = layered_response([pair], grounds, thickness, height=height)[:, 0]
    return 1e3 * ratio.imag / ratio_per_conductivity(pair)


@pytest.fixture
def layer(point_layer):
    """Two layers, 10 over 40 mS/m, the upper 0.3 to 0.6 m thick from west to east."""

    def make(metre=1.0, crs="EPSG:25831", places=True, height=0.05, drop=(), **more):
        along = np.tile(np.arange(COUNT) * 0.25, LINES)
        across = np.repeat(np.arange(LINES) * 0.5, COUNT)
        thickness = (0.3 + 0.3 * along / along.max())[:, np.newaxis]
        grounds = np.tile([10.0, 40.0], (N, 1))
        fields = {
            "grid": ["G1"] * N,
            "line": np.repeat(np.arange(LINES) + 1, COUNT).tolist(),
            "seq": list(range(N)),
            "ec_050": exact(grounds, thickness, 0.5, height).tolist(),
            "ec_100": exact(grounds, thickness, 1.0, height).tolist(),
            "ip_050": [0.1] * N,
            "note": [f"n{k}" for k in range(N)],
            **more,
        }
        for name in drop:
            del fields[name]
        x = (430000.0 + along * metre).tolist() if places else [None] * N
        return point_layer(x=x, y=(5900000.0 + across * metre).tolist(), crs=crs, **fields)

    return make


@pytest.fixture
def invert(run):
    def go(layer, **asked):
        return run(
            "invertlayers",
            **{"INPUT": layer, "INSTRUMENT": INSTRUMENT, "OUTPUT": "memory:", "NOISE": "0.1",
               **asked},
        )  # fmt: skip

    return go


def column(layer, name):
    return np.array([np.nan if v is None else v for (v,) in attributes(layer, name)], dtype=float)


def names(layer):
    return layer.fields().names()


def test_two_layers_are_found_within_their_bounds(invert, layer):
    # Truth: 10 over 40 mS/m; the readings are made by the exact field over it.
    made = invert(layer(), METHOD="few", THICKNESSES="0.45")["OUTPUT"]
    for name, true in (("ec_layer1", 10.0), ("ec_layer2", 40.0)):
        low, middle, high = (column(made, name + end) for end in ("_low", "", "_high"))
        assert (low < middle).all()
        assert (middle < high).all()
        assert ((low < true) & (true < high)).all()
    truth = 0.3 + 0.3 * np.tile(np.arange(COUNT), LINES) / (COUNT - 1)
    assert (column(made, "base1_low") < truth).all()
    assert (truth < column(made, "base1_high")).all()
    assert np.corrcoef(column(made, "base1"), truth)[0, 1] > 0.9
    assert column(made, "misfit").max() < 1
    assert ((column(made, "ec_layer1_told") > 0.5) & (column(made, "ec_layer1_told") <= 1)).all()
    # McNeill (1980) of the wider pair, over the true ground: 0.3 of the response from below.
    share = 1 / np.sqrt(4 * (truth + 0.05) ** 2 + 1)
    whole = 10 / np.sqrt(4 * 0.05**2 + 1) + 30 * share
    seen = np.sqrt((40 / (0.3 * whole)) ** 2 - 1) / 2 - 0.05
    np.testing.assert_allclose(column(made, "depth_seen"), seen, rtol=0.1)
    assert (column(made, "numbers_told") <= 2 + 1e-9).all()


def test_every_feature_comes_out_in_order_with_all_its_fields_and_the_input_is_untouched(
    invert, layer
):
    before = layer()
    kept = names(before)
    rows = attributes(before, *kept)
    made = invert(before, LAYERS=3)["OUTPUT"]
    assert attributes(made, *kept) == rows
    assert names(before) == kept
    assert attributes(before, *kept) == rows
    added = names(made)[len(kept) :]
    ends = ("", "_low", "_high", "_told")
    assert added == [
        *(f"ec_layer{k}{end}" for k in (1, 2, 3) for end in ends),
        "depth_seen", "misfit", "numbers_told",
    ]  # fmt: skip
    aliases = {field.name(): field.alias() for field in made.fields()}
    assert aliases["ec_layer1"] in ("", "0.00 to 0.62 m [mS/m]")
    assert aliases["depth_seen"] in ("", "depth of investigation [m]")


def test_depths_stand_in_figures_and_aliases(invert, layer):
    from types import SimpleNamespace

    from lynchet.plugin.ground.layer_fields import layer_fields

    made = invert(layer(), THICKNESSES="0.3; 0.5")
    figures = json.loads(made["FIGURES"])
    assert [figures[f"ec_layer{k}"] for k in (1, 2, 3)] == [
        "0.00 to 0.30 m", "0.30 to 0.80 m", "below 0.80 m",
    ]  # fmt: skip
    table, one = np.ones((1, 2)), np.ones(1)
    found = SimpleNamespace(
        conductivity=table, low=table, high=table, told=table, thickness=np.full((1, 1), 0.4),
        thin=table[:, :1], thick=table[:, :1], depth=one, misfit=one, numbers=one,
    )  # fmt: skip
    fields, _, units = layer_fields(found, "", few=False)
    told = {field.name(): field.alias() for field in fields}
    assert told["ec_layer1"] == "0.00 to 0.40 m [mS/m]"
    assert told["ec_layer2_high"] == "below 0.40 m, upper bound [mS/m]"
    assert units == {"ec_layer1": "mS/m", "ec_layer2": "mS/m"}
    fields, _, units = layer_fields(found, "few_", few=True)
    assert fields.field("few_base1").alias() == "depth of the bottom of layer 1 [m]"
    assert units["few_base1"] == "m"


def test_layers_are_channels_of_later_steps_and_bands_of_a_raster(invert, layer, run, tmp_path):
    from lynchet.plugin.history import channel_units, read_history
    from osgeo import gdal

    out = str(tmp_path / "layers.gpkg")
    invert(layer(), LAYERS=3, OUTPUT=out)
    from qgis.core import QgsVectorLayer

    units = channel_units(read_history(QgsVectorLayer(out, "o", "ogr")))
    assert units == {f"ec_layer{k}": "mS/m" for k in (1, 2, 3)}
    raster = run("gridreadings", INPUT=out, OUTPUT=str(tmp_path / "slices.tif"))["OUTPUT"]
    dataset = gdal.Open(raster)
    bands = [dataset.GetRasterBand(k + 1) for k in range(dataset.RasterCount)]
    assert [band.GetDescription() for band in bands] == ["ec_layer1", "ec_layer2", "ec_layer3"]
    assert {band.GetUnitType() for band in bands} == {"mS/m"}


def test_what_cannot_be_inverted_is_null_and_counted(invert, layer):
    ec = exact(np.tile([10.0, 40.0], (N, 1)), np.full((N, 1), 0.4), 1.0).tolist()
    ec[0], ec[1], ec[2] = None, -3.0, 1e6
    heights = [0.05] * N
    heights[3] = None
    qc = [0] * N
    qc[4], qc[5] = 32, 1
    made = invert(layer(ec_100=ec, up=heights, qc=qc), HEIGHT_FIELD="up", LAYERS=2)
    gone = np.isnan(column(made["OUTPUT"], "ec_layer1"))
    assert np.flatnonzero(gone).tolist() == [0, 1, 2, 3, 4]
    for name in ("ec_layer2_high", "misfit", "depth_seen"):
        assert np.isnan(column(made["OUTPUT"], name)).tolist() == gone.tolist()
    figures = json.loads(made["FIGURES"])
    assert (figures["inverted"], figures["left_out"]) == (N - 5, 5)


def test_heights_are_allowed_for(invert, layer):
    # Carried at 0.2 m: with the true heights the layers are those at 0.05 m, without them not.
    low = invert(layer(), METHOD="few")["OUTPUT"]
    raised = layer(height=0.2, up=[0.2] * N)
    high = invert(raised, METHOD="few", HEIGHT_FIELD="up")["OUTPUT"]
    wrong = invert(raised, METHOD="few")["OUTPUT"]
    off, far = (np.abs(np.log(column(made, "ec_layer1") / column(low, "ec_layer1"))).max()
                for made in (high, wrong))  # fmt: skip
    assert off < 0.2
    assert far > 2 * off


@pytest.mark.parametrize("lengths", [{}, {"ALONG": 0.6, "ACROSS": 0.6}])
def test_feet_give_what_metres_give(invert, layer, lengths):
    metres = invert(layer(), LAYERS=3, **lengths)["OUTPUT"]
    feet = invert(layer(metre=3937 / 1200, crs="EPSG:2263"), LAYERS=3, **lengths)["OUTPUT"]
    for name in ("ec_layer1", "ec_layer3_high", "depth_seen"):
        np.testing.assert_allclose(column(feet, name), column(metres, name), rtol=1e-4)


def test_selected_features_alone_are_inverted(invert, layer):
    from qgis.core import QgsProcessingFeatureSourceDefinition, QgsProject

    whole = layer()
    QgsProject.instance().addMapLayer(whole, False)
    ids = sorted(feature.id() for feature in whole.getFeatures())[5:15]
    whole.selectByIds(ids)
    chosen = QgsProcessingFeatureSourceDefinition(whole.id(), True)
    made = invert(chosen, LAYERS=2, USUAL=25.0)["OUTPUT"]
    assert [row[0] for row in attributes(made, "note")] == [f"n{k}" for k in range(5, 15)]
    alone = invert(whole, LAYERS=2, USUAL=25.0)["OUTPUT"]
    np.testing.assert_allclose(column(made, "ec_layer1"), column(alone, "ec_layer1")[5:15])
    QgsProject.instance().removeMapLayer(whole.id())


def test_places_matter_only_to_likeness(invert, layer, run):
    made = invert(layer(places=False), LAYERS=2)["OUTPUT"]
    assert np.isfinite(column(made, "ec_layer1")).all()
    from qgis.core import QgsProcessingException

    with pytest.raises(QgsProcessingException, match="36 readings without a reading in every"):
        invert(layer(places=False), LAYERS=2, ALONG=1.0)
    assert any("36 of the readings have no position" in said for said in run.listener.said)


def test_a_second_run_replaces_the_first_and_a_text_keeps_both(invert, layer, run):
    once = invert(layer(), LAYERS=4)["OUTPUT"]
    twice = invert(once, LAYERS=2)["OUTPUT"]
    assert "ec_layer3" not in names(twice)
    assert "note" in names(twice)
    assert any("earlier inversion are replaced" in said for said in run.listener.said)
    both = invert(once, METHOD="few", PREFIX="few_")["OUTPUT"]
    assert {"ec_layer4", "few_ec_layer2", "few_base1", "misfit", "few_misfit"} <= set(names(both))
    assert column(both, "ec_layer4").tolist() == column(once, "ec_layer4").tolist()
    again = invert(both, METHOD="few", PREFIX="few_", LAYERS=3)["OUTPUT"]
    assert {"ec_layer4", "few_base2"} <= set(names(again))
    assert len(set(names(again))) == len(names(again))


def test_a_rerun_on_a_shapefile_that_cut_the_names_is_refused(invert, layer, tmp_path):
    from qgis.core import QgsProcessingException, QgsVectorLayer

    for prefix, cut in (("", "ec_layer1_"), ("few_", "few_ec_lay")):
        path = tmp_path / f"out{prefix}.shp"
        invert(layer(), LAYERS=2, PREFIX=prefix, OUTPUT=str(path))
        again = QgsVectorLayer(str(path), "out", "ogr")
        assert cut in names(again)
        with pytest.raises(QgsProcessingException, match=f"cut short, such as '{cut}', so that"):
            invert(again, LAYERS=2, PREFIX=prefix)
        # With another text before them, the new fields stand beside the old ones.
        both = invert(again, LAYERS=2, PREFIX="b_")["OUTPUT"]
        assert {cut, "b_ec_layer1_low"} <= set(names(both))


def test_a_reading_of_no_traverse_is_inverted_but_tied_to_none(invert, layer):
    line = [None if k in (5, 20) else 1 + k // COUNT for k in range(N)]
    ec = exact(np.tile([10.0, 40.0], (N, 1)), np.full((N, 1), 0.4), 1.0)
    ec += np.random.default_rng(8).normal(0, 0.5, N)
    alone = column(invert(layer(line=line, ec_100=ec.tolist()), LAYERS=2)["OUTPUT"], "ec_layer2")
    tied = invert(layer(line=line, ec_100=ec.tolist()), LAYERS=2, ALONG=1.0)["OUTPUT"]
    same = np.isclose(column(tied, "ec_layer2"), alone, rtol=1e-9)
    assert np.isfinite(alone).all()
    assert np.flatnonzero(same).tolist() == [5, 20]


def test_help_says_what_becomes_of_readings_of_no_traverse(provider):
    from lynchet.plugin.ground.invertlayers import InvertLayers

    said = InvertLayers().parameter("LINE_FIELD").help
    assert "inverted too" in said
    assert "unchanged" not in said


def test_a_free_track_is_asked_for_by_that_word(invert, layer, tmp_path, monkeypatch):
    from lynchet.plugin.ground import invertlayers

    titles = []
    monkeypatch.setattr(invertlayers, "draw_section", lambda *given: titles.append(given[2]))
    for grid, asked in (("", "track"), ("", "0"), ("G1", "G1 track")):
        invert(layer(grid=[grid] * N), LAYERS=2, LINE_FIELD="", SECTION_LINE=asked,
               SECTION=str(tmp_path / "s.png"))  # fmt: skip
    invert(layer(), LAYERS=2, SECTION_LINE="G1 2", SECTION=str(tmp_path / "s.png"))
    assert titles == [*["Conductivity along the track"] * 3, "Conductivity along line 2 of grid G1"]


def test_in_phase_channels_count_only_when_chosen(invert, layer, run):
    plain = json.loads(invert(layer(), LAYERS=2)["FIGURES"])
    assert "noise_ip_050" not in plain
    assert not any("in phase" in said for said in run.listener.said)
    chosen = ["ec_050", "ip_050", "ec_100"]
    with_it = json.loads(invert(layer(), LAYERS=2, CHANNELS=chosen)["FIGURES"])
    assert with_it["noise_ip_050"] == 0.1
    assert any("ip_050: taken for what the conductive ground" in said for said in run.listener.said)


def test_the_zero_level_is_asked_after_until_it_is_set(invert, layer, run):
    invert(layer(), LAYERS=2)
    assert any("no zero level set for ec_050, ec_100" in said for said in run.listener.said)
    levelled = run(
        "emiunits", INPUT=layer(), INSTRUMENT=INSTRUMENT, QUADRATURE_TO="unchanged",
        OFFSETS="ec_050 = 0.5", OUTPUT="memory:",
    )["OUTPUT"]  # fmt: skip
    invert(levelled, LAYERS=2)
    assert any("no zero level set for ec_100:" in said for said in run.listener.said)


def test_converted_channels_are_refused(invert, layer, run):
    from qgis.core import QgsProcessingException

    exactly = run("emiunits", INPUT=layer(), INSTRUMENT=INSTRUMENT, OUTPUT="memory:")["OUTPUT"]
    with pytest.raises(QgsProcessingException, match="'ec_050' was converted to 'exact' by the h"):
        invert(exactly)
    back = run(
        "emiunits", INPUT=exactly, INSTRUMENT=INSTRUMENT, QUADRATURE_TO="low_induction",
        OUTPUT="memory:",
    )["OUTPUT"]  # fmt: skip
    np.testing.assert_allclose(
        column(invert(back, LAYERS=2)["OUTPUT"], "ec_layer1"),
        column(invert(layer(), LAYERS=2)["OUTPUT"], "ec_layer1"), rtol=1e-5,
    )  # fmt: skip


REFUSED = [
    ({"INSTRUMENT": ""}, "No file is given for 'Instrument description'"),
    ({"CHANNELS": ["seq"]}, "'seq' is no channel of Quillmere's instrument: it has ec_050"),
    ({"CHANNELS": ["ip_050"]}, "cannot be found from in-phase channels alone"),
    ({"drop": ("ec_050", "ec_100")}, "has no quadrature channel of Quillmere's instrument, which"),
    ({"unit": "ppt"}, "Channel 'ec_100' is in ppt by the layer, but in mS/m by the instrument"),
    ({"THICKNESSES": "0.3; -0.2"}, "A thickness is -0.2 m: give 0.01 to 1000 m."),
    ({"THICKNESSES": "0,3"}, "'Thicknesses of the layers' is '0,3'; give one number, or one a la"),
    ({"THICKNESSES": "0.3", "LAYERS": 3}, "3 layers need 2 thicknesses, not 1"),
    ({"LAYERS": 31}, "31 layers: give 1 to 30, or 0 to choose"),
    ({"NOISE": "0.1; 0.1; 0.1"}, "holds 3 numbers for 2 channels"),
    ({"NOISE": "0"}, "The noise is 0: give numbers above 0"),
    ({"RELATIVE": 1.5}, "'Relative error' is 1.5; it must be at most 1"),
    ({"CONTRAST": 1.0}, "The contrast is 1: give a factor above 1"),
    ({"SUSCEPTIBILITY": -3.0}, "The susceptibility is -3"),
    ({"HEIGHT_FIELD": "up", "up": [0.05] * 7 + [-0.1] * (N - 7)},
     "Feature 8 of layer 'quillmere': the height in 'up' is -0.1 m"),
    ({"HEIGHT_FIELD": "up", "up": [None, None] * (N // 2)}, "36 readings without a height"),
    ({"ec_050": [900000.0] * N}, "36 readings above what any uniform ground can give"),
    ({"ec_050": [None, None] * (N // 2)}, "Channel 'ec_050' of layer 'quillmere' holds no reading"),
    ({"ec_layer2": [1.0] * N}, "has a field 'ec_layer2' already, where one of that name may go"),
    ({"Misfit": [1.0] * N}, "has a field 'Misfit' already"),
    ({"crs": "EPSG:4326"}, "is in degrees"),
    ({"SECTION": "s.png"}, "A section picture is asked for, but no line for it"),
    ({"SECTION": "s.txt", "SECTION_LINE": "1"}, "the file must end in .png or .svg or .pdf"),
    ({"SECTION": "s.png", "SECTION_LINE": "9"}, "There is no traverse '9'. There are: G1 1, G1 2"),
    ({"SECTION": "s.png", "SECTION_LINE": "1", "places": False}, "lie in one place or in none"),
]  # fmt: skip


@pytest.mark.parametrize(("given", "sentence"), REFUSED)
def test_what_cannot_be_is_refused_and_writes_nothing(invert, layer, given, sentence, tmp_path):
    from qgis.core import QgsProcessingException

    given = dict(given)
    unit = given.pop("unit", None)
    of_layer = {name: given.pop(name) for name in list(given) if not name.isupper()}
    made = layer(**of_layer)
    if unit:
        made.setFieldAlias(made.fields().lookupField("ec_100"), f"ec_100 [{unit}]")
    if "SECTION" in given:
        given["SECTION"] = str(tmp_path / given["SECTION"])
    with pytest.raises(QgsProcessingException, match=re.escape(sentence)):
        invert(made, OUTPUT=str(tmp_path / "none.gpkg"), **given)
    assert list(tmp_path.iterdir()) == []


def test_a_layer_without_geometry_is_refused(invert, run):
    from qgis.core import QgsProcessingException, QgsVectorLayer

    table = QgsVectorLayer("None?field=ec_050:double&field=ec_100:double&field=line:integer", "t",
                           "memory")  # fmt: skip
    with pytest.raises(QgsProcessingException, match="'t' for 'Readings' holds no points"):
        invert(table)


@pytest.fixture
def drawn(qgis_app):
    from qgis.core import QgsFeature, QgsGeometry, QgsVectorLayer

    def make(*lines, crs="EPSG:25831"):
        made = QgsVectorLayer(f"LineString?crs={crs}", "drawn", "memory")
        for line in lines:
            feature = QgsFeature()
            feature.setGeometry(QgsGeometry.fromWkt(line))
            made.dataProvider().addFeature(feature)
        return made

    return make


ACROSS = "LINESTRING(430001 5899999, 430001 5900003)"


@pytest.mark.parametrize("ending", ["png", "svg", "pdf", "html"])
def test_sections_are_drawn_the_same_each_time(invert, layer, tmp_path, ending):
    heads = {"png": b"\x89PNG", "svg": b"<?xml", "pdf": b"%PDF", "html": b"<!DOCTYPE html>"}
    held = []
    for name in ("a", "b"):
        path = tmp_path / f"{name}.{ending}"
        out = invert(layer(), LAYERS=3, SECTION_LINE="G1 2", SECTION=str(path))
        assert out["SECTION"] == str(path)
        held.append(path.read_bytes())
    assert held[0] == held[1]
    assert held[0].startswith(heads[ending])


def test_a_section_along_a_drawn_line_in_another_system(invert, layer, drawn, tmp_path, run):
    from qgis.core import (
        QgsCoordinateReferenceSystem,
        QgsCoordinateTransform,
        QgsGeometry,
        QgsProject,
    )

    line = QgsGeometry.fromWkt(ACROSS)
    degrees = QgsCoordinateReferenceSystem("EPSG:4326")
    system = QgsCoordinateReferenceSystem("EPSG:25831")
    line.transform(QgsCoordinateTransform(system, degrees, QgsProject.instance()))
    for k, one in enumerate((drawn(ACROSS), drawn(line.asWkt(12), crs="EPSG:4326"))):
        invert(layer(), LAYERS=3, SECTION_LAYER=one, SECTION=str(tmp_path / f"{k}.png"))
    first, second = ((tmp_path / f"{k}.png").read_bytes() for k in (0, 1))
    assert first[:4] == second[:4] == b"\x89PNG"
    invert(layer(), LAYERS=2, SECTION_LAYER=one)
    assert any("no file for the section picture" in said for said in run.listener.said)


def test_drawn_lines_that_are_none_or_several_or_elsewhere_are_refused(
    invert, layer, drawn, tmp_path
):
    from qgis.core import QgsProcessingException

    away = "LINESTRING(430101 5899999, 430101 5900003)"
    for one, sentence in (
        (drawn(), "holds 0 lines, and a section has one"),
        (drawn(ACROSS, away), "holds 2 lines, and a section has one"),
        (drawn(away), "No reading lies within 0.25 m of the line of 'drawn'"),
    ):
        with pytest.raises(QgsProcessingException, match=re.escape(sentence)):
            invert(layer(), SECTION_LAYER=one, SECTION=str(tmp_path / "s.png"),
                   OUTPUT=str(tmp_path / "o.gpkg"))  # fmt: skip
        assert list(tmp_path.iterdir()) == []
    with pytest.raises(QgsProcessingException, match="are both given"):
        invert(layer(), SECTION_LAYER=drawn(ACROSS), SECTION_LINE="1",
               SECTION=str(tmp_path / "s.png"))  # fmt: skip


@pytest.fixture
def ground():
    """A section of 8 columns of 0.5 m with a gap, one ill fitted, its interface sought."""
    from lynchet.algorithms.ground.instrument import CoilPair, Instrument
    from lynchet.algorithms.ground.section import Section
    from lynchet.algorithms.ground.section_ground import SectionGround

    left = np.array([0.0, 0.5, 1.0, 1.5, 3.0, 3.5, 4.0, 4.5])
    one = np.ones((8, 1))
    misfit = np.array([1.0, 1.0, 9.0, 50.0, 1.0, 1.0, 1.0, 2.0])
    read = np.array([20.0, 21.0, 20.0, 1500.0, 21.0, 20.0, 20.0, 21.0])[:, np.newaxis]

    def make(base=(0.1, 0.4, 0.9), left=left, misfit=misfit, read=read):
        return SectionGround(
            Section("line 1", np.arange(8), left, left + 0.5, ("W", "E")),
            conductivity=one * [10.0, 40.0], factor=one * [1.2, 1.2], tops=one * [0.0, base[1]],
            bottoms=one * [base[1], 2.0], base_low=one * base[0], base_high=one * base[2],
            depth=np.full(8, 1.5) + (np.arange(8) == 5), misfit=misfit,
            channels=Instrument((CoilPair(1.0, quadrature="ec"),)).channels, observed=read,
            computed=one * 20.0, range=(10.0, 40.0),
        )  # fmt: skip

    return make


def _drawn(ground):
    from lynchet.plugin.deliver.figures import new_figure
    from lynchet.plugin.deliver.section import draw_ground, legend_of

    axes = new_figure(10, 4).add_axes([0.1, 0.1, 0.8, 0.8])
    draw_ground(axes, ground)
    return axes, [handle.get_label() for handle in legend_of(ground)]


def test_a_section_marks_what_fits_badly_the_bounds_of_interfaces_and_gaps(ground):
    axes, told = _drawn(ground())
    assert told == [
        "depth of investigation", "bounds of an interface", "misfit above 3: means little",
        "no layers here",
    ]  # fmt: skip
    hatched = [one for one in axes.collections if one.get_hatch()]
    assert len(hatched) == 1
    x = hatched[0].get_paths()[0].vertices[:, 0]
    assert (x.min(), x.max()) == (1.0, 2.0)
    heights = [set(line.get_ydata()[np.isfinite(line.get_ydata())]) for line in axes.lines]
    assert {0.1} in heights
    assert {0.9} in heights
    # The depth of investigation stays in the frame, and says nothing where the layers do not.
    depth = axes.lines[-1].get_ydata()
    assert np.nanmax(depth) <= 2.0
    assert np.isnan(depth[2:5]).all()
    assert axes.get_facecolor()[:3] == pytest.approx((0.56, 0.56, 0.56), abs=0.01)


def test_a_bound_below_the_frame_is_pointed_to(ground):
    axes, told = _drawn(ground(base=(0.08, 0.7, 6.0)))
    assert "a bound lies deeper" in told
    pointed = [line for line in axes.lines if line.get_marker() == "v"]
    assert max(pointed[0].get_ydata()) < 2.0
    assert len(pointed[0].get_xdata()) == 8


def test_a_section_that_has_none_of_them_tells_of_none(ground):
    whole = ground((0.4, 0.4, 0.4), np.arange(8) * 0.5, np.ones(8))
    axes, told = _drawn(whole)
    assert told == ["depth of investigation"]
    assert not any(one.get_hatch() for one in axes.collections)


def test_one_wild_reading_is_marked_and_does_not_flatten_the_others(ground):
    from lynchet.plugin.deliver.figures import new_figure
    from lynchet.plugin.deliver.section import _channels, _misfit

    figure = new_figure(10, 4)
    axes = figure.add_axes([0.1, 0.5, 0.8, 0.4])
    # Of 200 readings, as a core of 90 % needs some.
    many = ground()
    assert _channels(axes, _repeated(many, 25))
    assert axes.get_ylim()[1] < 60
    assert sum(len(line.get_xdata()) for line in axes.lines if line.get_marker() == "^") == 1
    strip = figure.add_axes([0.1, 0.1, 0.8, 0.3])
    assert _misfit(strip, many)
    assert strip.get_ylim()[1] < 20
    # Bars as wide as their columns, at the ends too.
    bars = [path.vertices[:, 0] for path in strip.collections[0].get_paths()]
    assert {round(float(np.ptp(bar)), 9) for bar in bars} == {0.5}
    calm = ground(misfit=np.ones(8), read=np.full((8, 1), 20.0))
    assert not _channels(axes, calm)
    assert not _misfit(strip, calm)


def _repeated(ground, times):
    """The same columns again and again, but the wild reading once."""
    from dataclasses import replace

    section = ground.section
    left = np.arange(8 * times) * 0.5
    read = np.tile(np.where(ground.observed > 100, 20.0, ground.observed), (times, 1))
    read[3] = 1500.0
    longer = replace(section, left=left, right=left + 0.5, rows=np.arange(8 * times))
    return replace(ground, section=longer, observed=read, computed=np.full_like(read, 20.0))


def test_how_depths_are_drawn_is_said_in_words():
    from lynchet.plugin.deliver.section import scale_words

    assert scale_words(1.02) == "depths to scale"
    assert scale_words(2.18) == "depths 2.2 times exaggerated"
    assert scale_words(0.125) == "depths flattened 8 times"


def test_the_key_tells_what_the_colours_run_between():
    from lynchet.plugin.deliver.figures import new_figure
    from lynchet.plugin.deliver.section import draw_key

    axes = new_figure(5, 2).add_axes([0.1, 0.3, 0.8, 0.5])
    draw_key(axes, (17.6, 35.2))
    assert "colours from 17.6 to 35.2 mS/m" in axes.get_xlabel()


def test_colours_fade_with_the_bounds_and_keep_their_order_in_grey():
    from lynchet.algorithms.deliver.palettes import lab_to_srgb
    from lynchet.plugin.deliver.section import FAINT, FAINTEST, LOAM, SURE, faded

    places = np.linspace(0, 1, 101)
    srgb = lab_to_srgb(LOAM.lab(places))
    assert srgb.min() > 0
    assert srgb.max() < 1
    steps = np.diff(LOAM.lab(places)[:, 0])
    assert steps.min() > 0
    assert np.ptp(steps) < 1e-9
    low, middle, high = faded(np.full(3, 20.0), np.array([1.0, (SURE * FAINT) ** 0.5, 99.0]),
                              (10.0, 40.0))  # fmt: skip
    np.testing.assert_allclose(low, LOAM.rgb(0.5) / 255)
    np.testing.assert_allclose(1 - high, FAINTEST * (1 - low))
    np.testing.assert_allclose(middle, (low + high) / 2)


def test_cancelled_in_the_middle_it_leaves_nothing(provider, layer, tmp_path):
    from qgis.core import QgsApplication, QgsProcessingContext, QgsProcessingFeedback

    feedback, context = QgsProcessingFeedback(False), QgsProcessingContext()
    feedback.progressChanged.connect(lambda value: feedback.cancel() if value > 20 else None)
    asked = {
        "INPUT": layer(), "INSTRUMENT": INSTRUMENT, "ALONG": 1.0, "SECTION_LINE": "1",
        "SECTION": str(tmp_path / "s.png"), "OUTPUT": str(tmp_path / "o.gpkg"),
    }  # fmt: skip
    algorithm = QgsApplication.processingRegistry().createAlgorithmById("lynchet:invertlayers")
    found, _ = algorithm.run(asked, context, feedback)
    assert found == {}
    assert list(tmp_path.iterdir()) == []
