"""The instrument of the ground steps: a file that describes it, as a parameter record."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from qgis.core import QgsProcessingParameterFile

from ...algorithms.ground.instrument import Instrument, doubtful_heights, doubtful_spacings
from ...algorithms.ground.instrument_text import parse_instrument
from ..inputs import File

GENERIC = Path(__file__).resolve().parent / "generic_instrument.json"
"""What is taken where no instrument is described and none is demanded."""

LONGEST = 1_000_000
"""Bytes of a description at most: more is some other file."""


def read_instrument(path: Path) -> Instrument:
    """The instrument that a file describes.

    Raises
    ------
    ValueError
        If the file cannot be read, or at the first mistake in it.
    """
    try:
        with path.open("rb") as file:
            held = file.read(LONGEST + 1)
    except FileNotFoundError:
        raise ValueError(f"There is no file '{path}'. Check the name and folder.") from None
    except OSError as wrong:
        raise ValueError(f"'{path}' cannot be read ({wrong.strerror}).") from wrong
    if len(held) > LONGEST:
        raise ValueError(f"{path.name} is too long for an instrument description. Choose one.")
    try:
        text = held.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise ValueError(
            f"{path.name} is no text in UTF-8. Save it as UTF-8, or choose an instrument "
            "description."
        ) from None
    return parse_instrument(text, path.name)


@cache
def generic_instrument() -> Instrument:
    """The generic dual-spacing instrument."""
    return read_instrument(GENERIC)


@dataclass(frozen=True)
class InstrumentFile(File):
    """A file that describes an instrument; where it is optional, none is the generic one."""

    def make(self, label):
        """See `Parameter.make`."""
        shown = "Instrument description (*.json);;All files (*.*)"
        return QgsProcessingParameterFile(
            self.name,
            label,
            defaultValue=self.default,
            optional=self.optional,
            fileFilter=shown,
        )

    def value(self, task) -> Instrument | None:
        """The instrument; None where none is given and one is demanded.

        Raises
        ------
        ValueError
            At the first mistake in its description.
        """
        path = super().value(task)
        if path is not None:
            return read_instrument(path)
        return generic_instrument() if self.optional else None

    def problem(self, task):
        """See `Parameter.problem`."""
        try:
            found = task[self.name]
        except ValueError as wrong:
            return str(wrong)
        if found is None:
            return f"No file is given for '{self.label}'. Make one with 'Describe the instrument'."
        return None

    def doubts(self, task):
        """See `Parameter.doubts`."""
        found = task[self.name]
        if found is None:
            return ()
        return (*doubtful_spacings(found.pairs), *doubtful_heights(found.pairs))

    def remark(self, task) -> str:
        """What to tell the user where the generic instrument is taken; else nothing."""
        if super().value(task) is not None:
            return ""
        generic = generic_instrument()
        return (
            f"No instrument description is given: the {generic.name} is taken "
            f"({', '.join(pair.label for pair in generic.pairs)})."
        )


INSTRUMENT = InstrumentFile(
    "INSTRUMENT",
    "Instrument description",
    "JSON file with the instrument's coil pairs: spacing, orientation, frequency, height and the "
    "fields that hold their readings. 'Describe the instrument' writes one.",
)

INSTRUMENT_OR_GENERIC = replace(
    INSTRUMENT,
    help=INSTRUMENT.help
    + " Empty: the generic dual-spacing instrument, two vertical-dipole pairs 0.5 and 1.0 m apart, "
    "10 kHz, 0.05 m above ground, in fields ec_050, ip_050, ec_100 and ip_100.",
    optional=True,
)
