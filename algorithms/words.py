"""Figures and counts in words, for messages."""

from __future__ import annotations

import re
import unicodedata

import numpy as np

SHOWN = 10
"""Traverses named one by one in a topic, the worst first; the summary counts the others."""


def plural(count: int, one: str, many: str = "") -> str:
    """A count with its noun.

    Examples
    --------
    >>> plural(1, "traverse"), plural(1200, "reading"), plural(2, "is", "are")
    ('1 traverse', '1,200 readings', '2 are')
    """
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def in_unit(value: float, unit: str) -> str:
    """A figure of three digits with its unit; a unit that is a number is multiplied.

    Examples
    --------
    >>> in_unit(0.12345, "mS/m"), in_unit(1234.5, "m"), in_unit(2.0, ""), in_unit(40, "1e-5 SI")
    ('0.123 mS/m', '1,234 m', '2', '40 x 1e-5 SI')
    """
    text = f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.3g}"
    if unit[:1].isdigit():
        return f"{text} x {unit}"
    return f"{text} {unit}" if unit else text


def same_unit(one: str, other: str) -> bool:
    """Tell whether two writings are of one unit.

    Examples
    --------
    >>> same_unit("mS/m", "mS m-1"), same_unit("ppt", " ppt"), same_unit("mS/m", "MS/m")
    (True, True, False)
    """
    return _plain_unit(one) == _plain_unit(other)


def _plain_unit(unit: str) -> str:
    # Superscripts to digits, both characters for micro to one.
    plain = unicodedata.normalize("NFKC", unit).replace("\u2212", "-")
    return re.sub(r"[\s.·*]*([A-Za-z]+)\^?-1$", r"/\1", plain.strip())


def squared(unit: str) -> str:
    """The unit of area that belongs to a unit of length."""
    return f"square {unit}" if " " in unit else f"{unit}²"


def share_text(count: int, total: int) -> str:
    """A share as a percentage that does not pretend to be none.

    Examples
    --------
    >>> share_text(0, 10), share_text(1, 100_000), share_text(1, 3)
    ('0 %', 'under 0.01 %', '33 %')
    """
    share = 100.0 * count / max(total, 1)
    if count and share < 0.01:
        return "under 0.01 %"
    return f"{share:.2g} %" if share < 99.5 else f"{np.floor(share):.0f} %"


def sentence_start(name: str) -> str:
    """A name as the first words of a sentence.

    Examples
    --------
    >>> sentence_start("line 3 of grid G2")
    'Line 3 of grid G2'
    """
    return name[:1].upper() + name[1:]
