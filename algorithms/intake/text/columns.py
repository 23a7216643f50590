"""Which column of a text table is what: by name or by number."""

from __future__ import annotations

import re
from dataclasses import dataclass

from .delimited import Layout, is_number

_TITLE = re.compile(r"^(?P<name>.*?)\s*(?:[\[(]\s*(?P<unit>[^\[\]()]*?)\s*[\])])?$")
_CHANNEL = re.compile(r"^(?:(?P<number>\d+)\s*=\s*)?(?P<title>.+)$", re.ASCII)


@dataclass(frozen=True)
class Roles:
    """Which column is what: a name (without its unit, whatever the case) or a number from 1.

    Parameters
    ----------
    channels
        Channels with units, separated by commas: ``"ec_050 [mS/m], ip_050 [ppt]"``, or
        ``"5 = ec_050 [mS/m]"``. Empty: every column of numbers without another role.
    grid, line, sequence, along, x, y, time, quality
        The other columns; None where there is none.
    keep
        Further columns to carry along, separated by commas.
    """

    channels: str = ""
    grid: str | None = None
    line: str | None = None
    sequence: str | None = None
    along: str | None = None
    x: str | None = None
    y: str | None = None
    time: str | None = None
    quality: str | None = None
    keep: str = ""

    def single(self) -> dict[str, str]:
        """The columns asked for besides channels and further ones, by role."""
        names = ("grid", "line", "sequence", "along", "x", "y", "time", "quality")
        return {name: getattr(self, name) for name in names if getattr(self, name)}


@dataclass(frozen=True)
class Column:
    """A column asked for: its place in one file and how it is called."""

    index: int
    name: str
    unit: str = ""


def split_title(title: str) -> tuple[str, str]:
    """Name and unit of a column's title.

    Examples
    --------
    >>> split_title("ec_050 [mS/m]"), split_title("ip (ppt)"), split_title("line")
    (('ec_050', 'mS/m'), ('ip', 'ppt'), ('line', ''))
    """
    found = _TITLE.match(title.strip())
    assert found is not None  # the pattern takes any text
    return found["name"] or title.strip(), found["unit"] or ""


def find_column(wanted: str, layout: Layout) -> int:
    """Place of a column by name or number."""
    asked = wanted.strip()
    titles = [title.casefold() for title in layout.titles]
    names = [split_title(title)[0] for title in titles]
    places = [k for k in range(len(titles)) if asked.casefold() in (titles[k], names[k])]
    if len(places) == 1:
        return places[0]
    if len(places) > 1:
        raise ValueError(
            f"{layout.name} has {len(places)} columns '{asked}': name the one meant by its number."
        )
    if asked.isascii() and asked.isdigit() and 1 <= int(asked) <= len(titles):
        return int(asked) - 1
    raise ValueError(
        f"{layout.name} has no column '{asked}'. It has: {', '.join(layout.titles)}. Check the "
        "name, the delimiter and whether the first row names the columns."
    )


def channel_columns(roles: Roles, layout: Layout, nulls: set[str]) -> list[tuple[str, Column]]:
    """Each channel: the word to find it by in every file, and what it is called."""
    if roles.channels.strip():
        found = [_channel(item, layout) for item in _split(roles.channels)]
    else:
        taken = {find_column(word, layout) for word in roles.single().values()}
        taken |= {find_column(word, layout) for word in _split(roles.keep)}
        found = [
            (title, Column(k, *split_title(title)))
            for k, title in enumerate(layout.titles)
            if k not in taken and _holds_numbers(layout, k, nulls)
        ]
        if not found:
            raise ValueError(
                f"No column of {layout.name} is left for a channel. Name the channels."
            )
    names = [column.name for _, column in found]
    for name in names:
        if names.count(name) > 1:
            raise ValueError(f"Channel '{name}' is named twice. Name each channel once.")
    return found


def _channel(item: str, layout: Layout) -> tuple[str, Column]:
    found = _CHANNEL.match(item)
    if found is None:
        raise ValueError(f"'{item}' is no channel. Write 'ec_050 [mS/m]' or '5 = ec_050 [mS/m]'.")
    name, unit = split_title(found["title"])
    index = find_column(found["number"] or name, layout)
    its_name, its_unit = split_title(layout.titles[index])
    if found["number"] is None and name.isdigit() and name != its_name:
        name = its_name
    return found["number"] or name, Column(index, name, unit or its_unit)


def _split(text: str) -> list[str]:
    return [item.strip() for item in text.split(",") if item.strip()]


def _holds_numbers(layout: Layout, place: int, nulls: set[str]) -> bool:
    cells = [row[place] for row in layout.sample if place < len(row)]
    known = [cell for cell in cells if cell.casefold() not in nulls]
    return bool(known) and all(map(is_number, known))


def columns_of(
    roles: Roles, channels: list[tuple[str, Column]], layout: Layout
) -> dict[str, Column]:
    """Every column asked for by its key among the gathered ones, for one file."""
    found = {
        f"channel {column.name}": Column(find_column(word, layout), column.name)
        for word, column in channels
    }
    for role, word in roles.single().items():
        found[role] = Column(find_column(word, layout), word)
    for word in _split(roles.keep):
        index = find_column(word, layout)
        name = split_title(layout.titles[index])[0]
        found[f"keep {name if layout.titles[index] != word else word}"] = Column(index, name)
    return found
