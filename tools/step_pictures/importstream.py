"""Picture of "Bring in a logger stream": a bend with fixes, a gap and the antenna's offset."""

from __future__ import annotations

import tempfile
from functools import reduce
from operator import xor
from pathlib import Path

import numpy as np

AHEAD, RIGHT = 1.2, 0.5
SECONDS = 46
PER_SECOND = 5
GAP = range(8, 13)
FLOATING = range(31, 35)
RADIUS = 5.0
DEGREE = 1e5
RECIPE = "begins: M; parted by: blanks; time: 2; channels: 3 = ec_050 [mS/m]"


def walk(t):
    """Place and course (radians) of someone who walks up, turns right and walks back."""
    up, bend = 15.0, np.pi * RADIUS
    share = np.clip((t - up) / bend, 0.0, 1.0) * np.pi
    x = RADIUS * (1 - np.cos(share))
    y = np.minimum(t, up) + RADIUS * np.sin(share) - np.maximum(t - up - bend, 0.0)
    return x, y, share


def antenna(t):
    """Where the antenna is."""
    x, y, course = walk(t)
    return (
        x + AHEAD * np.sin(course) + RIGHT * np.cos(course),
        y + AHEAD * np.cos(course) - RIGHT * np.sin(course),
    )


def stream() -> str:
    """The walk as a logger writes it."""
    random = np.random.RandomState(4)
    rows = []
    for second in range(SECONDS):
        if second not in GAP:
            x, y = antenna(np.array(float(second))) + random.normal(size=2) * 0.03
            body = (
                f"GNGGA,0900{second:02d}.00,{_minutes(y, 2)},N,{_minutes(x, 3)},E,"
                f"{5 if second in FLOATING else 4},12,0.8,3.2,M,44.1,M,1.0,0001"
            )
            rows.append(f"${body}*{reduce(xor, body.encode('ascii')):02X}")
        for k in range(PER_SECOND):
            rows.append(f"M 09:00:{second + (k + 0.5) / PER_SECOND:05.2f} 21.5")
    return "\n".join(rows)


def _minutes(length: float, digits: int) -> str:
    angle = 1 + length / DEGREE  # degrees, far enough from where signs change
    whole = int(angle)
    return f"{whole:0{digits}d}{(angle - whole) * 60:010.7f}"


def draw(demo: Path, out: Path) -> None:
    """Write importstream.png."""
    from lynchet.algorithms.intake.importstream import JoinOptions, place_stream
    from lynchet.algorithms.intake.stream.lines import read_stream
    from lynchet.algorithms.intake.stream.recipe import parse_recipe
    from lynchet.plugin.deliver.figures import INK, LINE, MARK, new_figure

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "walk.txt"
        path.write_text(stream(), encoding="ascii")
        read = read_stream([path], [], parse_recipe(RECIPE))
    fixes = read.fixes
    x, y = (fixes.longitude - 1) * DEGREE, (fixes.latitude - 1) * DEGREE
    found = place_stream(
        read, x, y, JoinOptions(ahead=AHEAD, right=RIGHT, good_quality=(4,))
    )  # fmt: skip
    place, doubtful = found.placed, found.table.quality > 0

    figure = new_figure(12, 7.6)
    axes = figure.add_axes([0.01, 0.02, 0.98, 0.96])
    for rows in np.split(np.arange(len(x)), np.flatnonzero(np.diff(fixes.time) > 3) + 1):
        axes.plot(x[rows], y[rows], color=LINE, linewidth=0.9, zorder=1)
    good = fixes.quality == 4
    axes.plot(x[good], y[good], "o", color=LINE, markersize=6, label="fix of the antenna")
    axes.plot(x[~good], y[~good], "o", color=LINE, markersize=6, markerfacecolor="white",
              label="fix of poor quality")  # fmt: skip
    axes.plot(place.x[~doubtful], place.y[~doubtful], ".", color="#6d7a5c", markersize=6,
              label="reading")  # fmt: skip
    axes.plot(place.x[doubtful], place.y[doubtful], ".", color=MARK, markersize=7,
              label="reading, position doubtful")  # fmt: skip
    for moment in (4.1, 27.1, 42.1):
        row = int(np.argmin(np.abs(found.table.time - 32400 - moment)))
        at = np.array([place.x[row], place.y[row]])
        angle = np.radians(place.bearing[row])
        front = at + AHEAD * np.array([np.sin(angle), np.cos(angle)])
        tip = front + RIGHT * np.array([np.cos(angle), -np.sin(angle)])
        axes.annotate("", front, at, arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 1.4})
        axes.annotate("", tip, front, arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 1.4})
        axes.plot(*at, "s", color=INK, markersize=5, zorder=5)
    note = {"fontsize": 11, "color": INK, "va": "center"}
    gap = fixes.time[np.diff(fixes.time).argmax()] - 32400
    low, high = gap, gap + np.diff(fixes.time).max()
    axes.annotate("", (-1.0, high), (-1.0, low), arrowprops={"arrowstyle": "<->", "color": MARK})
    axes.text(-1.3, (low + high) / 2, f"{high - low:.0f} s without a fix:\nthese readings get\nno "
              "position", ha="right", **note)  # fmt: skip
    axes.text(-1.3, 4.4, f"antenna {AHEAD:g} m ahead,\n{RIGHT:g} m to the right,\nby the course",
              ha="right", **note)  # fmt: skip
    axes.text(RADIUS, 14.2, "the offset turns\nwith the course", ha="center", **note)
    axes.text(RADIUS, 11.2, "walked up, round\nand back", ha="center", fontsize=9, color=LINE)
    axes.plot([6, 8], [0.3, 0.3], color=INK, linewidth=3, solid_capstyle="butt")
    axes.text(7, 0.8, "2 m", ha="center", fontsize=9, color=INK)
    axes.legend(loc="upper right", frameon=False, fontsize=11, labelcolor=INK)
    axes.set_aspect("equal")
    axes.set_xlim(-9, 22)
    axes.axis("off")
    figure.savefig(out / "importstream.png", dpi=100)
