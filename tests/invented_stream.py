"""Sentences written by plain formatting, apart from the code that reads them."""

from functools import reduce
from math import floor
from operator import xor


def sentence(body):
    """A body of ASCII between dollar and checksum."""
    return f"${body}*{reduce(xor, body.encode('ascii'), 0):02X}"


def utc(seconds):
    """Seconds of a day, or a word as it is, as hhmmss.ss."""
    if isinstance(seconds, str):
        return seconds
    hundredths = round(seconds * 100)
    whole, part = divmod(hundredths, 100)
    return f"{whole // 3600:02d}{whole // 60 % 60:02d}{whole % 60:02d}.{part:02d}"


def minutes(angle, digits):
    """Degrees as whole degrees and minutes of seven decimals run together."""
    units = round(abs(angle) * 60 * 10**7)
    whole, rest = divmod(units, 60 * 10**7)
    return f"{whole:0{digits}d}{floor(rest / 10**7):02d}.{rest % 10**7:07d}"


def place(lon, lat):
    return (
        f"{minutes(lat, 2)},{'S' if lat < 0 else 'N'},{minutes(lon, 3)},{'W' if lon < 0 else 'E'}"
    )


def gga(time, lon, lat, quality=4, hdop="0.8", height="12.5", talker="GN"):
    body = (
        f"{talker}GGA,{utc(time)},{place(lon, lat)},{quality},12,{hdop},{height},M,44.0,M,1.0,0001"
    )
    return sentence(body)


def rmc(time, lon, lat, date="140531", mode="A", status="A", talker="GN"):
    return sentence(f"{talker}RMC,{utc(time)},{status},{place(lon, lat)},1.9,,{date},,,{mode}")


def text_lines(*rows):
    """Rows of text or bytes as the reader of bytes gives them."""
    import numpy as np
    from lynchet.algorithms.intake.text.bytelines import Lines, trimmed

    text = b"".join((r if isinstance(r, bytes) else r.encode()) + b"\n" for r in rows)
    data = np.frombuffer(text, np.uint8)
    ends = np.flatnonzero(data == 10)
    starts = np.concatenate([[0], ends[:-1] + 1])
    return Lines(data, *trimmed(data, starts, ends), 1)
