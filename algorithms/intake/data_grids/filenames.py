"""Which data grid and channel a file holds, told by its name."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

_PARTS = re.compile(r"(\{grid\}|\{channel\}|\*)")


@dataclass(frozen=True)
class NamedFile:
    """A file, its data grid, and its channel; None where the pattern names no channel."""

    path: Path
    grid: str
    channel: str | None


def name_files(
    paths: Sequence[Path],
    pattern: str = "{grid}",
    grids: Sequence[str] = (),
    channels: Sequence[str] = (),
) -> list[NamedFile]:
    """Data grid and channel of each file by a pattern over the names.

    The pattern holds ``{grid}``, ``{channel}`` or both, ``*`` for any run of characters, and
    anything else as it stands, whatever the case. A pattern without a full stop is held against the
    names without their endings. What is found gets the spelling of `grids` and `channels`.

    Parameters
    ----------
    paths
        The files.
    grids, channels
        Names known, which settle where a data grid's name ends; empty where any will do.

    Raises
    ------
    ValueError
        If the pattern holds a placeholder twice or an unknown one, files do not fit it, a name is
        not among those known, or two files hold the same.

    Examples
    --------
    >>> [found] = name_files([Path("site_g1_ec_050.txt")], "site_{grid}_{channel}", ["G1"])
    >>> found.grid, found.channel
    ('G1', 'ec_050')
    """
    any_names = _expression(pattern, {})
    known_names = _expression(pattern, {"grid": grids, "channel": channels})
    found: list[NamedFile] = []
    unfit: list[str] = []
    for path in paths:
        name = path.name if "." in pattern else path.stem
        fits = known_names.fullmatch(name) or any_names.fullmatch(name)
        if fits is None:
            unfit.append(path.name)
            continue
        words = fits.groupdict()
        grid = _spelling(words.get("grid", ""), grids, "data grid", path)
        channel = words.get("channel")
        if channel is not None:
            channel = _spelling(channel, channels, "channel", path)
        found.append(NamedFile(path, grid, channel))
    if unfit:
        one = len(unfit) == 1
        raise ValueError(
            f"{', '.join(unfit)} {'does' if one else 'do'} not fit the pattern '{pattern}'. Leave "
            f"{'it' if one else 'them'} out, or correct the pattern."
        )
    _check_once(found)
    return found


def _expression(pattern: str, names: dict[str, Sequence[str]]) -> re.Pattern[str]:
    parts = _PARTS.split(pattern)
    text = "".join(part for part in parts if not _PARTS.fullmatch(part))
    twice = parts.count("{grid}") > 1 or parts.count("{channel}") > 1
    if "{" in text or "}" in text or twice or not {"{grid}", "{channel}"} & set(parts):
        raise ValueError(
            f"The pattern '{pattern}' cannot be used: write {{grid}} and {{channel}} at most once "
            "each, at least one of them, and no other braces."
        )
    made = ""
    for part in parts:
        if part == "*":
            made += ".*?"
        elif _PARTS.fullmatch(part):
            known = sorted(names.get(part[1:-1], ()), key=len, reverse=True)
            made += f"(?P<{part[1:-1]}>{'|'.join(map(re.escape, known)) or '.+?'})"
        else:
            made += re.escape(part)
    return re.compile(made, re.IGNORECASE)


def _spelling(word: str, known: Sequence[str], what: str, path: Path) -> str:
    if not known or word in known:
        return word
    alike = [name for name in known if name.casefold() == word.casefold()]
    if len(alike) == 1:
        return alike[0]
    where = f"{path.name} holds {what} '{word}' by its name"
    if alike:
        raise ValueError(
            f"{where}, which may be {' or '.join(alike)}: write it as one of them in the file name."
        )
    raise ValueError(
        f"{where}, and there is none of that name: there is {', '.join(known)}. Leave the file "
        "out, or correct the pattern or the names."
    )


def _check_once(files: Sequence[NamedFile]) -> None:
    first: dict[tuple[str, str], NamedFile] = {}
    for file in files:
        key = (file.grid.casefold(), (file.channel or "").casefold())
        other = first.setdefault(key, file)
        if other is not file:
            what = f"channel '{file.channel}' of " if file.channel else ""
            raise ValueError(
                f"{other.path.name} and {file.path.name} both hold {what}data grid '{file.grid}' "
                "by their names. Leave one out, or correct the pattern."
            )
