"""A number as people write it in a table."""

from __future__ import annotations

import re

_WITH_COMMA = re.compile(r"[+-]?\d+,\d+", re.ASCII)


def to_number(word: object) -> float:
    """A cell as a number: with a decimal point, or with one comma that can be nothing else.

    Raises
    ------
    ValueError, TypeError
        If it is none.

    Examples
    --------
    >>> to_number("412345.219"), to_number("412345,219"), to_number(" -0,5"), to_number(3)
    (412345.219, 412345.219, -0.5, 3.0)
    """
    try:
        return float(word)  # type: ignore[arg-type]
    except ValueError:
        if isinstance(word, str) and _WITH_COMMA.fullmatch(word.strip()):
            return float(word.replace(",", "."))
        raise
