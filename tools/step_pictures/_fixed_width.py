"""Lines of text with a shade behind the characters of each field."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

SHADES = ("#e8d9b5", "#cfe0d2", "#cddfea", "#ead2c6", "#ddd6ea", "#e3e6c4", "#d6e4e6", "#efdfe6")


def paper(figure, place, columns: int, rows: float):
    """Axes in characters: columns to the right, lines downwards."""
    axes = figure.add_axes(place)
    axes.set(xlim=(-0.5, columns), ylim=(rows, -0.9))
    axes.axis("off")
    return axes


def line(axes, row: float, text: str, ink: str, size: float) -> None:
    """A line of text, each character in a column of its own."""
    for column, letter in enumerate(text):
        if letter != " ":
            axes.text(
                column + 0.5, row, letter, family="DejaVu Sans Mono", fontsize=size, color=ink,
                ha="center", va="center",
            )  # fmt: skip


def shade(axes, start: float, end: float, top: float, bottom: float, colour: str) -> None:
    """The shade behind characters `start` to `end` of the lines between `top` and `bottom`."""
    axes.fill_between([start, end], top, bottom, color=colour, linewidth=0, zorder=0)


def ruler(axes, columns: int, row: float, ink: str) -> None:
    """Tens of characters."""
    for column in range(10, columns + 1, 10):
        axes.plot([column, column], [row + 0.1, row + 0.45], color=ink, linewidth=0.7)
        axes.text(column, row, str(column), fontsize=7.5, color=ink, ha="center", va="bottom")


def coloured(places: Sequence) -> Mapping[str, str]:
    """A shade for each column by its field's name; an array has one."""
    names = list(dict.fromkeys(place.field.name for place in places))
    return {name: SHADES[number % len(SHADES)] for number, name in enumerate(names)}
