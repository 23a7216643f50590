"""Where the temperature comes from and which channels are corrected."""

import numpy as np
import pytest
from support import attributes

N = 6
PLACE = {"x": [430000.0 + i for i in range(N)], "y": [5900000.0] * N, "line": [1] * N}
TIMES = [32400.0 + 60 * i for i in range(N)]


@pytest.fixture(autouse=True)
def registered(provider):
    from lynchet.plugin.correct.temperature import Temperature
    from qgis.core import QgsApplication

    if QgsApplication.processingRegistry().algorithmById("lynchet:temperature") is None:
        provider.addAlgorithm(Temperature())


@pytest.fixture
def layer(point_layer):
    def make(units=True, **fields):
        made = point_layer(
            **PLACE, time=TIMES, ec=[10.0] * N, ip=[0.5] * N, soil=[10.0, 12, 14, 16, 18, 20],
            **fields,
        )  # fmt: skip
        if units:
            made.setFieldAlias(made.fields().lookupField("ec"), "ec [mS/m]")
            made.setFieldAlias(made.fields().lookupField("ip"), "ip [ppt]")
        return made

    return make


@pytest.fixture
def table(qgis_app):
    from qgis.core import QgsFeature, QgsVectorLayer

    def make(times, degrees):
        made = QgsVectorLayer("None?field=time:double&field=temperature:double", "log", "memory")
        features = []
        for row in zip(times, degrees):
            feature = QgsFeature(made.fields())
            feature.setAttributes(list(row))
            features.append(feature)
        assert made.dataProvider().addFeatures(features)[0]
        return made

    return make


def column(out, name):
    return np.array(attributes(out["OUTPUT"], name), dtype=float)[:, 0]


def expected(degrees):
    return 10 * (0.4470 + 1.4034 * np.exp(-np.asarray(degrees) / 26.815))


def test_one_temperature_corrects_conductivity_and_leaves_the_in_phase_part(run, layer):
    out = run("temperature", INPUT=layer(), TEMPERATURE=10, OUTPUT="memory:")
    np.testing.assert_allclose(column(out, "ec"), expected(10))
    assert (column(out, "ip") == 0.5).all()
    assert column(out, "soil").tolist() == [10, 12, 14, 16, 18, 20]
    assert any("Left as they are" in said for said in run.listener.said)


def test_a_field_of_the_readings_holds_each_ones_temperature(run, layer):
    out = run("temperature", INPUT=layer(), TEMPERATURE_FIELD="soil", OUTPUT="memory:")
    np.testing.assert_allclose(column(out, "ec"), expected([10, 12, 14, 16, 18, 20]))


def test_a_log_is_read_by_time(run, layer, table):
    log = table([TIMES[0], TIMES[-1]], [10.0, 15.0])
    out = run("temperature", INPUT=layer(), LOG=log, OUTPUT="memory:")
    np.testing.assert_allclose(column(out, "ec"), expected(np.arange(10, 16)))


def test_a_log_may_be_a_text_file_with_clock_times(run, layer, tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("clock,degrees\n09:00:00,10\n09:05:00,15\n")
    out = run(
        "temperature", INPUT=layer(), LOG=str(path), LOG_TIME_FIELD="clock",
        LOG_TEMPERATURE_FIELD="degrees", OUTPUT="memory:",
    )  # fmt: skip
    np.testing.assert_allclose(column(out, "ec"), expected(np.arange(10, 16)))


def test_readings_after_the_log_are_refused_unless_it_is_held(run, layer, table):
    from qgis.core import QgsProcessingException

    log = table(TIMES[:2], [10.0, 10.0])
    with pytest.raises(QgsProcessingException, match="4 readings were taken outside the temp"):
        run("temperature", INPUT=layer(), LOG=log, OUTPUT="memory:")
    out = run("temperature", INPUT=layer(), LOG=log, EXTEND=True, OUTPUT="memory:")
    np.testing.assert_allclose(column(out, "ec"), expected(10))


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({}, "in one way: a number, a field or a log. None is given."),
        (
            {"TEMPERATURE": 10, "TEMPERATURE_FIELD": "soil"},
            "Soil temperature and Soil temperature field are both given.",
        ),
        ({"TEMPERATURE": 99}, "'Soil temperature' is 99; it must be at most 60."),
        ({"TEMPERATURE": 10, "CHANNELS": ["ip"]}, "Channel 'ip' is in ppt"),
    ],
)
def test_what_cannot_be_is_refused(run, layer, given, sentence):
    from qgis.core import QgsProcessingException

    with pytest.raises(QgsProcessingException, match=sentence):
        run("temperature", INPUT=layer(), OUTPUT="memory:", **given)


