"""The step "Check readings" in the host."""

import json
import re

import numpy as np
import pytest
from support import attributes

LINES, PER_LINE = 12, 60


@pytest.fixture(autouse=True)
def listed(provider):
    """Registered here where the provider's list does not hold it yet."""
    from lynchet.plugin.check.checkreadings import CheckReadings
    from qgis.core import QgsApplication

    if QgsApplication.processingRegistry().algorithmById("lynchet:checkreadings") is None:
        provider.addAlgorithm(CheckReadings())


@pytest.fixture
def survey(point_layer):
    def make(crs="EPSG:25831", leave_out=(), **more):
        rng = np.random.default_rng(0)
        line, seq = np.divmod(np.arange(LINES * PER_LINE), PER_LINE)
        along = np.where(line % 2, PER_LINE - 1 - seq, seq)
        kept = ~np.isin(line, leave_out)
        value = 20 + np.sin(line / 3 + along / 20) + rng.normal(0, 0.1, len(line))
        fields = {
            "grid": ["G1"] * len(line),
            "line": line.tolist(),
            "seq": seq.tolist(),
            "time": (36_000 + np.arange(len(line)) * 0.125).tolist(),
            "ec_050": value.tolist(),
            **more,
        }
        rows = np.flatnonzero(kept)
        return point_layer(
            (430_000 + 0.5 * line)[rows],
            (5_900_000 + 0.125 * along)[rows],
            crs=crs,
            **{name: [values[row] for row in rows] for name, values in fields.items()},
        )

    return make


def layer_of(path):
    from qgis.core import QgsVectorLayer

    return QgsVectorLayer(str(path), "made", "ogr")


def test_findings_come_as_a_table_with_the_steps_that_mend(run, survey, tmp_path):
    values = 20 + np.random.default_rng(1).normal(0, 0.1, LINES * PER_LINE)
    values[::40] += 9
    layer = survey(ec_050=values.tolist())
    found = run("checkreadings", INPUT=layer, FINDINGS=str(tmp_path / "findings.gpkg"))
    table = layer_of(found["FINDINGS"])
    assert not table.isSpatial()
    rows = attributes(table, "topic", "what", "verdict", "figure", "unit", "channel", "mend")
    spikes = next(row for row in rows if row[1] == "suspected spikes")
    assert spikes[0] == "Noise"
    assert spikes[2:] == ("mend", pytest.approx(2.5), "%", "ec_050", "lynchet:despike")
    separation = next(row for row in rows if row[1] == "traverse separation")
    assert separation[2:5] == ("good", pytest.approx(0.5), "m")
    assert set(found) >= {"FINDINGS", "FIGURES"}
    assert "COVERAGE" not in found
    assert json.loads(found["FIGURES"])["readings"] == LINES * PER_LINE
    assert any("Fit to process." in sentence for sentence in run.listener.said)


def test_no_table_of_findings_is_made_that_was_not_asked_for(run, survey, tmp_path):
    found = run("checkreadings", INPUT=survey(), PAGE=str(tmp_path / "page.html"))
    assert set(found) >= {"PAGE", "FIGURES"}
    assert "FINDINGS" not in found
    assert [path.name for path in tmp_path.iterdir()] == ["page.html"]


def test_coverage_comes_as_polygons_whose_area_is_theirs(run, survey, tmp_path):
    found = run(
        "checkreadings",
        INPUT=survey(leave_out=(5,)),
        FINDINGS="memory:",
        COVERAGE=str(tmp_path / "coverage.gpkg"),
    )
    coverage = layer_of(found["COVERAGE"])
    assert coverage.crs().authid() == "EPSG:25831"
    kinds = [kind for kind, _ in attributes(coverage, "kind", "grid")]
    assert sorted(kinds) == ["covered", "covered", "gap"]
    for feature in coverage.getFeatures():
        assert feature.geometry().isGeosValid()
        assert feature["area"] == pytest.approx(feature.geometry().area(), rel=1e-9)
        assert feature["grid"] == "G1"
    named = [row for row in attributes(found["FINDINGS"], "what", "grid", "line") if row[2]]
    assert ("distance to the traverse before", "G1", 6) in named


