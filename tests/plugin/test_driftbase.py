"""Where the base readings come from, and what times may look like."""

import numpy as np
import pytest
from support import attributes

TIMES = [32400.0 + 100 * i for i in range(11)]
PLACE = {"x": [430000.0 + i for i in range(11)], "y": [5900000.0] * 11, "line": [1] * 11}


def values(layer):
    return np.array(attributes(layer, "ec"), dtype=float)[:, 0]


@pytest.fixture
def expected():
    return np.full(11, 20.0)


def drifting():
    return [20.0 + 0.5 * i for i in range(11)]


def clocks(times):
    return [f"{int(t) // 3600:02d}:{int(t) // 60 % 60:02d}:{int(t) % 60:02d}" for t in times]


def test_base_readings_marked_among_the_readings(run, point_layer, expected):
    layer = point_layer(**PLACE, time=TIMES, ec=drifting(), base=[1] + [0] * 9 + [1])
    out = run("driftbase", INPUT=layer, BASE_FIELD="base", CHANNELS=["ec"], OUTPUT="memory:")
    np.testing.assert_allclose(values(out["OUTPUT"]), expected)


def test_base_readings_in_a_text_file_as_the_host_opens_it(run, point_layer, tmp_path, expected):
    # Every column of such a table is text to the host.
    path = tmp_path / "base.csv"
    path.write_text("time,ec\n09:00:00,20\n09:16:40,25\n")
    layer = point_layer(**PLACE, time=TIMES, ec=drifting())
    out = run("driftbase", INPUT=layer, BASE=str(path), CHANNELS=["ec"], OUTPUT="memory:")
    np.testing.assert_allclose(values(out["OUTPUT"]), expected)


@pytest.mark.parametrize("write", [clocks, lambda t: [f"2031-05-14T{c}" for c in clocks(t)]])
def test_times_may_be_clocks_or_dates(run, point_layer, write, expected):
    layer = point_layer(**PLACE, time=write(TIMES), ec=drifting())
    base = point_layer(x=[0.0, 0.0], y=[0.0, 0.0], time=write([TIMES[0], TIMES[-1]]),
                       ec=[20.0, 25.0])  # fmt: skip
    out = run("driftbase", INPUT=layer, BASE=base, CHANNELS=["ec"], OUTPUT="memory:")
    np.testing.assert_allclose(values(out["OUTPUT"]), expected)


def test_dates_of_readings_and_base_count_from_one_day(run, point_layer):
    # The base was visited from the day before on; the readings are of the second day only.
    layer = point_layer(**PLACE, time=[f"2031-05-14T{c}" for c in clocks(TIMES)], ec=[20.0] * 11)
    base = point_layer(
        x=[0.0] * 3, y=[0.0] * 3, ec=[10.0, 20.0, 20.0],
        time=["2031-05-13T09:00:00", "2031-05-14T08:00:00", "2031-05-14T10:00:00"],
    )  # fmt: skip
    out = run("driftbase", INPUT=layer, BASE=base, CHANNELS=["ec"], OUTPUT="memory:")
    np.testing.assert_allclose(values(out["OUTPUT"]), 10.0)


def test_a_word_that_is_no_time_is_named(run, point_layer):
    from qgis.core import QgsProcessingException

    layer = point_layer(**PLACE, time=["09:00:00", "later"] + ["09:00:05"] * 9, ec=drifting())
    base = point_layer(x=[0.0], y=[0.0], time=["09:00:00"], ec=[20.0])
    with pytest.raises(QgsProcessingException, match=r"Feature 2 of layer .* field 'time'"):
        run("driftbase", INPUT=layer, BASE=base, CHANNELS=["ec"], OUTPUT="memory:")


def test_days_are_told_apart_by_a_field_of_both_layers(run, point_layer):
    layer = point_layer(
        **PLACE, time=TIMES[:5] + TIMES[:6], day=["Mon"] * 5 + ["Tue"] * 6,
        ec=[20.0] * 5 + [30.0] * 6,
    )  # fmt: skip
    base = point_layer(
        x=[0.0] * 4, y=[0.0] * 4, time=[TIMES[0], TIMES[10]] * 2, ec=[20.0, 20.0, 30.0, 30.0],
        day=["Mon", "Mon", "Tue", "Tue"],
    )  # fmt: skip
    out = run("driftbase", INPUT=layer, BASE=base, CHANNELS=["ec"], DAY_FIELD="day",
              OUTPUT="memory:")  # fmt: skip
    np.testing.assert_allclose(values(out["OUTPUT"]), 20.0)