def test_without_units_the_channels_must_be_chosen(run, layer):
    from qgis.core import QgsProcessingException

    with pytest.raises(QgsProcessingException, match="No channel is a conductivity by its unit"):
        run("temperature", INPUT=layer(units=False), TEMPERATURE=10, OUTPUT="memory:")
    out = run(
        "temperature", INPUT=layer(units=False), TEMPERATURE=10, CHANNELS=["ec"], OUTPUT="memory:"
    )
    np.testing.assert_allclose(column(out, "ec"), expected(10))
    assert any("no unit is known" in said for said in run.listener.said)


def test_the_choices_reach_the_science(run, layer):
    out = run(
        "temperature", INPUT=layer(), TEMPERATURE=10, MODEL="ratio", RATE=0.02, REFERENCE=20,
        OUTPUT="memory:",
    )  # fmt: skip
    np.testing.assert_allclose(column(out, "ec"), 10 * (1 - 0.02 * 5) / (1 - 0.02 * 15))


def test_bounds_are_referred_with_their_channel(run, layer):
    made = layer(ec_low=[8.0] * N, ec_high=[None, *[15.0] * (N - 1)], ip_low=[0.4] * N,
                 ip_high=[0.6] * N, soil_low=[1.0] * N)  # fmt: skip
    out = run(
        "temperature", INPUT=made, TEMPERATURE_FIELD="soil", CHANNELS=["ec"], KEEP_PREVIOUS=True,
        OUTPUT="memory:",
    )  # fmt: skip
    factor = expected([10, 12, 14, 16, 18, 20]) / 10
    np.testing.assert_allclose(column(out, "ec_low"), 8 * factor)
    np.testing.assert_allclose(column(out, "ec_high"), [np.nan, *(15 * factor[1:])])
    assert column(out, "ec_low_prev").tolist() == [8.0] * N
    assert column(out, "ip_low").tolist() == [0.4] * N
    assert column(out, "soil_low").tolist() == [1.0] * N
    assert any(said.startswith("ec: the bounds, in the fields with _low and _high behind")
               for said in run.listener.said)  # fmt: skip


def test_a_channel_that_is_named_like_a_bound_is_none(run, layer):
    from lynchet.plugin.history import Entry, write_history

    made = layer(ec_low=[8.0] * N, ec_high=[12.0] * N)
    known = Entry("lynchet:importtable", units={"ec": "mS/m", "ec_low": "mS/m"})
    write_history(made, [known.line()])
    out = run("temperature", INPUT=made, TEMPERATURE=10, CHANNELS=["ec"], OUTPUT="memory:")
    assert column(out, "ec_low").tolist() == [8.0] * N
    assert column(out, "ec_high").tolist() == [12.0] * N


def test_inverted_layers_are_referred_with_their_bounds(run, layer):
    from host import ROOT

    description = str(ROOT / "sample_layers" / "quillmere_instrument.json")
    made = layer(ec_050=[10.0] * N, ec_100=[12.0] * N)
    layers = run("invertlayers", INPUT=made, INSTRUMENT=description, LAYERS=2, NOISE="0.2",
                 OUTPUT="memory:")  # fmt: skip
    out = run("temperature", INPUT=layers["OUTPUT"], TEMPERATURE=10, OUTPUT="memory:")
    for name in ("ec_layer1", "ec_layer2_low", "ec_layer2_high"):
        np.testing.assert_allclose(column(out, name), column(layers, name) * expected(10) / 10)
    assert column(out, "misfit").tolist() == column(layers, "misfit").tolist()