def test_both_outputs_remember_the_run(run, survey, tmp_path):
    from lynchet.plugin.history import read_history

    found = run(
        "checkreadings",
        INPUT=survey(),
        FINDINGS=str(tmp_path / "findings.gpkg"),
        COVERAGE=str(tmp_path / "coverage.gpkg"),
    )
    for name in ("FINDINGS", "COVERAGE"):
        (line,) = read_history(layer_of(found[name]))
        assert line.startswith("lynchet:checkreadings")
        assert '"traverse separation": 0.5' in line


def test_the_page_holds_verdict_pictures_findings_and_cautions(run, survey, tmp_path):
    page = tmp_path / "page.html"
    layer = survey(leave_out=(5,))
    layer.setName("<Quillmere> & east")
    run("checkreadings", INPUT=layer, FINDINGS="memory:", PAGE=str(page))
    text = page.read_text("utf-8")
    assert "Check of the readings: &lt;Quillmere&gt; &amp; east" in text
    assert "<Quillmere>" not in text
    assert len(re.findall('src="data:image/png;base64,', text)) == 3
    assert "http" not in text
    for topic in ("Counts", "Coverage", "Walking", "Noise", "Drift and matching"):
        assert f'colspan="4">{topic}</td>' in text
    assert "Hatched: gaps." in text
    assert "check for buried services" in text
    assert "Not fit to process" not in text


def test_planned_values_are_what_the_survey_is_judged_by(run, survey):
    found = run("checkreadings", INPUT=survey(), FINDINGS="memory:", SEPARATION=0.25)
    rows = attributes(found["FINDINGS"], "what", "verdict")
    assert ("traverse separation", "mend") in rows
    assert any("Not fit to process" in sentence for sentence in run.listener.said)


def test_feet_are_called_feet(run, survey):
    found = run("checkreadings", INPUT=survey(crs="EPSG:2263"), FINDINGS="memory:")
    units = {u for w, u in attributes(found["FINDINGS"], "what", "unit") if w == "reading interval"}
    assert units == {"ft"}


def test_without_a_time_field_drift_cannot_be_told(run, survey):
    layer = survey()
    layer.dataProvider().deleteAttributes([layer.fields().indexOf("time")])
    layer.updateFields()
    found = run("checkreadings", INPUT=layer, CHANNELS=["ec_050"], FINDINGS="memory:")
    assert ("change with time", "cannot tell") in attributes(found["FINDINGS"], "what", "verdict")


def test_the_readings_stay_as_they_are(run, survey):
    layer = survey()
    before = attributes(layer, *layer.fields().names())
    run("checkreadings", INPUT=layer, FINDINGS="memory:")
    assert attributes(layer, *layer.fields().names()) == before


def test_degrees_are_refused(run, survey):
    with pytest.raises(Exception, match="native:reprojectlayer"):
        run("checkreadings", INPUT=survey(crs="EPSG:4326"), FINDINGS="memory:")


def test_a_page_that_cannot_be_written_is_refused_before_the_work(run, survey, tmp_path):
    with pytest.raises(Exception, match="there is no folder"):
        run(
            "checkreadings",
            INPUT=survey(),
            FINDINGS="memory:",
            PAGE=str(tmp_path / "nowhere" / "page.html"),
        )


def test_gaps_and_covered_ground_are_told_apart_by_their_style(run, survey):
    from lynchet.plugin.check.checkreadings import style_coverage

    found = run("checkreadings", INPUT=survey(), FINDINGS="memory:", COVERAGE="memory:")
    layer = found["COVERAGE"]
    style_coverage(layer)
    assert layer.renderer().classAttribute() == "kind"
    assert [c.value() for c in layer.renderer().categories()] == ["covered", "gap"]
