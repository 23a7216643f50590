"""JSON read strictly: keys said twice are kept in mind, numbers stay as they were written."""

from __future__ import annotations

import json
import re


class Written(str):
    """A number as it was written, NaN and Infinity among them."""

    __slots__ = ()


class Keys(dict[str, object]):
    """An object of JSON; `twice` is the first of its keys that it says twice, or empty."""

    twice: str = ""


def _keys(pairs: list[tuple[str, object]]) -> Keys:
    found = Keys()
    for key, value in pairs:
        if key in found:
            found.twice = found.twice or key
        found[key] = value
    return found


def read_json(text: str, name: str) -> object:
    """JSON of any kind: objects as `Keys`, numbers as `Written`.

    Parameters
    ----------
    text
        The whole text.
    name
        What it is called in messages, as the first words of a sentence.

    Raises
    ------
    ValueError
        If it is no JSON, holds half a character or is nested too deeply.

    Examples
    --------
    >>> found = read_json('{"a": 1.50, "a": [true, null]}', "list.json")
    >>> found, found.twice
    ({'a': [True, None]}, 'a')
    >>> read_json("[1.50]", "list.json")
    ['1.50']
    """
    try:
        found: object = json.loads(
            text,
            object_pairs_hook=_keys,
            parse_int=Written,
            parse_float=Written,
            parse_constant=Written,
        )
        json.dumps(found, ensure_ascii=False).encode("utf-8")
    except json.JSONDecodeError as wrong:
        comma = _decimal_comma(text, wrong.pos)
        raise ValueError(
            f"{name} is no JSON: at line {wrong.lineno}, column {wrong.colno}: {wrong.msg}. "
            + ("Write numbers with a decimal point." if comma else "Correct it there.")
        ) from None
    except UnicodeEncodeError:
        raise ValueError(
            f"{name} holds half a character (\\ud800 to \\udfff). Correct it."
        ) from None
    except RecursionError:
        raise ValueError(f"{name} is nested too deeply. Write words and values only.") from None
    return found


def _decimal_comma(text: str, place: int) -> bool:
    """Whether a comma between two digits stands where JSON ends to be readable."""
    near = text[max(place - 2, 0) : place + 2]
    return re.search(r"[0-9],[0-9]", near, re.ASCII) is not None
