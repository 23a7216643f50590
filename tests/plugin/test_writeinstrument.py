"""Describing the instrument, and the parameter through which steps get it."""

import json
import zipfile

import pytest
from host import ROOT

DEFAULT_FILE = ROOT / "plugin" / "ground" / "generic_instrument.json"


def written(path):
    from lynchet.plugin.ground.instruments import read_instrument

    return read_instrument(path)


def test_the_defaults_are_the_generic_instrument(run, tmp_path):
    from lynchet.plugin.ground.instruments import generic_instrument

    out = tmp_path / "coils.json"
    found = run("writeinstrument", OUTPUT=str(out), NAME="generic dual-spacing instrument")
    assert found["OUTPUT"] == str(out)
    assert written(out) == generic_instrument()
    assert out.read_bytes() == DEFAULT_FILE.read_bytes()
    figures = json.loads(found["FIGURES"])
    assert (figures["pairs"], figures["channels"], figures["spacings"]) == (2, 4, [0.5, 1.0])
    # s sqrt(omega mu_0 sigma / 2) for 1 m, 10 kHz, 0.02 S/m.
    assert figures["highest induction number"] == pytest.approx(0.0281, abs=5e-5)
    said = [text for text in run.listener.said if text.startswith("Pair")]
    assert len(said) == 2
    assert "1 m, vertical dipoles, 10,000 Hz" in said[1]
    assert "induction number 0.028 at 20 mS/m" in said[1]


def test_everything_asked_for_is_written(run, tmp_path):
    out = tmp_path / "coils.json"
    run(
        "writeinstrument", SPACINGS="1; 1; 2.5 4", HEIGHTS="0.2; 1; 0.2; 0.2",
        ORIENTATIONS="vertical; Vertical coplanar; perpendicular; horizontal",
        FREQUENCIES="9000; 9000; 30000; 30000", QUADRATURE="q1; q2; ; q4", IN_PHASE="",
        QUADRATURE_UNIT="ppm", IN_PHASE_UNIT="ratio", NAME="Träger", PAIR_NAMES="a; b; c; d",
        OUTPUT=str(out),
    )  # fmt: skip
    found = written(out)
    assert [
        (p.spacing, p.orientation, p.frequency, p.height, p.name, p.quadrature, p.in_phase)
        for p in found.pairs
    ] == [
        (1.0, "vertical", 9000.0, 0.2, "a", "q1", ""),
        (1.0, "horizontal", 9000.0, 1.0, "b", "q2", ""),
        (2.5, "perpendicular", 30000.0, 0.2, "c", "", ""),
        (4.0, "horizontal", 30000.0, 0.2, "d", "q4", ""),
    ]
    assert (found.name, found.quadrature_unit, found.in_phase_unit) == ("Träger", "ppm", "ratio")
    hints = [text for text in run.listener.said if "is not low" in text]
    # 2.5 and 4 m at 30 kHz and 20 mS/m: 0.122 and 0.195 by the formula above.
    assert [hint[:41] for hint in hints] == [
        "Pair 3: an induction number of 0.12 at 20",
        "Pair 4: an induction number of 0.19 at 20",
    ]


def test_an_instrument_without_a_name_is_named_by_its_pairs(run, tmp_path):
    run("writeinstrument", SPACINGS="3.7", OUTPUT=str(tmp_path / "coils.json"))
    found = written(tmp_path / "coils.json")
    assert found.name == "instrument with 1 coil pair"
    assert [channel.field for channel in found.channels] == ["ec_370", "ip_370"]


