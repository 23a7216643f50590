"""NMEA 0183 sentences that tell a position, GGA and RMC, many at once.

Sources: NMEA 0183 (IEC 61162-1), sentence formats and checksum, from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import date

import numpy as np

from ...readings import BoolArray, FloatArray, IntArray
from ..text.bytelines import ByteArray, Lines, Parts, clock_times, numbers, part_lines, two_digits

POSITION, NO_POSITION, OTHER, BROKEN = range(4)
"""What a sentence is: one that tells a position, one that might but has none, another, or one that
is cut short, garbled or fails its checksum."""

NO_DAY = -1
"""Day of a sentence that tells no date."""
MODES = {"A": 1, "D": 2, "P": 3, "R": 4, "F": 5, "E": 6, "M": 7, "S": 8, "N": 0}
"""Fix quality in numbers, as GGA has it, by the letter RMC has for it."""

_DOLLAR, _STAR = 36, 42
_ADDRESS = np.array([chr(byte) in "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789" for byte in range(256)])
_GGA_PARTS, _RMC_PARTS = 14, 11


@dataclass(frozen=True, eq=False)
class Sentences:
    """What sentences say, ``(n,)`` each; only `kind` counts where it is not `POSITION`.

    Parameters
    ----------
    kind
        `POSITION`, `NO_POSITION`, `OTHER` or `BROKEN`.
    place
        Number of the line.
    clock, leap
        Time of day in seconds, UTC, and whether it lies in a leap second.
    day
        Day as `datetime.date.toordinal` counts, `NO_DAY` where the sentence has no date.
    longitude, latitude
        Degrees, positive to the east and north.
    quality
        Fix quality: 0 none, 1 autonomous, 2 differential, 4 and 5 real-time kinematic with fixed
        and float ambiguities, 6 dead reckoning, 7 typed in, 8 simulated.
    hdop
        Horizontal dilution of precision; NaN where not told.
    height
        Antenna above mean sea level, metres; NaN where not told.
    full
        Whether it is a GGA, which tells quality and height, rather than an RMC.
    talker
        Who tells it, as `talker_code` has it.
    stamp
        Time of the logger's own clock that stands before the sentence, seconds; NaN for none.
    """

    kind: IntArray
    place: IntArray
    clock: FloatArray
    leap: BoolArray
    day: IntArray
    longitude: FloatArray
    latitude: FloatArray
    quality: IntArray
    hdop: FloatArray
    height: FloatArray
    full: BoolArray
    talker: IntArray
    stamp: FloatArray

    def take(self, rows: IntArray | BoolArray) -> Sentences:
        """Only these sentences."""
        return Sentences(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})

    @classmethod
    def together(cls, parts: list[Sentences]) -> Sentences:
        """Several lots of sentences, one behind the other."""
        names = [f.name for f in fields(cls)]
        return cls(**{n: np.concatenate([getattr(p, n) for p in parts]) for n in names})


def checksum(text: str) -> str:
    """Checksum of a sentence: the characters between ``$`` and ``*`` by exclusive or, in hex.

    Examples
    --------
    >>> checksum("GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,")
    '47'
    """
    found = 0
    for byte in text.encode("latin-1"):
        found ^= byte
    return f"{found:02X}"


def talker_code(talker: str) -> int:
    """The two characters of a talker as a number.

    Examples
    --------
    >>> talker_name(talker_code("GN"))
    'GN'
    """
    return ord(talker[0]) << 8 | ord(talker[1])


def talker_name(code: int) -> str:
    """The talker behind a code."""
    return chr(code >> 8) + chr(code & 255)


def sentence_starts(lines: Lines) -> tuple[IntArray, BoolArray]:
    """Where a sentence begins in each line, at its end if none does, and whether that is sure.

    Without doubt a line is a sentence where it begins with ``$`` or ``!``, or where an address and
    a comma follow its first ``$``: a capital letter and two to eight more or digits.

    Examples
    --------
    >>> data = np.frombuffer(b"09:00:44.56,$GNGGA,1", np.uint8)
    >>> start, sure = sentence_starts(Lines(data, np.array([0]), np.array([20]), 1))
    >>> start.tolist(), sure.tolist()
    ([12], [True])
    """
    data, last = lines.data, len(lines.data) - 1
    head = data[np.minimum(lines.start, last)]
    at_once = (lines.start < lines.end) & ((head == _DOLLAR) | (head == ord("!")))
    dollars = lines.places(_DOLLAR)
    if len(dollars) == np.count_nonzero(at_once & (head == _DOLLAR)):
        return np.where(at_once, lines.start, lines.end), at_once
    first = np.append(dollars, last + 1)[np.searchsorted(dollars, lines.start)]
    start = np.where(at_once, lines.start, np.minimum(first, lines.end))
    rows = np.flatnonzero(~at_once & (start < lines.end))
    begin = start[rows]
    commas = np.append(lines.places(ord(",")), last + 1)
    length = np.minimum(commas[np.searchsorted(commas, begin)], lines.end[rows]) - begin
    sure = (length > 3) & (length <= 9) & (begin + length < lines.end[rows])
    sure &= data[np.minimum(begin + 1, last)] >= ord("A")
    for offset in (1, 2, 3):
        sure &= _ADDRESS[data[np.minimum(begin + offset, last)]]
    found: BoolArray = at_once.copy()
    found[rows] = sure
    return start, found


def parse_sentences(
    lines: Lines, rows: IntArray | None = None, without_checksum: bool = False, talker: str = ""
) -> Sentences:
    """What the sentences in these lines say.

    Parameters
    ----------
    lines
        Lines of text.
    rows
        Those with a sentence, ``(n,)``, as `sentence_starts` finds them; None for all.
    without_checksum
        Whether sentences that have no checksum are taken.
    talker
        Two characters: sentences of other talkers are `OTHER`; empty for any.

    Examples
    --------
    >>> text = b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A"
    >>> data = np.frombuffer(text, np.uint8)
    >>> said = parse_sentences(Lines(data, np.array([0]), np.array([len(data)]), 1))
    >>> said.latitude.round(6).tolist(), said.clock.tolist(), said.quality.tolist()
    ([48.1173], [45319.0], [1])
    """
    rows = np.arange(len(lines.start)) if rows is None else rows
    n = len(rows)
    start = sentence_starts(lines)[0][rows]
    end, sound = _checked(lines, start, lines.end[rows], without_checksum)
    kind = np.where(sound, OTHER, BROKEN)
    said = Sentences(
        kind, lines.first + rows, np.full(n, np.nan), np.zeros(n, np.bool_), np.full(n, NO_DAY),
        np.full(n, np.nan), np.full(n, np.nan), np.zeros(n, np.int64), np.full(n, np.nan),
        np.full(n, np.nan), np.zeros(n, np.bool_), _talkers(lines.data, start), np.full(n, np.nan),
    )  # fmt: skip
    asked = sound & (said.talker == talker_code(talker)) if talker else sound
    for formatter in ("GGA", "RMC"):
        chosen = np.flatnonzero(asked & _is(lines.data, start, formatter))
        if len(chosen):
            _fill(said, chosen, lines, start[chosen], end[chosen], formatter)
    return said


# -- one sentence: checksum and address ------------------------------------------------------


def _checked(
    lines: Lines, start: IntArray, end: IntArray, without: bool
) -> tuple[IntArray, BoolArray]:
    """Where the fields of each sentence end, and whether its checksum says that it is whole."""
    data, stars = lines.data, lines.places(_STAR)
    before = np.append(-1, stars)[np.searchsorted(stars, end)]
    has = before > start
    body = np.where(has, before, end)
    sound = has & (before == end - 3) & (before > start + 1)
    at = np.flatnonzero(sound)
    if len(at):
        pairs = np.stack([start[at] + 1, before[at]], axis=1).ravel()
        found = np.bitwise_xor.reduceat(data, pairs)[::2]
        written = _hex(data[before[at] + 1]) * 16 + _hex(data[before[at] + 2])
        sound[at] = found == written
    if without:
        sound |= ~has & (end > start + 1)
    return body, sound


def _hex(data: ByteArray) -> IntArray:
    """Hexadecimal digits as numbers; 1000 where it is none."""
    digit = data.astype(np.int64)
    small = (digit >= 97) & (digit <= 102)
    large = (digit >= 65) & (digit <= 70)
    plain = (digit >= 48) & (digit <= 57)
    return np.select([plain, large, small], [digit - 48, digit - 55, digit - 87], 1000)


def _talkers(data: ByteArray, start: IntArray) -> IntArray:
    last = len(data) - 1
    first, second = (data[np.minimum(start + k, last)].astype(np.int64) for k in (1, 2))
    found: IntArray = first << 8 | second
    return found


def _is(data: ByteArray, start: IntArray, formatter: str) -> BoolArray:
    """Whether sentences have this formatter behind a talker of two characters."""
    wanted = f"{formatter},".encode("ascii")
    found: BoolArray = data[np.minimum(start, len(data) - 1)] == _DOLLAR
    for offset, byte in enumerate(wanted, start=3):
        found &= data[np.minimum(start + offset, len(data) - 1)] == byte
    # "P" begins sentences that makers devised themselves.
    found &= data[np.minimum(start + 1, len(data) - 1)] != ord("P")
    return found


# -- one sentence: what it says --------------------------------------------------------------


def _fill(
    said: Sentences, rows: IntArray, lines: Lines, start: IntArray, end: IntArray, formatter: str
) -> None:
    full = formatter == "GGA"
    parts = part_lines(lines, start, end, ",")
    whole = parts.count >= (_GGA_PARTS if full else _RMC_PARTS)
    said.kind[rows[~whole]] = BROKEN
    rows = rows[whole]
    parts = part_lines(lines, start[whole], end[whole], ",")
    if not len(rows):
        return
    first = 2 if full else 3
    time, leap = clock_times(lines, *parts.part(1), joined=True)
    leap_day = np.floor(np.nan_to_num(time) / 60) == 1440
    time[leap & ~leap_day] = np.nan
    latitude, blank = _angle(lines, parts, first, 2, 90.0, "NS")
    longitude, blank_too = _angle(lines, parts, first + 2, 3, 180.0, "EW")
    wrong = np.isnan(time) & ~_empty(*parts.part(1))
    wrong |= (np.isnan(latitude) & ~blank) | (np.isnan(longitude) & ~blank_too)
    known = np.isfinite(time) & np.isfinite(latitude) & np.isfinite(longitude)
    if full:
        quality, bad = _digit(lines, *parts.part(6))
        hdop, bad_hdop = _number(lines, *parts.part(8))
        height, bad_height = _number(lines, *parts.part(9))
        wrong |= bad | bad_hdop | bad_height
        said.hdop[rows], said.height[rows] = hdop, height
    else:
        quality, bad = _status(lines, parts)
        day, bad_day = _date(lines, *parts.part(9))
        wrong |= bad | (bad_day & (quality > 0))
        said.day[rows] = day
    kind = np.where(known & (quality > 0), POSITION, NO_POSITION)
    said.kind[rows] = np.where(wrong, BROKEN, kind)
    said.clock[rows], said.leap[rows] = time, leap
    said.latitude[rows], said.longitude[rows] = latitude, longitude
    said.quality[rows], said.full[rows] = quality, full


def _empty(start: IntArray, end: IntArray) -> BoolArray:
    empty: BoolArray = start >= end
    return empty


def _angle(
    lines: Lines, parts: Parts, number: int, degrees: int, limit: float, signs: str
) -> tuple[FloatArray, BoolArray]:
    """Degrees written as ``ddmm.mmmm`` with a hemisphere, NaN if wrong, and where it is blank."""
    start, end = parts.part(number)
    sign_start, sign_end = parts.part(number + 1)
    blank = _empty(start, end) | _empty(sign_start, sign_end)
    whole, _ = numbers(lines, start, np.minimum(start + degrees, end))
    minutes, _ = numbers(lines, start + degrees, np.maximum(end, start + degrees))
    digit = lines.data[np.minimum(start + degrees, len(lines.data) - 1)] - np.uint8(48) < 10
    begins = lines.data[np.minimum(start, len(lines.data) - 1)] - np.uint8(48) < 10
    angle = whole + minutes / 60.0
    sign = lines.data[np.minimum(sign_start, len(lines.data) - 1)]
    fits = digit & begins & (minutes < 60.0) & (angle <= limit)
    fits &= (sign_end - sign_start == 1) & np.isin(sign, [ord(s) for s in signs])
    return np.where(fits, np.where(sign == ord(signs[1]), -angle, angle), np.nan), blank


def _digit(lines: Lines, start: IntArray, end: IntArray) -> tuple[IntArray, BoolArray]:
    """One digit, 0 where blank, and where there is something else."""
    empty = _empty(start, end)
    digit = lines.data[np.minimum(start, len(lines.data) - 1)] - np.uint8(48)
    fits = (end - start == 1) & (digit < 10)
    return np.where(fits, digit, 0).astype(np.int64), ~fits & ~empty


def _number(lines: Lines, start: IntArray, end: IntArray) -> tuple[FloatArray, BoolArray]:
    """A number, NaN where blank, and where there is something else."""
    found = np.full(len(start), np.nan)
    rows = np.flatnonzero(~_empty(start, end))
    found[rows], none = numbers(lines, start[rows], end[rows])
    bad = np.zeros(len(start), np.bool_)
    bad[rows[none]] = True
    return found, bad


def _status(lines: Lines, parts: Parts) -> tuple[IntArray, BoolArray]:
    """Fix quality of RMC, by its mode where it tells one, and where the status is no status."""
    start, end = parts.part(2)
    status = lines.data[np.minimum(start, len(lines.data) - 1)]
    valid = (end - start == 1) & (status == ord("A"))
    bad = ~valid & ~_empty(start, end) & ~((end - start == 1) & (status == ord("V")))
    quality = valid.astype(np.int64)
    rows = np.flatnonzero(parts.count > 12)
    start, end = parts.part(12, rows)
    letter = lines.data[np.minimum(start, len(lines.data) - 1)]
    for mode, meaning in MODES.items():
        told = rows[(end - start == 1) & (letter == ord(mode))]
        quality[told] = np.where(valid[told], meaning, 0)
    return quality, bad


def _date(lines: Lines, start: IntArray, end: IntArray) -> tuple[IntArray, BoolArray]:
    """Days of dates written ``ddmmyy``, `NO_DAY` if there is none, and where it is no date.

    Years 80 to 99 are of the last century: satellite time begins in 1980.
    """
    days = np.full(len(start), NO_DAY, np.int64)
    day, month = two_digits(lines.data, start), two_digits(lines.data, start + 2)
    year = two_digits(lines.data, start + 4)
    fits = (end - start == 6) & (day > 0) & (month > 0) & (year >= 0)
    written = year * 10_000 + month * 100 + day
    for one in np.unique(written[fits]).tolist():
        full = one // 10_000 + (1900 if one >= 800_000 else 2000)
        try:
            days[fits & (written == one)] = date(full, one // 100 % 100, one % 100).toordinal()
        except ValueError:
            continue
    return days, (days == NO_DAY) & ~_empty(start, end)