@pytest.mark.parametrize("suffix", ["html", "png", "svg"])
def test_the_drift_is_drawn(run, point_layer, tmp_path, suffix):
    layer = point_layer(**PLACE, time=TIMES, ec=drifting(), base=[1] + [0] * 9 + [1])
    path = tmp_path / f"drift.{suffix}"
    found = run("driftbase", INPUT=layer, BASE_FIELD="base", CHANNELS=["ec"], CURVES=str(path),
                OUTPUT="memory:")  # fmt: skip
    assert found["CURVES"] == str(path)
    content = path.read_bytes()
    start = {"html": b"<!DOCTYPE html>", "png": b"\x89PNG", "svg": b"<?xml"}[suffix]
    assert content.startswith(start)
    if suffix == "html":
        assert b"ec: drifted over 5 in 2 visits to the base." in content


@pytest.mark.parametrize(("unit", "refused"), [("ppm", True), ("mS m-1", False), ("", False)])
def test_base_readings_in_another_unit_are_refused(run, point_layer, tmp_path, unit, refused):
    from qgis.core import QgsProcessingException

    layer = point_layer(**PLACE, time=TIMES, ec=drifting())
    base = point_layer(x=[0.0, 0.0], y=[0.0, 0.0], time=[TIMES[0], TIMES[-1]], ec=[20.0, 25.0])
    layer.setFieldAlias(layer.fields().lookupField("ec"), "ec [mS/m]")
    base.setFieldAlias(base.fields().lookupField("ec"), f"ec [{unit}]" if unit else "")
    asked = {"INPUT": layer, "BASE": base, "CHANNELS": ["ec"], "OUTPUT": "memory:"}
    if not refused:
        np.testing.assert_allclose(values(run("driftbase", **asked)["OUTPUT"]), 20.0)
        return
    sentence = "Channel 'ec' is in mS/m in the readings, but in ppm in the base readings: convert"
    with pytest.raises(QgsProcessingException, match=sentence):
        run("driftbase", **asked)


def test_base_readings_converted_by_their_history_are_refused(run, point_layer):
    from host import ROOT
    from qgis.core import QgsProcessingException

    def of(x, **fields):
        made = point_layer(x=x, y=[5900000.0] * len(x), line=[1] * len(x), **fields)
        made.setFieldAlias(made.fields().lookupField("ec_100"), "ec_100 [mS/m]")
        return made

    layer = of(PLACE["x"], time=TIMES, ec_100=drifting())
    base = of([430000.0, 430000.0], time=[TIMES[0], TIMES[-1]], ec_100=[20.0, 25.0])
    instrument = str(ROOT / "sample_layers" / "quillmere_instrument.json")
    made = run("emiunits", INPUT=base, INSTRUMENT=instrument, QUADRATURE_TO="ppm",
               CHANNELS=["ec_100"], OUTPUT="memory:")["OUTPUT"]  # fmt: skip
    with pytest.raises(QgsProcessingException, match="in mS/m in the readings, but in ppm"):
        run("driftbase", INPUT=layer, BASE=made, CHANNELS=["ec_100"], OUTPUT="memory:")
    with pytest.raises(QgsProcessingException, match="in ppm in the readings, but in mS/m"):
        run("driftbase", INPUT=made, BASE=layer, CHANNELS=["ec_100"], OUTPUT="memory:")


def test_tie_lines_in_another_unit_are_refused(run, point_layer):
    from qgis.core import QgsProcessingException

    layer = point_layer(**PLACE, time=TIMES, ec=drifting())
    ties = point_layer(**PLACE, time=TIMES, ec=drifting())
    layer.setFieldAlias(layer.fields().lookupField("ec"), "ec [mS/m]")
    ties.setFieldAlias(ties.fields().lookupField("ec"), "ec [ppt]")
    with pytest.raises(
        QgsProcessingException, match="in mS/m in the readings, but in ppt in the t"
    ):
        run("drifttie", INPUT=layer, TIES=ties, CHANNELS=["ec"], OUTPUT="memory:")


def test_drift_in_a_unit_that_is_a_number(run, point_layer):
    layer = point_layer(**PLACE, time=TIMES, ec=drifting(), base=[1] + [0] * 9 + [1])
    layer.setFieldAlias(layer.fields().lookupField("ec"), "ec [1e-5 SI]")
    run("driftbase", INPUT=layer, BASE_FIELD="base", CHANNELS=["ec"], OUTPUT="memory:")
    assert any("drifted over 5 x 1e-5 SI in 2 visits" in said for said in run.listener.said)
