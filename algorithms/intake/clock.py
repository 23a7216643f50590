"""Clock times: text to seconds, and clocks that pass midnight."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date

import numpy as np

from ..readings import FloatArray, IntArray

DAY = 86_400.0
"""Seconds of a day."""

_SECONDS = re.compile(r"\d+(?:\.\d*)?|\.\d+", re.ASCII)
_CLOCK = r"(\d{1,2}):(\d{2})(?::(\d{2}(?:[.,]\d+)?))?"
_ZONE = r"(Z|[+-]\d{2}:?\d{2})?"
_TIME = re.compile(_CLOCK, re.ASCII)
_DATED = re.compile(rf"(\d{{4}})-(\d{{2}})-(\d{{2}})(?:[T ]{_CLOCK}{_ZONE})?", re.ASCII)


def parse_times(words: Sequence[str]) -> FloatArray:
    """Times as seconds since midnight of the first day, shape ``(n,)``; blanks become NaN.

    A word may be a plain number of seconds (``34210.5``), a time of day (``9:30``, ``09:30:10.5``)
    or a date with a time (``2031-05-14T09:30:10``, with or without a time zone). A plain number is
    always seconds: six digits run together are never taken for hours, minutes and seconds, and are
    refused where a leading zero shows that they were meant so. With dates, the first day is that of
    the first dated word, and all times are in its time zone.

    Raises
    ------
    ValueError
        At the first word that is no time, naming its place (``Row 3``, counted from 1).

    Examples
    --------
    >>> parse_times(["2031-05-14 23:59:59.5", "", "2031-05-15 00:00:01"]).tolist()
    [86399.5, nan, 86401.0]
    """
    times, bad = scan_times(words)
    if len(bad):
        raise ValueError(f"Row {bad[0] + 1}: '{words[bad[0]]}' is not a time. {TIME_ADVICE}")
    return times


TIME_ADVICE = "Write seconds since midnight, HH:MM:SS, or a date and time such as 2031-05-14T09:30."
"""What to do about a word that is no time."""


FIRST_DAY = "1970-01-01"
"""Put before other dated words, it makes times of several tables count from one day."""


def is_dated(word: str) -> bool:
    """Whether a word is a date, with or without a time.

    Examples
    --------
    >>> is_dated("2031-05-14 09:30"), is_dated("09:30")
    (True, False)
    """
    return _DATED.fullmatch(word.strip()) is not None


def scan_times(words: Sequence[str]) -> tuple[FloatArray, IntArray]:
    """Times as by `parse_times`, NaN where unreadable, and the places (from 0) that are so.

    A time without a date among dated ones is unreadable, as is a date among undated times.
    """
    times = np.full(len(words), np.nan)
    bad: list[int] = []
    dated: bool | None = None
    first_day = first_zone = 0.0
    for index, word in enumerate(words):
        text = word.strip()
        if not text:
            continue
        try:
            seconds, day, zone = _parse(text)
        except ValueError:
            bad.append(index)
            continue
        if dated is None:
            dated = day is not None
            first_day, first_zone = day or 0.0, zone or 0.0
        if dated != (day is not None):
            bad.append(index)
            continue
        if day is not None:
            seconds += (day - first_day) * DAY
            if zone is not None:
                seconds -= zone - first_zone
        times[index] = seconds
    return times, np.asarray(bad, dtype=np.int64)


def unwrap_midnight(time: FloatArray) -> FloatArray:
    """Times of day, in recording order, made to run on over midnight; NaN stays and is passed over.

    A fall of more than 12 h from one known time to the next begins a new day. A smaller fall is
    left as it stands: a clock set back, or readings out of order.

    Examples
    --------
    >>> unwrap_midnight(np.array([86398.0, np.nan, 2.0, 1.0])).tolist()
    [86398.0, nan, 86402.0, 86401.0]
    """
    known = np.isfinite(time)
    falls = np.diff(time[known], prepend=time[known][:1]) < -DAY / 2
    unwrapped = time.astype(np.float64)
    unwrapped[known] += DAY * np.cumsum(falls)
    return unwrapped


def _parse(text: str) -> tuple[float, float | None, float | None]:
    """Seconds of the day, the day's ordinal and the time zone in seconds, None where not given."""
    if _SECONDS.fullmatch(text):
        whole = text.partition(".")[0]
        if len(whole) == 6 and whole[0] == "0":
            raise ValueError
        return float(text), None, None
    found = _TIME.fullmatch(text)
    if found:
        return _clock(found[1], found[2], found[3]), None, None
    found = _DATED.fullmatch(text)
    if not found:
        raise ValueError
    day = float(date(int(found[1]), int(found[2]), int(found[3])).toordinal())
    if found[4] is None:
        return 0.0, day, None
    return _clock(found[4], found[5], found[6]), day, _zone(found[7])


def _clock(hours: str, minutes: str, seconds: str | None) -> float:
    rest = float(seconds.replace(",", ".")) if seconds else 0.0
    since = int(hours) * 3600.0 + int(minutes) * 60.0 + rest
    # A second 60 is a leap second, 24:00 the end of the day.
    latest = DAY if int(hours) >= 24 else DAY + 1
    if since > latest or int(minutes) > 59 or rest >= 61:
        raise ValueError
    return since


def _zone(text: str | None) -> float | None:
    if text is None:
        return None
    if text == "Z":
        return 0.0
    digits = text[1:].replace(":", "")
    return float(f"{text[0]}1") * (int(digits[:2]) * 3600.0 + int(digits[2:]) * 60.0)
