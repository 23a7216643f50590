"""Clock times: text to seconds, and clocks that pass midnight."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt

from ..readings import FloatArray, IntArray

DAY = 86_400.0
"""Seconds of a day."""

_SECONDS = re.compile(r"(\d+(?:\.\d*)?|\.\d+)", re.ASCII)
_CLOCK = r"(\d{1,2}):(\d{2})(?::(\d{2}(?:[.,]\d+)?))?"
_ZONE = r"(Z|[+-]\d{2}:?\d{2})?"
_TIME = re.compile(_CLOCK, re.ASCII)
_DATED = re.compile(rf"(\d{{4}})-(\d{{2}})-(\d{{2}})(?:[T ]{_CLOCK}{_ZONE})?", re.ASCII)

_SHAPE = str.maketrans("123456789", "000000000")
_EXACT = 15
"""Digits that floating point holds without loss, so that a division gives the nearest number."""


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
    return Clock().scan(words)


@dataclass
class Clock:
    """Reads times some at a time; all count from the day and are in the zone of the first.

    Parameters
    ----------
    dated
        Whether times bear dates; None before the first is read.
    day, zone
        Ordinal of the first day, and seconds by which its time zone is ahead.

    Examples
    --------
    >>> clock = Clock()
    >>> [clock.scan([word])[0].tolist() for word in ("2031-05-14", "2031-05-15T00:00:01")]
    [[0.0], [86401.0]]
    """

    dated: bool | None = None
    day: float = 0.0
    zone: float = 0.0

    def scan(self, words: Sequence[str]) -> tuple[FloatArray, IntArray]:
        """The next times, as by `scan_times`."""
        texts = [word.strip() for word in words]
        seconds, days, zones = (np.full(len(texts), np.nan) for _ in range(3))
        # Words of one shape are read together, by arithmetic over their digits.
        for shape, places in _by_shape(texts).items():
            read = _of_shape(shape, [texts[place] for place in places])
            seconds[places], days[places], zones[places] = read
        readable = np.isfinite(seconds)
        has_day = np.isfinite(days)
        if self.dated is None and readable.any():
            first = int(np.argmax(readable))
            self.dated = bool(has_day[first])
            if self.dated:
                self.day, self.zone = float(days[first]), float(np.nan_to_num(zones[first]))
        seconds[has_day != bool(self.dated)] = np.nan
        seconds[has_day] += (days[has_day] - self.day) * DAY
        has_zone = np.isfinite(zones)
        seconds[has_zone] -= zones[has_zone] - self.zone
        written = np.fromiter(map(bool, texts), np.bool_, len(texts))
        return seconds, np.flatnonzero(written & np.isnan(seconds))


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
    running = time if known.all() else time[known]
    falls = np.diff(running, prepend=running[:1]) < -DAY / 2
    unwrapped = time.astype(np.float64)
    if falls.any():
        unwrapped[known] += DAY * np.cumsum(falls)
    return unwrapped


# -- words of one shape --------------------------------------------------------------------


def _by_shape(texts: list[str]) -> dict[str, list[int]]:
    """Places of the words that differ in their digits alone, by the word with zeros for digits."""
    shapes = "\n".join(texts).translate(_SHAPE).split("\n")
    if len(shapes) != len(texts):  # a word holds a line end
        shapes = [text.translate(_SHAPE) for text in texts]
    places: dict[str, list[int]] = {}
    for place, shape in enumerate(shapes):
        places.setdefault(shape, []).append(place)
    return places


def _of_shape(shape: str, texts: list[str]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Seconds of the day, the day's ordinal and the time zone in seconds, NaN where not given."""
    nothing: FloatArray = np.full(len(texts), np.nan)
    found = _SECONDS.fullmatch(shape)
    if found:
        plain = _number(texts, found, 1)
        if len(shape.partition(".")[0]) == 6:
            plain[[text[0] == "0" for text in texts]] = np.nan
        return plain, nothing, nothing
    found = _TIME.fullmatch(shape)
    if found:
        return _clock(texts, found, 1), nothing, nothing
    found = _DATED.fullmatch(shape)
    if not found:
        return nothing, nothing, nothing
    days = _days(texts, found)
    seconds = np.zeros(len(texts)) if found[4] is None else _clock(texts, found, 4)
    wrong = np.isnan(seconds) | np.isnan(days)
    seconds[wrong] = days[wrong] = np.nan
    return seconds, days, _zone(texts, found)


def _number(texts: list[str], found: re.Match[str], group: int) -> FloatArray:
    """The numbers that stand where a group was found in the words' shape."""
    start, end = found.span(group)
    word = found[group].replace(",", ".")
    digits = len(word) - word.count(".")
    if digits > _EXACT:
        return np.array([float(text[start:end].replace(",", ".")) for text in texts])
    places = start + np.flatnonzero([letter != "." for letter in word])
    whole = _letters(texts)[:, places] @ 10.0 ** np.arange(digits - 1, -1, -1)
    return np.asarray(whole / 10.0 ** len(word.partition(".")[2]), np.float64)


def _letters(texts: list[str]) -> npt.NDArray[np.uint8]:
    """The letters of equally long words, a row a word, digits as their values."""
    letters = np.frombuffer("".join(texts).encode("ascii"), np.uint8)
    return letters.reshape(len(texts), -1) - ord("0")


def _clock(texts: list[str], found: re.Match[str], group: int) -> FloatArray:
    hours, minutes = _number(texts, found, group), _number(texts, found, group + 1)
    rest = _number(texts, found, group + 2) if found[group + 2] else np.zeros(len(texts))
    since = hours * 3600.0 + minutes * 60.0 + rest
    # A second 60 is a leap second, 24:00 the end of the day.
    latest = np.where(hours >= 24, DAY, DAY + 1)
    since[(since > latest) | (minutes > 59) | (rest >= 61)] = np.nan
    return since


def _days(texts: list[str], found: re.Match[str]) -> FloatArray:
    """Ordinals of the days, NaN for days that no calendar has."""
    start, end = found.start(1), found.end(3)
    dates, which = np.unique([text[start:end] for text in texts], return_inverse=True)
    ordinals = np.full(len(dates), np.nan)
    for place, text in enumerate(dates.tolist()):
        try:
            ordinals[place] = date(*map(int, text.split("-"))).toordinal()
        except ValueError:
            continue
    return np.asarray(ordinals[which], np.float64)


def _zone(texts: list[str], found: re.Match[str]) -> FloatArray:
    word = found[7]
    if word is None:
        return np.full(len(texts), np.nan)
    if word == "Z":
        return np.zeros(len(texts))
    start = found.start(7)
    letters = _letters(texts)[:, start + 1 : found.end(7)].astype(np.float64)
    sign = 1.0 if word[0] == "+" else -1.0
    tens = letters[:, [0, 1, -2, -1]] @ np.array([36000.0, 3600.0, 600.0, 60.0])
    return np.asarray(sign * tens, np.float64)