@pytest.mark.parametrize(
    ("asked", "sentence"),
    [
        ({"SPACINGS": ""}, "No coil spacing is given: give one a coil pair, in metres."),
        ({"SPACINGS": "0,5"}, "'Coil spacings' is '0,5'; give one number, or one a coil pair"),
        (
            {"SPACINGS": "50; 100"},
            "Coil pair 1: the coil spacing is 50 m: give 0.05 to 40 m (50 cm is 0.5).",
        ),
        (
            {"SPACINGS": "0.5;;1"},
            "'Coil spacings' is '0.5;;1': coil pair 2 has no number. Give it,",
        ),
        (
            {"SPACINGS": "0.325"},
            "The quadrature fields hold {cm}, but coil pair 1 is 0.325 m, no w",
        ),
        (
            {"QUADRATURE": "ec_{cm"},
            "The quadrature fields hold 'ec_{cm', in which a brace is not c",
        ),
        (
            {"FREQUENCIES": "10"},
            "Coil pair 1: the frequency is 10 Hz: give 100 to 1,000,000 Hz (10 kHz is 10000).",
        ),
        ({"HEIGHTS": "-1"}, "'Heights above ground' holds -1; it must be at least 0."),
        ({"HEIGHTS": "nan"}, "Coil pair 1: the height is nan m: give 0 to 50 m."),
        ({"ORIENTATIONS": "up"}, "Orientation 'up' is unknown: write how the dipoles stand: vert"),
        ({"ORIENTATIONS": "vertical; vertical; vertical"}, "The orientations are 3 for 2 coil pai"),
        ({"QUADRATURE": "ec"}, "The quadrature fields are 1 for 2 coil pairs: give one a pair, or"),
        ({"IN_PHASE": "ec_{cm}"}, "Both parts of coil pair 1 would have field 'ec_050'"),
        ({"IN_PHASE_UNIT": "mS/m"}, "'Unit of the in-phase part' is 'mS/m'; choose one of: ratio,"),
        ({"OUTPUT": "coils.txt"}, "the file must end in .json. Choose another file name."),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_written(run, tmp_path, asked, sentence):
    from qgis.core import QgsProcessingException

    asked = {"OUTPUT": "coils.json", **asked}
    asked["OUTPUT"] = str(tmp_path / asked["OUTPUT"])
    with pytest.raises(QgsProcessingException) as caught:
        run("writeinstrument", **asked)
    assert sentence in str(caught.value)
    assert list(tmp_path.iterdir()) == []


# -- the parameter of other steps --------------------------------------------------------------


@pytest.fixture
def asked(provider):
    """A task of a step that has an instrument, demanded or not."""
    from lynchet.plugin.ground.instruments import INSTRUMENT, INSTRUMENT_OR_GENERIC
    from lynchet.plugin.step import Step
    from lynchet.plugin.task import Task
    from qgis.core import QgsProcessingContext

    class Asking(Step):
        identifier, title, stage, summary = "asking", "Asking", "ground", "Asks."

    def of(path=None, generic=False):
        record = INSTRUMENT_OR_GENERIC if generic else INSTRUMENT

        class Demanding(Asking):
            parameters = (record,)

        given = {} if path is None else {"INSTRUMENT": str(path)}
        return record, Task(Demanding().create(), given, QgsProcessingContext())

    return of


def test_a_step_gets_the_instrument_that_the_file_describes(asked):
    path = ROOT / "sample_layers" / "quillmere_instrument.json"
    for generic in (False, True):
        record, task = asked(path, generic)
        assert task.problem() is None
        assert task["INSTRUMENT"].name == "Quillmere's instrument"
        assert record.remark(task) == ""
        assert task.input_files() == [path]


def test_a_description_may_have_any_ending(asked, tmp_path):
    from qgis.core import QgsProcessingContext

    path = tmp_path / "coils.txt"
    path.write_bytes(b"\xef\xbb\xbf" + DEFAULT_FILE.read_bytes())
    _, task = asked(path)
    assert task.step.checkParameterValues(task.parameters, QgsProcessingContext())[0]
    assert len(task["INSTRUMENT"].pairs) == 2


def test_where_none_is_demanded_the_generic_one_is_taken_and_said(asked):
    record, task = asked(generic=True)
    assert task.problem() is None
    found = task["INSTRUMENT"]
    assert [(p.spacing, p.orientation, p.frequency, p.height) for p in found.pairs] == [
        (0.5, "vertical", 1e4, 0.05),
        (1.0, "vertical", 1e4, 0.05),
    ]
    assert [channel.field for channel in found.channels] == ["ec_050", "ip_050", "ec_100", "ip_100"]
    assert record.remark(task) == (
        "No instrument description is given: the generic dual-spacing instrument is taken "
        "(0.5 m vertical, 1 m vertical)."
    )


def test_where_one_is_demanded_none_is_refused(asked):
    _, task = asked()
    assert task.problem() == (
        "No file is given for 'Instrument description'. Make one with 'Describe the instrument'."
    )


WRONG = {
    "not there": (None, "There is no file '"),
    "Latin-1": ('{"name": "Träger"}'.encode("latin-1"),
                "coils.json is no text in UTF-8. Save it as UTF-8, or choose an instrument descr"),
    "far too long": (b" " * 1_000_001, "coils.json is too long for an instrument description. Ch"),
    "empty": (b"", "coils.json is empty. Choose an instrument description."),
    "a spacing of 0": (
        b'{"pairs": [{"spacing_m": 0}]}', "Pair 1 of coils.json: 'spacing_m' is 0; write metres, "),
}  # fmt: skip


@pytest.mark.parametrize("mistake", WRONG)
def test_a_file_that_describes_none_is_refused(asked, tmp_path, mistake):
    held, sentence = WRONG[mistake]
    if held is not None:
        (tmp_path / "coils.json").write_bytes(held)
    _, task = asked(tmp_path / "coils.json", generic=True)
    assert task.problem().startswith(sentence)


@pytest.mark.parametrize(
    ("heights", "hints"),
    [
        ("5", ["A height of 5 m is more than 2 coil spacings of '0.5 m vertical', '1 m vertical': "
               "little of the ground is left in the reading. Heights are in metres: 5 cm is 0.05"]),
        ("1.01; 1.99", ["A height of 1.01 m is more than 2 coil spacings of '0.5 m vertical': li"]),
        ("1; 2", []),
    ],
)  # fmt: skip
def test_heights_that_may_be_centimetres_are_asked_after_at_once_and_in_every_step(
    run, tmp_path, heights, hints
):
    out = str(tmp_path / "coils.json")
    for step, asked in (
        ("writeinstrument", {"HEIGHTS": heights, "OUTPUT": out}),
        ("depthtable", {"INSTRUMENT": out, "OUTPUT": "memory:"}),
        ("layeredresponse", {"INSTRUMENT": out, "CONDUCTIVITIES": "20", "OUTPUT": "memory:"}),
    ):
        run(step, **asked)
        said = [text for text in run.listener.said if "are in metres" in text]
        assert [text[: len(hint)] for text, hint in zip(said, hints)] == hints
        assert len(said) == len(hints)


def test_a_height_for_all_is_asked_after_too(run):
    run("depthtable", HEIGHT=20, OUTPUT="memory:")
    said = [text for text in run.listener.said if "20 cm is 0.2" in text]
    assert len(said) == 1


def test_a_spacing_that_may_be_centimetres_is_asked_after(run, tmp_path):
    run("writeinstrument", SPACINGS="10; 32", HEIGHTS="1", OUTPUT=str(tmp_path / "coils.json"))
    said = [text for text in run.listener.said if "Spacings are in metres" in text]
    assert said == [
        "The coil spacing of '32 m vertical' is 32 m, unusual for this kind of survey. Spacings "
        "are in metres: 32 cm is 0.32."
    ]


def test_a_folder_is_no_description(asked, tmp_path):
    _, task = asked(tmp_path)
    assert task.problem().startswith(f"'{tmp_path}' cannot be read (")


def test_the_generic_instrument_is_packaged(tmp_path):
    from package import make

    names = zipfile.ZipFile(make(tmp_path / "lynchet.zip")).namelist()
    assert "lynchet/plugin/ground/generic_instrument.json" in names
